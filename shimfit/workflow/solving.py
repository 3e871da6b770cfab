"""Answers for one post of a run: when it was read (`prescription_for`), and while the inclinometer streams.

Pieces that were prescribed to other posts and are not in place yet are not offered again. Where pieces may
run out and few posts are still to be read, it is weighed what these will likely need (`core.foresight`; the
setting `foresight no` turns it off). While the inclinometer streams (`LivePacking`) and before packs are in
place, each look is answered from the search's tables, each seat as if it had the box to itself; the answer
that is logged is proven afterwards. Once packs go in, the lean that is left says how much each of them is
still short, and how far its taper is to be pushed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from shimfit.codec import from_json
from shimfit.core import packing
from shimfit.core.bearing import Clamp, caution, clamp_from_torque, contact_length_mm, pressures, timber_named
from shimfit.core.cautions import caution_of_material
from shimfit.core.cutting import moved_packs, returned
from shimfit.core.foot import gap_plane
from shimfit.core.objective import Reads, usual_reads
from shimfit.core.resting import scaled, scaled_rest
from shimfit.core.takeup import TakeUp
from shimfit.core.uncertainty.budget import HAND_MM
from shimfit.core.uncertainty.decision import FACTORS
from shimfit.model import Lean, Lot, Pack, PostState, Prescription, Reading, Seat
from shimfit.settings import Settings
from shimfit.standing import PostRecord, RunState
from shimfit.values import dataclass
from shimfit.workflow.packs import (
    USUAL_WIDTH_MM,
    book_of,
    of_lots,
    of_packs,
    options_of,
    promised_beside,
    scatter_of,
)

if TYPE_CHECKING:
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.workflow.site import Place, Site

WORTH_SAYING = 0.05
"""Packs that give so much more or less than worked out are worth a word; less is lost in the reading."""
COARSEST_MM = 25.4 / 8.0
"""Widest marks of a scale that offsets are read off."""
WORTH_ANOTHER_LOOK = 0.02
"""Difference in take-up from which an answer is worked out again for the materials that it uses."""


def prescription_for(
    site: Site, place: Place, post: PostRecord, *, pushes: bool = True
) -> Prescription | None:
    """Answer for how a post stands by its latest full reading; None when nothing full was read.

    First packs, or what to change; take-up and scatter of the deck are counted in. A taper is pushed on only
    where its own wood goes on: not where that is under another pack, or waited for. pushes: none, if False.
    """
    reading = post.reading
    lean = reading.lean if reading is not None else None
    if lean is None or reading is None:
        return None
    run, settings, scatter = site.run(place.job, place.run), site.settings, scatter_of(site, place.job)
    options = options_of(run, settings, post.torque_nm, scatter.factor)
    kerf_mm = options.saw.kerf_mm
    box, waited_for = site.box(), promised_beside(site, place)
    lots = box.stock.without(waited_for, kerf_mm)
    if post.packs_in_place:
        # What is used up stays known: packs of it are pushed, or come out as the wedges that they are.
        offered = {lot.lot for lot in lots}
        known_too = (lot for lot in (*box.lots, *box.used_up) if lot.lot not in offered)
        lots = (*lots, *(replace(lot, count=0) for lot in known_too))
    feelers = {seat: feeler_mm for seat, feeler_mm in reading.rocks if feeler_mm > 0.0}
    asked = (post.foot, post.height_mm, lean, post.tolerance)

    def answer_by(known: TakeUp) -> Prescription:
        reads = reads_of(post, run)
        if post.packs_in_place:
            from shimfit.core.correction.boxed import correct
            from shimfit.core.correction.standing import Correction

            packed: dict[Seat, float] = {}
            """Feelers that the packs in place already fill: those of the readings before the latest."""
            for earlier in post.readings:
                if earlier.stage == "bed":
                    packed.clear()
                if earlier.event != reading.event:
                    packed |= {seat: feeler_mm for seat, feeler_mm in earlier.rocks if feeler_mm > 0.0}
            next_read = packing.Known(reads, known.mean, known.u_next, feelers=feelers)
            packs = tuple(post.packs_in_place)
            flush = post.trimmed or not pushes
            changed = correct(Correction(*asked, packs, next_read, packed, flush), options, lots)
            return replace(changed, take_up=known.mean)
        # A post that stands as it is is not packed, and nothing is taken up.
        mean = 1.0 if post.tolerance.holds(lean, post.height_mm) else known.mean
        alone = packing.Known(reads, mean, known.u_next, feelers=feelers)
        answer = packing.prescribe(*asked, site.tables(lots, options), known=alone)
        if settings.foresight and answer.within and not feelers:
            return _far_sighted(answer, run, post, lots, options=options, take_up=(mean, known.u_next))
        return answer

    book = book_of(site, place.job)
    known = of_lots(book, lots)
    answer = answer_by(known)
    # Which materials go in is known only now; where they give otherwise than the box, once more.
    better = of_packs(book, answer.packs, lots)
    if answer.packs and abs(better.mean - known.mean) > WORTH_ANOTHER_LOOK:
        known = better
        answer = answer_by(known)
    said = cautions_about(answer, post, lots, options, settings)
    if known.learned and abs(known.mean - 1.0) >= WORTH_SAYING and (answer.packs or answer.change):
        said = (*said, known.words)
    if scatter.is_worth_saying and answer.chance is not None:
        said = (*said, scatter.words)
    # What is new in the packs has the copies of tapers and strips that it is cut from.
    came_out, went_in = moved_packs(post.packs_in_place, answer.packs)
    back = returned(came_out, (*box.lots, *box.used_up))
    new = {pack.seat: pack for pack in box.stock.numbered(went_in, waited_for, kerf_mm=kerf_mm, back=back)}
    packs = tuple(new.get(pack.seat, pack) for pack in answer.packs)
    if pushes and any((change.push_mm or 0.0) > 0.0 for change in answer.change):
        after = box.stock.copy()
        if (data := after.moved(post.packs_in_place, packs, str(place), kerf_mm)) is not None:
            after.count_taken(data, partial(from_json, Lot))
        twice = len(after.taken_twice) > len(box.stock.taken_twice)
        if twice or after.lacking(waited_for) - box.stock.lacking(waited_for):
            return prescription_for(site, place, post, pushes=False)
    return replace(answer, packs=packs, cautions=(*answer.cautions, *said), scatter=scatter.factor)


# ---------------------------------------------------------------- posts to come

PACKS_A_POST = 3
SCARCE_BELOW = 2.0
"""Pieces for each pack that is still wanted; with more, no post can take what another will miss."""
USE_OF_TAPER_MM = 60.0
"""Length that one use takes from a taper, its kerf and waste included."""


def is_scarce(lots: Sequence[Lot], posts: int) -> bool:
    """True when the box holds fewer than two pieces for each pack that so many posts will want."""
    pieces = sum(lot.count * max(1.0, (lot.cut_from_mm or 0.0) / USE_OF_TAPER_MM) for lot in lots)
    return pieces < SCARCE_BELOW * PACKS_A_POST * posts


def plan_post(
    post: PostRecord,
    run: RunState,
    lean: Lean,
    take_up: tuple[float, float],
    aim_across_mm: float = 0.0,
) -> PlanPost:
    """A post as planning is asked about it; so much more as packs give less, as `prescribe` does for one.

    take_up: (mean, standard uncertainty).
    """
    from shimfit.core.packing.question import over_take_up
    from shimfit.core.planning.geometry import PlanPost

    assert post.reading is not None
    mean, u = take_up
    return PlanPost(
        name=post.name,
        foot=post.foot,
        height_mm=post.height_mm,
        lean=scaled(lean, 1.0 / mean),
        tolerance=post.tolerance if mean == 1.0 else over_take_up(post.tolerance, mean),
        aim=Lean(0.0, aim_across_mm / post.height_mm / mean) if aim_across_mm else None,
        feelers=tuple((seat, mm) for seat, mm in post.reading.rocks if mm > 0.0),
        reads=reads_of(post, run).scaled(1.0 / mean),
        u_take_up=u / mean,
    )


def _far_sighted(
    answer: Prescription,
    run: RunState,
    post: PostRecord,
    lots: Sequence[Lot],
    *,
    options: packing.Options,
    take_up: tuple[float, float],
) -> Prescription:
    """The answer, or the packs that leave more for the posts to come; its lean is the one asked for.

    Deterministic: the likely leans are drawn with one generator number.
    """
    from shimfit.core.foresight import MOST_AHEAD, with_foresight
    from shimfit.solve.highs import Highs

    unread = (PostState.TO_READ, PostState.HALF_READ)
    others = sum(one.name != post.name and one.state in unread for one in run.posts)
    if not answer.packs or not 0 < others <= MOST_AHEAD or not is_scarce(lots, others + 1):
        return answer
    read = [one.before.lean for one in run.posts if one.before is not None and one.before.lean is not None]
    mean = take_up[0]
    leans = [scaled(lean, 1.0 / mean) for lean in (*read, answer.lean)]
    asked = plan_post(post, run, answer.lean, take_up)
    found = with_foresight(asked, leans, others, lots, options, Highs(), seed=1)
    if found is None or found.packs == answer.packs:
        return answer
    resting = scaled_rest(found.resting, mean)
    if resting.lean is None or not post.tolerance.holds(resting.lean, post.height_mm):
        return answer
    which = "post to come" if others == 1 else f"{others} posts to come"
    return replace(
        answer,
        packs=found.packs,
        resting=resting,
        within=True,
        status="found",
        why=f"Leaves in the box what the {which} will likely need.",
        cost=replace(answer.cost, total=found.cost, parts=()),
        chance=found.chance(options),
    )


def reads_of(post: PostRecord, run: RunState) -> Reads:
    """How the next reading of a post is taken: one, like its last one, as fine as the crew reads the scale.

    Judged by the run's rule. What the packs go by may be better: the mean of several readings, or of two
    with the level turned.
    """
    reading, factor = post.reading, FACTORS[post.rule]
    if reading is None or reading.u_along is None or reading.u_across is None:
        return usual_reads(factor)
    u = reading.u_along, reading.u_across
    one = reading
    if post.mean_of > 1:  # the last of them
        counted = (raw for raw, left_out in reversed(post.reported) if left_out is None)
        one = next((raw for raw in counted if raw.u_along and raw.u_across), reading)
    all_, own = _parts(one)
    if one.method != "typed" or (one.u_own_along is None and not one.turned):
        return Reads(*u, *_parts(reading)[1], factor)
    if one.turned:
        own = own[0] * math.sqrt(2.0), own[1] * math.sqrt(2.0)
        all_ = math.hypot(own[0], u[0]), math.hypot(own[1], u[1])  # its zero is found as surely as the lean
    reads = Reads(*all_, *own, factor, _step_of(one) * (2.0 if one.turned else 1.0))
    if one.turned:
        reads = replace(reads, before=u, turned=True)
    elif reading is not one:
        pairs = zip(u, reads.parts, strict=True)
        before = [math.sqrt(max(0.0, part * part - zero2)) for part, (_, zero2) in pairs]
        reads = replace(reads, before=(before[0], before[1]))
    finest_mm = min(_marks_mm(run), default=math.inf)
    while reads.step * (one.gauge_mm or one.height_mm) > finest_mm * _SAME_MARKS:
        reads = reads.finer
    return reads


READ_LATELY = 8
"""Posts whose readings say how fine the crew reads: a whole number of a half-mm reader tells nothing."""
_SAME_MARKS = 1.001
"""Times as far apart as the finest, from which marks are coarser than these: no rounding of a slope is."""


def _marks_mm(run: RunState) -> Iterator[float]:
    """From mark to mark of the scales that the posts worked on last were read off, mm of the offset."""
    worked_on = sorted((post.last_time, post.name) for post in run.posts if post.last_time)
    names = {name for _, name in worked_on[-READ_LATELY:]}
    for one in (one for post in run.posts if post.name in names for one in post.readings):
        for step in (one.step_along, one.step_across):
            if step and one.method == "typed":
                yield step * (one.gauge_mm or one.height_mm) * (2.0 if one.turned else 1.0)


def _step_of(reading: Reading) -> float:
    """From mark to mark of the scale, as a slope."""
    if reading.step_along is not None and reading.step_across is not None:
        return max(reading.step_along, reading.step_across)
    # Logged before marks were kept: what its own part holds beside the usual hand are the steps.
    over_mm = reading.gauge_mm or reading.height_mm
    own = min(_parts(reading)[1])
    steps = math.sqrt(12.0 * max(0.0, own * own - (HAND_MM / over_mm) ** 2))
    return min(steps, COARSEST_MM / over_mm)


def _parts(reading: Reading) -> tuple[tuple[float, float], tuple[float, float]]:
    """All of a reading's uncertainty, along and across, and the part that is its own."""
    own = reading.u_own("along") or 0.0, reading.u_own("across") or 0.0
    return (reading.u_along or 0.0, reading.u_across or 0.0), own


