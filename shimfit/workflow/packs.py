"""Packs as they go in: made one's own way, or as prescribed; and what the readings say they gave.

`next-out=T1@29+F2` is read against the box as it is. A prescription that is followed moves only the pieces
that are new under the post; a taper that is pushed on stays where it is. What posts wait for is nobody
else's. Take-up is learned per job: each verifying reading after packs were changed logs one observation
(`observed`) in the same step, so it is undone with it; a `take-up-reset` begins anew.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from shimfit.core.cutting import KERF_MM, moved_packs, returned
from shimfit.core.foot import gap_plane
from shimfit.core.objective import Minutes, Scatter
from shimfit.core.takeup import (
    Book,
    Done,
    Left,
    Observed,
    SiteScatter,
    Spread,
    TakeUp,
    blended,
    learn,
    learn_scatter,
    material_shares,
)
from shimfit.core.uncertainty.budget import HAND_MM
from shimfit.errors import EntryError, UsageError
from shimfit.model import Foot, Lean, Lot, Pack, Piece, Reading, Seat
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_length
from shimfit.settings import Settings, Units, degrees, minutes_of
from shimfit.standing import Here, PostRecord, RunState, one_lean
from shimfit.store.events import Draft
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.packing import Options
    from shimfit.core.packing.options import Layout
    from shimfit.workflow.site import Place, Site


USUAL_WIDTH_MM = 40.0
"""Width of a piece whose width is not in the box's list (common practice, no source)."""


def parse_seat(text: str, at: int = 0, faces: Mapping[str, str] = MappingProxyType({})) -> Seat:
    """Seat by its name, or by what a run calls its faces; EntryError naming them."""
    own = {"-".join(faces.get(part, part) for part in seat.split("-")): seat for seat in Seat}
    seats = {name.casefold(): seat for name, seat in ({seat.value: seat for seat in Seat} | own).items()}
    if (seat := seats.get(text.strip().casefold())) is None:
        raise EntryError(f"{text!r} isn't a seat; the seats are {', '.join(own)}", at=at)
    return seat


def parse_face(text: str, faces: Mapping[str, str]) -> str:
    """A face by its name or by what the run calls it; UsageError naming them."""
    for face, own in faces.items():
        if text.strip().casefold() in (face, own.casefold()):
            return face
    raise UsageError(f"{text!r} isn't a face of this run; its faces are {', '.join(faces.values())}")


def parse_seat_lengths(text: str, units: Units) -> dict[Seat, float]:
    """`next-out=1.5,prev-out=0.5` as mm per seat; EntryError with the bad spot."""
    found: dict[Seat, float] = {}
    at = 0
    for part in text.split(","):
        name, equals, length = part.partition("=")
        if not equals:
            raise EntryError(f"{part.strip()!r}: a seat is given like next-out=1.5", at=at)
        seat = parse_seat(name, at)
        if seat in found:
            raise EntryError(f"{seat} is given twice", at=at)
        try:
            found[seat] = parse_length(length, units, what=f"pack at {seat}", zero_ok=True)
        except EntryError as error:
            raise EntryError(error.message, at=at + len(name) + 1 + (error.at or 0)) from error
        at += len(part) + 1
    return found


MOST_FEELER_MM = 10.0
"""A corner that hangs by more is a bed to be mended, or a slip of the unit (common practice, no source)."""


def parse_feelers(
    words: Sequence[str], units: Units, faces: Mapping[str, str] = MappingProxyType({})
) -> tuple[tuple[Seat, float], ...]:
    """Corners that do not touch, each `next-out=0.5`; 0 mm where no thickness is given: it is only noted.

    UsageError: an edge. EntryError: no seat, one given twice, a gap that no foot rocks over. faces: what the
    run calls them.
    """
    found: dict[Seat, float] = {}
    for corner, _, thickness in (word.partition("=") for word in words):
        seat = parse_seat(corner, faces=faces)
        if not seat.is_corner:
            raise UsageError(
                f"{seat} is an edge; a foot rocks over a corner: prev-house, next-house, prev-out, next-out"
            )
        if seat in found:
            raise EntryError(f"{seat} is given twice", at=0)
        found[seat] = parse_length(thickness, units, what="feeler thickness") if thickness else 0.0
        if found[seat] > MOST_FEELER_MM:
            gap = shown.sized(found[seat], units)
            raise EntryError(f"{gap} under {seat}: no foot rocks over so much; a wrong unit?", at=0)
    return tuple(found.items())


def parse_packs(
    words: Sequence[str],
    foot: Foot,
    lean: Lean | None,
    lots: Sequence[Lot],
    units: Units,
    *,
    faces: Mapping[str, str] = MappingProxyType({}),
) -> tuple[Pack, ...]:
    """Packs from `SEAT=LOT[@MARK][+LOT…]` words; each lot must be in the box, a taper needs its mark.

    lean: of the latest reading, for the need beside what was made (0 where nothing was read), and for where
    flats bear: at their inner end where the gap grows outwards, pushed as far in as is usual. faces: what the
    run calls them.
    """
    from shimfit.core.packing import Options
    from shimfit.core.packing.question import place_of

    packs: dict[Seat, Pack] = {}
    for word in words:
        name, _, made_of = word.partition("=")
        if not made_of:
            raise EntryError(f"{word!r}: a pack is given like next-out=T1@29+F2", at=0)
        seat = parse_seat(name, faces=faces)
        if seat in packs:
            raise EntryError(f"{seat} is given twice", at=0)
        pieces = tuple(_piece(part, lots, units) for part in made_of.split("+"))
        made_mm = sum(piece.thickness_mm for piece in pieces)
        (x, y), need_mm, inside_mm, enters = foot.seat_at_mm(seat), 0.0, None, None
        if lean is not None:
            plane = gap_plane(foot, lean)
            need_mm, place = plane.at_seat_mm(seat), place_of(plane, seat, Options())
            enters = None if place is None else place.enters
            if place is not None and all(piece.is_whole for piece in pieces):
                inner, inside_mm = place.slope > 0.0, place.inside_mm
                (x, y), need_mm = place.at_mm(inner), place.need_mm(inner)
        at_mm = x - foot.rod_at_mm[0], y - foot.rod_at_mm[1]
        packs[seat] = Pack(seat, need_mm, made_mm, at_mm, pieces, inside_mm=inside_mm, enters=enters)
    return tuple(packs.values())


def _piece(text: str, lots: Sequence[Lot], units: Units) -> Piece:
    name, at_sign, mark = (part.strip() for part in text.partition("@"))
    lot = next((one for one in lots if one.lot == name), None)
    if lot is None:
        names = ", ".join(one.lot for one in lots) or "nothing"
        raise UsageError(f"there is no lot {name!r} in the box; it holds {names}")
    if lot.is_sawn:
        raise UsageError(f"{name} is saw stock: cut it first, then put the wedge in the box as a taper")
    if lot.is_whole:
        if at_sign:
            raise UsageError(f"{name} is a {lot.form}: it has no mark")
        assert lot.thickness_mm is not None
        return Piece(name, lot.form, lot.thickness_mm)
    if not at_sign:
        like = "30mm" if units == "mm" else "1-1/4in"
        raise UsageError(f"{name} is a {lot.form}: say the mark that meets the face, like {name}@{like}")
    mark_mm = parse_length(mark, units, what=f"mark on {name}")
    assert lot.length_mm is not None
    assert lot.thin_mm is not None
    if mark_mm > lot.length_mm:
        raise EntryError(
            f"{name} is {shown.sized(lot.length_mm, units)} long: a mark at {shown.sized(mark_mm, units)} is "
            "past its end",
            at=0,
        )
    return Piece(name, lot.form, lot.thin_mm + lot.taper_slope * mark_mm, mark_mm=mark_mm)


# ---------------------------------------------------------------- what a prescription moves


def awaited_packs(post: PostRecord) -> tuple[Pack, ...]:
    """What an open prescription still takes from the box; pieces that only change place are left out.

    Of a taper that is pushed on, the wood behind the cut at its mark: it still hangs on it.
    """
    if not post.implied:
        return ()
    came_out, goes_in = moved_packs(post.packs_in_place, post.implied)
    # What was cut comes out under a name of its own: a piece of the lot that it was cut from is another one.
    there = Counter(piece.lot for pack in came_out for piece in pack.pieces if piece.is_whole)

    def is_new(piece: Piece) -> bool:
        there[piece.lot] -= 1
        return there[piece.lot] < 0

    found = [replace(pack, pieces=tuple(filter(is_new, pack.pieces))) for pack in goes_in]
    stood, kerf_mm = {pack.seat: pack for pack in post.packs_in_place}, post.making.kerf_mm
    kerf_mm = KERF_MM if kerf_mm is None else kerf_mm
    for pack in (pack for pack in post.implied if pack not in goes_in):
        marks = {(one.lot, one.copy): (one.mark_mm or 0.0) + kerf_mm for one in stood[pack.seat].pieces}
        pushed = (
            replace(piece, trim_tip_mm=marks[piece.lot, piece.copy])
            for piece in pack.pieces
            if piece.is_marked and (piece.mark_mm or 0.0) > marks[piece.lot, piece.copy]
        )
        found.append(replace(pack, pieces=tuple(pushed)))
    return tuple(pack for pack in found if pack.pieces)