# ---------------------------------------------------------------- crushing


def cautions_about(
    answer: Prescription, post: PostRecord, lots: Sequence[Lot], options: packing.Options, settings: Settings
) -> tuple[str, ...]:
    """A sentence for every pack that the clamp would crush, and one where packs rot or creep."""
    said = crushing_cautions(answer, post, lots, options, settings)
    used = {piece.lot for pack in answer.packs for piece in pack.pieces}
    rots = caution_of_material(lot.material or "" for lot in lots if lot.lot in used)
    return (*said, rots) if rots else said


def crushing_cautions(
    answer: Prescription, post: PostRecord, lots: Sequence[Lot], options: packing.Options, settings: Settings
) -> tuple[str, ...]:
    """The same of the clamp alone; none when it is not known what to check against.

    Raises EntryError when the settings name a timber or a nut's finish that there is no value for.
    """
    torque_nm = post.torque_nm or settings.torque_nm
    if not settings.timber or not torque_nm or not answer.packs:
        return ()
    timber = timber_named(settings.timber)
    clamp: Clamp = clamp_from_torque(torque_nm, settings.rod_mm, settings.nut)
    found = pressures(
        answer.post,
        answer.lean,
        answer.packs,
        clamp,
        timber.allowed_mpa(wet=True),
        areas_mm2=areas_mm2(answer.packs, answer.lean, lots, options),
        preload_mm=options.preload_mm,
    )
    mark = timber.mark.split(" (", maxsplit=1)[0]
    words = f"{timber.species} in the wet ({mark} value)"
    said = (caution(pressure, words, clamp=clamp) for pressure in found)
    return tuple(sentence for sentence in said if sentence is not None)