def options_of(
    run: RunState, settings: Settings, torque_nm: float | None = None, site_scatter: float = 1.0
) -> Options:
    """How packs may be made in a run; UsageError when the saw's settings are no angles.

    torque_nm: the post's own, in place of the usual; it decides how far in pieces must reach. site_scatter:
    times the usual, as learned (`scatter_of`).
    """
    from shimfit.core import packing

    defaults, made = packing.Options(), run.making
    layout: Layout = made.layout if made.layout in ("corners", "tripod", "one-way", "auto") else "corners"  # type: ignore[assignment]  # the log may hold a newer program's word
    saw = packing.Saw(settings_deg=degrees(settings.saw_deg))
    if made.kerf_mm is not None:
        saw = replace(saw, kerf_mm=made.kerf_mm)
    torque, inside_mm = torque_nm or settings.torque_nm, defaults.min_inside_mm
    if settings.timber and torque:
        from shimfit.core.bearing import clamp_from_torque, shortest_length_mm, timber_named

        # What crushing asks, the usual at least; never past the longest that is pushed in.
        clamp = clamp_from_torque(torque, settings.rod_mm, settings.nut)
        allowed = timber_named(settings.timber).allowed_mpa(wet=True)
        inside_mm = max(shortest_length_mm(clamp, allowed, USUAL_WIDTH_MM), inside_mm)
        inside_mm = min(inside_mm, defaults.bearing_mm)
    return packing.Options(
        layout=layout,
        preload_mm=made.preload_mm or defaults.preload_mm,
        saw=saw,
        inside_mm=inside_mm,
        min_inside_mm=inside_mm,
        minutes=minutes_of(settings),
        scatter=Scatter(factor=site_scatter),
    )


def promised(site: Site, left_out: Callable[[Place, PostRecord], bool]) -> list[Pack]:
    """What posts wait for that is still in the box: it is nobody else's. left_out: posts not to ask."""
    posts = (post for place, post in site.every_post() if post.implied and not left_out(place, post))
    return site.box().stock.as_it_lies([pack for post in posts for pack in awaited_packs(post)])


def as_told(site: Site, run: RunState) -> RunState:
    """A run whose answers name what they take as it lies in the box now: what is left of a taper cut since.

    Marks are measured from the thin end of what is in the hand, as the cut sheet has them.
    """
    called = site.box().stock.as_called

    def told(post: PostRecord) -> PostRecord:
        answer, packs = post.prescription, post.awaited
        if answer is None or not packs:
            return post
        _, goes_in = moved_packs(post.packs_in_place, packs)  # what is only pushed is under the post
        lie = tuple(
            replace(one, pieces=tuple(map(called, one.pieces))) if one in goes_in else one for one in packs
        )
        return post if lie == packs else replace(post, prescription=replace(answer, packs=lie))

    return replace(run, posts=tuple(map(told, run.posts)))


def promised_beside(site: Site, place: Place) -> list[Pack]:
    """Packs that all other posts wait for and that are still in the box."""
    return promised(site, lambda other, _: other == place)


# ---------------------------------------------------------------- whether an answer still stands


def here(site: Site) -> Here:
    """Where answers are asked now, with the settings that have a say in them."""
    settings = site.settings
    crushes = settings.timber and [settings.timber, settings.torque_nm, settings.rod_mm, settings.nut]
    prices = minutes_of(settings)
    own = {
        "saw_deg": list(degrees(settings.saw_deg)),
        "foresight": settings.foresight,
        "crushes": crushes or None,
        "minutes": asdict(prices) if prices != Minutes() else None,
    }
    return Here(site.journal.log, own, site.box().lots)


def asks_again(site: Site, post: PostRecord) -> bool:
    """True when a post's answer is missing, is not what it would be here and now, or its pieces are gone."""
    if post.asks_again(here(site)):
        return True
    asked = post.asked
    if not post.implied or asked is None or asked.log != site.journal.log or asked.box == here(site).box:
        return False
    return wants_any(post, over_promised(site))


def over_promised(site: Site) -> frozenset[str]:
    """Lots of which the answers given here promise more than the box holds: some was taken out of it.

    Also those that it does not know any more, as what was left of a cut that was taken back; but for what
    comes out from under the post itself.
    """
    log, box = site.journal.log, site.box()
    waiting = [post for _, post in site.every_post() if post.implied and post.asked and post.asked.log == log]
    lots = (*box.lots, *box.used_up)
    there, unknown = {lot.lot for lot in lots}, set[str]()
    for post in waiting:
        wanted = {piece.lot for pack in awaited_packs(post) for piece in pack.pieces}
        if wanted - there:
            came_out, _ = moved_packs(post.packs_in_place, post.implied or ())
            unknown |= wanted - there - {lot.lot for lot in returned(came_out, lots, wanted)}
    return box.stock.lacking([pack for post in waiting for pack in awaited_packs(post)]) | unknown


def wants_any(post: PostRecord, lots: frozenset[str]) -> bool:
    """True where a post waits for pieces of one of these lots."""
    wanted = awaited_packs(post) if lots and post.wants_answer else ()
    return any(piece.lot in lots for pack in wanted for piece in pack.pieces)


# ---------------------------------------------------------------- what goes in and comes out


def implied_packing(site: Site, place: Place, post: PostRecord) -> list[Draft]:
    """Box movement of packs that what is logged next at the post says went in as prescribed."""
    return [] if post.implied is None else moving(site, place, post.packs_in_place, post.implied)


def moving(site: Site, place: Place, before: Sequence[Pack], after: Sequence[Pack]) -> list[Draft]:
    """What putting other packs under a post moves in the box."""
    kerf_mm = options_of(site.run(place.job, place.run), site.settings).saw.kerf_mm
    stock = site.box().stock
    data = stock.moved(before, after, str(place), kerf_mm, lambda: promised_beside(site, place))
    return [] if data is None else [site.draft((), "taken", data)]


# ---------------------------------------------------------------- take-up: what packs give on a deck


def _taught(site: Site, job: str) -> list[Mapping[str, Any]]:
    """What verifying readings of a job taught since it was last forgotten."""
    lessons: list[Mapping[str, Any]] = []
    for event in site.journal.standing(("observed", "take-up-reset"), job):
        lessons = [] if event.kind == "take-up-reset" else [*lessons, event.data]
    return lessons


def book_of(site: Site, job: str) -> Book:
    """What is known of a job's deck, by material; empty when nothing was learned."""
    book: Book = {}
    for data in _taught(site, job):
        predicted, measured = tuple(data["predicted_mm"]), tuple(data["measured_mm"])
        seats_mm2 = tuple(data["left"]["seats_mm2"]) if "left" in data else None
        book = learn(book, Observed(predicted, measured, data["u_reading_mm"], seats_mm2, data["shares"]))
    return book


def scatter_of(site: Site, job: str) -> SiteScatter:
    """How much a job's deck scatters, from the posts that stood bare before they were packed."""
    lefts = (data["left"] for data in _taught(site, job) if "left" in data)
    return learn_scatter(Left(**{key: tuple(value) for key, value in left.items()}) for left in lefts)


def reset(site: Site, job: str) -> str:
    """Forget what was learned of a job's deck; the observations stay in the log."""
    site.journal.job(job)
    site.append(site.draft((job,), "take-up-reset", {}))
    return f"what packs give on {job} is learned from scratch"


def of_lots(book: Book, lots: Sequence[Lot]) -> TakeUp:
    """Take-up before it is known which pieces go in: all materials of the box alike."""
    return blended(book, {lot.material: 1.0 for lot in lots})


def of_packs(book: Book, packs: Sequence[Pack], lots: Sequence[Lot]) -> TakeUp:
    """Take-up of packs by what they are made of."""
    return blended(book, material_shares(packs, lots))


@dataclass(frozen=True, slots=True)
class _Moved:
    """What a change of packs should have done to a post between two readings, and what the readings say."""

    predicted_mm: tuple[float, float]
    """Shift of the top at a take-up of 1."""
    measured_mm: tuple[float, float]
    shares: Mapping[str, float]
    """Material of the packs."""
    read_mm2: Spread
    """What the two readings scatter by where nothing was changed between them."""
    left: Left
    """What is off the shift that was to be expected."""