def areas_mm2(
    packs: Sequence[Pack], lean: Lean, lots: Sequence[Lot], options: packing.Options
) -> dict[Seat, float]:
    """Contact area of each pack: its narrowest piece × the length that touches under the clamp.

    That is of what is under the foot: a taper as far as it is pushed in, flats as far as is said of them.
    """
    by_name = {lot.lot: lot for lot in lots}
    areas = {}
    for pack in packs:
        known = [by_name[piece.lot] for piece in pack.pieces if piece.lot in by_name]
        widths = [wide for lot in known if (wide := lot.under_foot_mm[1])]
        inside = [pack.inside_mm or options.bearing_mm]
        inside += [reach for lot in known if (reach := lot.under_foot_mm[0])]
        inside += [p.mark_mm - p.trim_tip_mm for p in pack.pieces if p.mark_mm is not None]
        steepest = max(abs(lean.slope_along), abs(lean.slope_across))
        slope = max((lot.taper_slope for lot in known), default=0.0)
        touching = contact_length_mm(max(min(inside), 1.0), options.preload_mm, slope - steepest)
        areas[pack.seat] = touching * min(widths, default=USUAL_WIDTH_MM)
    return areas


# ---------------------------------------------------------------- while the inclinometer streams


LEAST_RISE_MM = 0.05
"""A pack that is short by less stays as it is: nobody pushes that little."""