def _moved(
    site: Site, place: Place, post: PostRecord, stood: Reading, reading: Reading, *, after: Sequence[Pack]
) -> _Moved | None:
    """Of a post that stood so before it got these packs; None where one of the two is half a reading."""
    from shimfit.core.correction.standing import predicted_shift_mm
    from shimfit.core.packing.question import usual_spread

    lean, before = reading.lean, post.packs_when_read
    if stood.lean is None or lean is None:
        return None
    foot, height_mm, hollow_mm = post.foot, post.height_mm, dict(stood.rocks)
    preload_mm = options_of(site.run(place.job, place.run), site.settings).preload_mm
    # What fills the hollow under a corner that does not touch lifts nothing.
    lifting = [replace(one, made_mm=one.made_mm - hollow_mm.get(one.seat, 0.0)) for one in after]
    lifting = [one for one in lifting if one.made_mm > 0.0]
    predicted = predicted_shift_mm(foot, before, lifting, height_mm, preload_mm)
    old, new = stood.lean.top_mm(height_mm), lean.top_mm(height_mm)
    measured = new[0] - old[0], new[1] - old[1]
    box = site.box()
    lots = (*box.lots, *box.used_up)
    known = of_packs(book_of(site, place.job), after, lots)
    lifted = predicted_shift_mm(foot, (), before, height_mm, preload_mm) if before else (0.0, 0.0)
    bare = [(mm - known.mean * up) / height_mm for mm, up in zip(old, lifted, strict=True)]
    asked = replace(stood, slope_along=bare[0], slope_across=bare[1])
    seats = usual_spread(foot, height_mm, asked, post.tolerance, after, preload_mm, take_up=known.mean)
    along, across = (known.u_next * shift for shift in predicted)
    usual = HAND_MM / height_mm
    # The zero of one level that is held alike is in both readings, and cancels.
    alike = (stood.instrument, stood.face, stood.turned) == (reading.instrument, reading.face, reading.turned)
    parts = [
        (one.u_own("along"), one.u_own("across")) if alike else (one.u_along, one.u_across)
        for one in (stood, reading)
    ]
    xx, yy = (sum((u or usual) ** 2 for u in way) * height_mm**2 for way in zip(*parts, strict=True))
    left = Left(
        (measured[0] - known.mean * predicted[0], measured[1] - known.mean * predicted[1]),
        seats or (0.0, 0.0, 0.0),
        (xx + along * along, along * across, yy + across * across),
    )
    return _Moved(predicted, measured, material_shares(after, lots), (xx, 0.0, yy), left)


def what_was_done(site: Site, place: Place, post: PostRecord, reading: Reading) -> Done:
    """What a whole reading says was done, where packs are asked for that nobody logged as in."""
    answer, stood = post.prescription, post.stood
    if not post.implied or answer is None or stood is None:
        return "as prescribed"
    if (moved := _moved(site, place, post, stood, reading, after=post.implied)) is None:
        return "as prescribed"
    wanted = answer.chance is not None and answer.chance.again is not None
    done = moved.left.done(moved.measured_mm, moved.read_mm2, answer.scatter, again_wanted=wanted)
    # The likeliest of what is unlikely: a repeat that can't be of the lean that it repeats is none.
    return "something else" if done == "not packed" and not one_lean(stood, reading) else done


def observation(site: Site, place: Place, post: PostRecord, reading: Reading) -> list[Draft]:
    """What a verifying reading teaches, as a draft; none when no packs were changed since the last reading.

    post: as it stands before the reading is logged.
    """
    stood, packed = post.reading, post.packed_since
    if stood is None or packed is None or not reading.u_along or not reading.u_across:
        return []
    if (moved := _moved(site, place, post, stood, reading, after=packed[1])) is None:
        return []
    data = {
        "predicted_mm": list(moved.predicted_mm),
        "measured_mm": list(moved.measured_mm),
        "u_reading_mm": math.sqrt(max(moved.read_mm2) / 2.0),
        "shares": moved.shares,
    }
    if not post.packs_when_read and any(moved.left.seats_mm2):
        data["left"] = {name: list(value) for name, value in asdict(moved.left).items()}
    return [Draft("observed", data, place.job, place.run, place.post)]