@dataclass(frozen=True, slots=True)
class Push:
    """What is still to be done under one seat."""

    seat: Seat
    raise_mm: float
    """How much it is still short."""
    lot: str | None = None
    """The taper to push; None: the pack has none, or there is no pack yet."""
    push_mm: float | None = None
    """About how far to push it."""


@dataclass(frozen=True, slots=True)
class Advice:
    """One look at a lean."""

    within: bool
    """The lean is within the tolerance as it is."""
    answer: Prescription | None
    """What to pack, while nothing is in place."""
    pushes: tuple[Push, ...]
    """What is left under each seat, the most first; empty when nothing is worth a push."""


class LivePacking:
    """Answers for one post at sensor rate; build it anew when anything was logged."""

    def __init__(self, site: Site, place: Place, rocks: tuple[tuple[Seat, float], ...] = ()) -> None:
        """rocks: what the coming reading will say of corners that do not touch, as it is logged."""
        self._post = site.post(place)
        self._feelers = {seat: feeler_mm for seat, feeler_mm in rocks if feeler_mm > 0.0}
        run, scatter = site.run(place.job, place.run), scatter_of(site, place.job)
        options = options_of(run, site.settings, self._post.torque_nm, scatter.factor)
        box = site.box()
        self._box, self._kerf_mm = box.stock, options.saw.kerf_mm
        self._promised = promised_beside(site, place)
        lots = box.stock.without(self._promised, self._kerf_mm)
        self._rests = {lot.lot for lot in lots} - {lot.lot for lot in box.lots}
        """What others' packs will leave of their pieces: named as stretches of those."""
        self._slopes: Mapping[str, float] = {lot.lot: lot.taper_slope for lot in box.lots if lot.is_marked}
        self._known = of_lots(book_of(site, place.job), lots)
        self._tables = site.tables(lots, options)
        self._reads = reads_of(self._post, run)
        self._shown: Prescription | None = None

    def look(self, lean: Lean) -> Advice:
        """What to do at this lean; well under a screen's frame, and never logs anything."""
        post = self._post
        within = post.tolerance.holds(lean, post.height_mm)
        # What was logged as packed counts, whatever had been prescribed; nothing: the post stands bare.
        packs = post.implied or post.packs_in_place
        if not packs and post.next_step != "tighten":
            return Advice(within, None if within else self._answer(lean), ())
        return Advice(within, None, () if within else tuple(self._pushes(lean, packs)))

    def _answer(self, lean: Lean) -> Prescription:
        post, known = self._post, self._known
        asked = (post.foot, post.height_mm, lean, post.tolerance, self._tables)
        beside = packing.Known(self._reads, known.mean, known.u_next, feelers=self._feelers)
        mode = packing.Mode(relaxed=True, shown=self._shown)
        self._shown = found = packing.prescribe(*asked, known=beside, mode=mode)
        if not any(piece.lot in self._rests for pack in found.packs for piece in pack.pieces):
            return found
        return replace(found, packs=self._box.numbered(found.packs, self._promised, kerf_mm=self._kerf_mm))

    def _pushes(self, lean: Lean, packs: tuple[Pack, ...]) -> list[Push]:
        plane = gap_plane(self._post.foot, scaled(lean, 1.0 / self._known.mean))
        pieces = ((pack.seat, piece.lot) for pack in packs for piece in reversed(pack.pieces))
        tapers = {seat: lot for seat, lot in pieces if lot in self._slopes}
        short_mm = {seat: plane.at_seat_mm(seat) for seat in [pack.seat for pack in packs] or Seat}
        found = [
            Push(seat, mm, lot := tapers.get(seat), None if lot is None else mm / self._slopes[lot])
            for seat, mm in short_mm.items()
            if mm >= LEAST_RISE_MM
        ]
        return sorted(found, key=lambda push: (-push.raise_mm, push.seat))
