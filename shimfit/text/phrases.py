"""What is said of one post, its packs and its box, as plain text; and sentences broken into rows.

Screen, plain mode and commands all say these sentences, so they cannot disagree. The top's lean and the edge
to pack are always said together. No drawing, no terminal library.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from shimfit.model import BESIDE_THE_OTHERS, FORMS, Face, PostState, Seat
from shimfit.quantities import shown
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from shimfit.model import Chance, Change, Lean, Lot, Pack, Piece, Prescription, Reading
    from shimfit.quantities.typed import Units
    from shimfit.standing import PostRecord, RunState, Score
    from shimfit.text.canvas import Run
    from shimfit.text.glyphs import Glyphs

_FACES_SAID = re.compile(
    r"\b(?:next|prev)-(?:out|house)\b|(?<=towards )(?:next|prev|out|house)\b"
    r"|\b(?:next|prev|out|house)(?= wants?\b)"
)
"""Where a sentence names a face or a seat; `out` alone is a word like any other."""
FLUSH = "cut the packs flush, "
"""What comes before the verifying reading while packs stand out: cutting can move one."""
LEAST_WIDTH = 10
"""A row is never broken into less than this many characters."""
WIDE_ROW = 60
"""From this width on a lot's row names material and origin."""
LEAST_SHOWN_MM = 0.05
"""A lean in one direction that is smaller counts as none: nobody sees it on a level."""


@dataclass(frozen=True, slots=True)
class PackLine:
    """One pack as the person needs it: where, what, how far."""

    number: int
    seat: Seat
    lifts: bool
    where: str
    """`NEXT edge`, `NEXT-OUT corner`."""
    what: str
    """The pieces in words, or how thick to make it."""
    short: str
    """The same for a narrow screen: `T1 to 29.5 + F2`."""
    figure: str
    """The one number to read at arm's length: the first taper's mark, else the thickness."""
    unit: str
    """What the figure is, in plain size beside it: `mm mark`, `shy, inch mark`, `mm thick`."""
    changed: str
    """What to change here, when the post already stands on packs; empty when nothing changes."""

    step: str
    """What to do with it, as one instruction: `T1 · 17.5 mm from the thin end + F2 flat 1 mm`."""
    under: str
    """Where it goes and from which side: `under NEXT-OUT, from next`."""
    mark_mm: float | None = None
    """Where the first taper's mark is, from its thin end."""


@dataclass(frozen=True, slots=True)
class PostView:
    """Everything that a screen says of one post."""

    state: PostState
    word: str
    lean: str
    """`TOP leans 9.5 mm → next, 12.5 mm ↑ out`; empty before it was read."""
    do: str
    """What to do now, in one sentence."""
    packs: tuple[PackLine, ...]
    result: str
    """How far off it is or will be, with the tolerance beside it; empty before it was read."""
    result_briefly: str
    """The same in 40 characters."""
    first: str
    """The remark on what is better done before the packs go in; empty where nothing is."""
    until_packed: tuple[str, ...]
    """Remarks that matter until the packs are in: what is better done before, the odds, why these packs."""
    then: str
    """What comes once the packs are in."""
    remarks: tuple[str, ...]
    """Why, advice, cautions, notes: what matters at this post now."""
    briefly: Mapping[str, str]
    """Remarks with the form for a row of a phone that nothing repeats."""


class Words:
    """Says leans, packs and results of one run: its face names, its unit, its tape, its signs."""

    def __init__(
        self, run: RunState, glyphs: Glyphs, *,
        units: Units | None = None, graduation: int = 16, words_only: bool = False,
    ) -> None:  # fmt: skip
        """words_only: directions in words alone (`towards next`), for screen readers."""
        self.units: Units = units or run.units
        self.words_only, self.graduation, self.glyphs = words_only, graduation, glyphs
        self.names = run.faces
        self.dot = "·" if glyphs.blocks else "-"
        """Between two parts of an instruction."""
        self.length = partial(shown.tape, units=self.units, graduation=graduation)
        """A length to measure off, in the run's unit."""
        self.distance = partial(shown.distance, units=self.units, graduation=graduation)
        """A length along the run, in the run's unit."""
        self.thick = partial(shown.thickness, units=self.units)
        """A thickness to be made, in the run's unit; unit=False leaves `mm` out."""
        self._lean = partial(shown.lean, units=self.units, graduation=graduation)

    def lean(self, lean: Lean, height_mm: float) -> str:
        """`TOP leans 9.5 mm → next, 12.5 mm ↑ out`, or that it leans neither way."""
        parts = [f"{self._lean(mm)} {self.towards(face)}" for face, mm in self._directions(lean, height_mm)]
        return f"TOP leans {', '.join(parts)}" if parts else "TOP stands plumb both ways"

    def towards(self, face: Face) -> str:
        """`→ next`, or in words alone `towards next` (`out` speaks for itself)."""
        if not self.words_only:
            return f"{self.glyphs.faces[face]} {self.names[face]}"
        return self.names[face] if self.names[face] == "out" else f"towards {self.names[face]}"

    def half(self, reading: Reading) -> str:
        """A reading with one direction missing, and which."""
        along, across = reading.slope_along, reading.slope_across
        known = along if along is not None else across
        if known is None:
            return ""
        face = face_of(known, along is not None)
        missing = (Face.OUT, Face.HOUSE) if along is not None else (Face.NEXT, Face.PREV)
        other = f"{self.names[missing[0]]}/{self.names[missing[1]]}"
        # For the eye as short as it goes, one row on a phone; for the ear a sentence.
        asked = " not read yet" if self.words_only else "?"
        return f"TOP leans {self._lean(known * reading.height_mm)} {self.towards(face)}; {other}{asked}"

    def low_edges(self, lean: Lean, height_mm: float) -> str:
        """The edges to raise: `NEXT and OUT edges`."""
        names = [self.names[face].upper() for face, _ in self._directions(lean, height_mm)]
        return f"{' and '.join(names)} edge{'s' * (len(names) > 1)}" if names else ""

    def seat(self, seat: Seat) -> str:
        """`NEXT edge`, `NEXT-OUT corner`, in the run's own names."""
        return seat_name(seat, self.names).upper() + (" corner" if seat.is_corner else " edge")

    def off_by(self, lean: Lean, record: PostRecord, *, unit: bool = True) -> str:
        """How far the top is off: by the magnitude, or by the worse direction where each counts."""
        return shown.fine(record.tolerance.compared(lean) * record.height_mm, self.units, unit=unit)

    def allowed(self, record: PostRecord, *, unit: bool = True) -> str:
        """How far the top may be off."""
        return shown.fine(record.tolerance.allowed_top_mm(record.height_mm), self.units, unit=unit)

    def off(self, lean: Lean, record: PostRecord, width: int | None = None) -> str:
        """`0.8 mm off, allowed 2.0 mm`; in fewer columns `0.8 of 2.0 mm off`, or without the limit."""
        off, allowed = self.off_by(lean, record), self.allowed(record)
        reported = f"{off} off, allowed {allowed}"
        if width is None:
            return reported
        short = self.of_allowed(lean, record) + (" off" if self.units == "mm" else "")
        return fitting(width, self.glyphs.more, reported, short, f"{off} off")

    def of_allowed(self, lean: Lean, record: PostRecord) -> str:
        """`0.8 of 2.0 mm`; in inches `3/8" shy, allowed 1/8"`: `shy of` is something else."""
        off, allowed = self.off_by(lean, record, unit=False), self.allowed(record)
        return f"{off} of {allowed}" if self.units == "mm" else f"{off}, allowed {allowed}"

    def pack_line(self, number: int, pack: Pack, change: Change | None, lean: Lean | None) -> PackLine:
        """One pack of an answer. lean: how the post leans, which says from which side it goes in."""
        first_taper = next((piece for piece in pack.pieces if piece.is_marked), None)
        under = self.under(pack.seat, entering_face(pack, lean))
        mark = first_taper.mark_mm if first_taper else None
        if mark is not None:
            figure, rest = shown.figure(mark, self.units, self.graduation)
        else:  # what is laid in or made is as thick as it is, whatever the tape has marks for
            figure, rest = shown.sized(pack.made_mm, self.units).removesuffix(" mm").rstrip('"'), ""
        return PackLine(
            number=number,
            seat=pack.seat,
            lifts=pack.purpose == "lift",
            where=self.seat(pack.seat),
            what=self.pieces(pack),
            short=self.short_pieces(pack),
            figure=figure,
            unit=self.beside(rest, "mark" if mark is not None else "thick"),
            changed=self.change(change) if change else "",
            step=self.step(pack, change),
            under=under + ("" if pack.purpose == "lift" else " (filler)"),
            mark_mm=mark,
        )

    def beside(self, rest: str, what: str) -> str:
        """What stands beside a large figure, its rest first as it is said: `mm mark`, `shy, inch mark`."""
        return f"{f'{rest.strip()}, ' if rest else ''}{self.units} {what}"

    def step(self, pack: Pack, change: Change | None) -> str:
        """One instruction: `T1 · 17.5 mm from the thin end + F2 flat 1 mm`, `T1 · push 8 mm more`."""
        if not pack.pieces:
            return self.pieces(pack)
        if change is not None and change.push_mm:
            moved = next((piece for piece in pack.pieces if piece.is_marked), pack.pieces[0])
            return f"{piece_name(moved.lot, moved.copy)} {self.dot} {self.change(change)}"
        steps = []
        for piece in pack.pieces:
            mark, tip = f"{self.length(piece.mark_mm or 0.0)} from the thin end", self.tip(piece.trim_tip_mm)
            mark = f"mark {mark}, then cut {tip} off the tip" if tip else mark
            steps.append(
                f"{piece_name(piece.lot, piece.copy)} {self.dot} {mark}"
                if piece.is_marked
                else self._piece(piece)
            )
        reported = " + ".join(steps) + self.pushed_in(pack)
        return f"{self.change(change)}: {reported}" if change is not None else reported

    def pushed_in(self, pack: Pack, sign: str = ", ") -> str:
        """How far in its flats go, to be said behind the last of them: `, 20 mm in`."""
        return "" if pack.inside_mm is None else f"{sign}{shown.inside(pack.inside_mm, self.units)} in"

    def under(self, seat: Seat, face: Face) -> str:
        """`under NEXT-OUT, from next`: the seat, and the side that its pack goes in from."""
        return f"under {seat_name(seat, self.names).upper()}, from {self.names[face]}"

    def pieces(self, pack: Pack) -> str:
        """What the pack is made of: `T1 push to 29.5 mm + F2 flat 0.5 mm, 20 mm in`."""
        if not pack.pieces:
            return f"make {self.thick(pack.made_mm)} thick"
        return " + ".join(map(self._piece, pack.pieces)) + self.pushed_in(pack)

    def short_pieces(self, pack: Pack) -> str:
        """What it is made of, as short as it goes: `T1 to 29.5 + F2 20 mm in`, `T1 to 29.5 cut tip 8`."""
        if not pack.pieces:
            return f"make {self.thick(pack.made_mm)}"
        reported = []
        for piece in pack.pieces:
            mark, tip = (
                "".join(shown.figure(mm or 0.0, self.units, self.graduation))
                for mm in (piece.mark_mm, piece.trim_tip_mm)
            )
            to = "" if piece.mark_mm is None else f" to {mark}" + (f" cut tip {tip}" if tip != "0" else "")
            reported.append(piece.lot + to)
        return " + ".join(reported) + self.pushed_in(pack, " ")

    def short_packs(self, packs: Sequence[Pack]) -> str:
        """All packs of a post, with their places: `↙ T1 to 26, ↗ F1 + F2, ↖ F5, flats 20 mm in`.

        How far in flats go is said once where it is the same of several.
        """
        depths = [pack.inside_mm for pack in packs if pack.inside_mm is not None]
        once = len(depths) > 1 and len(set(depths)) == 1
        said = [replace(pack, inside_mm=None) if once else pack for pack in packs]
        listed = ", ".join(f"{self.glyphs.seats[pack.seat]} {self.short_pieces(pack)}" for pack in said)
        return f"{listed}, flats {shown.inside(depths[0], self.units)} in" if once else listed

    def tip(self, mm: float) -> str:
        """What is cut off a taper's tip, in the run's unit; empty for less than the tape shows."""
        return self.length(mm) if shown.figure(mm, self.units, self.graduation)[0] != "0" else ""

    def sentence(self, text: str) -> str:
        """A sentence of the core or the log in the run's unit and in its own names of the faces."""
        return sentence(text, self.names, self.units)

    def change(self, change: Change) -> str:
        """What to change under one seat: how far a taper that stays is pushed, else from what to what."""
        if change.push_mm:
            way = "push {} more" if change.push_mm > 0 else "draw {} back"
            return way.format(self.length(change.push_mm))
        arrow = "to" if self.words_only else self.glyphs.faces[Face.NEXT]
        return f"{self.thick(change.from_mm, unit=False)} {arrow} {self.thick(change.to_mm)}"

    def _piece(self, piece: Piece) -> str:
        name = piece_name(piece.lot, piece.copy)
        if piece.is_whole:
            return f"{name} flat {shown.sized(piece.thickness_mm, self.units)}"
        tip = self.tip(piece.trim_tip_mm)
        trim = f", tip cut off {tip}" if tip else ""
        if piece.wedge_mm is None:
            return f"{name} push to {self.length(piece.mark_mm or 0.0)}{trim}"
        # A wedge is sawn to measure: its thick edge ends at the face, where a taper has its mark.
        push = "push in flush" if piece.mark_mm is None else f"push to {self.length(piece.mark_mm)}"
        sawn = f"saw at {piece.saw_deg or 0:.2f} deg"
        return f"{name} wedge {' to '.join(map(self.thick, piece.wedge_mm))}, {sawn}, {push}{trim}"

    def _directions(self, lean: Lean, height_mm: float) -> list[tuple[Face, float]]:
        along, across = lean.top_mm(height_mm)
        reported = [(face_of(along, True), along), (face_of(across, False), across)]
        return [(face, mm) for face, mm in reported if abs(mm) >= LEAST_SHOWN_MM]


def entering_face(pack: Pack, lean: Lean | None) -> Face:
    """Face that a pack goes in from: what is left of a lean may be low on another side than the lean was."""
    return pack.enters or low_face(pack.seat, lean)


def low_face(seat: Seat, lean: Lean | None) -> Face:
    """The face of an edge middle; of a corner's two the lower one, as its packs are reckoned.

    On a tie along the run, as in the command line's contract. Without a lean, along the run.
    """
    along, across = face_of(seat.sign_along, True), face_of(seat.sign_across, False)
    if not seat.is_corner or lean is None:
        return along if seat.sign_along else across
    low_along, low_across = lean.slope_along * seat.sign_along, lean.slope_across * seat.sign_across
    return across if low_across > low_along else along


def sentence(text: str, names: Mapping[Face, str], units: Units) -> str:
    """A sentence of the core or the log in a run's unit and in its own names of the faces."""
    own = _FACES_SAID.sub(lambda seat: seat_name(Seat(seat[0]), names), text)
    return shown.sentence(own, units)


def seat_name(seat: Seat, names: Mapping[Face, str]) -> str:
    """A seat in the run's own face names: `next-out`, or `out` for an edge middle."""
    return "-".join(names[Face(part)] for part in seat.value.split("-"))


def post_view(record: PostRecord, words: Words) -> PostView:
    """All that is to be said at a post, from its state."""
    reading = record.reading
    lean = reading.lean if reading else None
    lean_text = words.lean(lean, record.height_mm) if lean else ""
    if reading is not None and not reading.zero_found:  # the sensor's lean is not the post's
        lean_text = "zero not found: turn it end for end"
    if record.half is not None:
        lean_text = words.half(record.half)
    if record.changed is not None:  # how it stood before that
        lean_text = lean_text.replace("TOP leans", "TOP leant").replace("TOP stands", "TOP stood")
    going_in = record.going_in
    packs = record.packs_in_place if going_in is None else going_in.packs
    result, briefly = _results(record, lean, words)
    chance = going_in.chance if going_in is not None and going_in.packs else None
    first = ""
    until_packed: tuple[str, ...] = ()
    if chance is not None and going_in is not None:
        first = read_first(chance)
        until_packed = first, odds(chance), words.sentence(going_in.why or "")
    return PostView(
        state=record.state,
        word=record.state.value,
        lean=lean_text,
        do=_do(record, lean, words),
        packs=_packs(record, words),
        result=result,
        result_briefly=briefly,
        first=first,
        until_packed=until_packed,
        then=f"Tighten, {FLUSH if packs else ''}then read again",
        remarks=_remarks(record, words),
        briefly=dict(_briefly(going_in)) if going_in is not None else {},
    )


def _briefly(answer: Prescription) -> Iterator[tuple[str, str]]:
    """Remarks on an answer that are longer than a row of a phone, each with its shorter form."""
    from shimfit.core.takeup import given_words

    yield given_words(answer.take_up)
    if answer.packs and answer.chance is not None:
        yield read_first(answer.chance), read_first(answer.chance, briefly=True)
        yield odds(answer.chance), odds_briefly(answer.chance)
        yield verify_by(answer.chance), verify_by(answer.chance, briefly=True)


def _packs(record: PostRecord, words: Words) -> tuple[PackLine, ...]:
    answer = record.going_in
    if answer is None:
        return ()
    changes = {change.seat: change for change in answer.change}
    lean = answer.lean
    lines = [
        words.pack_line(number, pack, changes.pop(pack.seat, None), lean)
        for number, pack in enumerate(in_order(answer.packs), start=1)
    ]
    lines += [
        PackLine(
            number=len(lines) + index,
            seat=seat,
            lifts=False,
            where=words.seat(seat),
            what="take the pack out",
            short="take out",
            figure="0",
            unit="",
            changed=words.change(change),
            step="take the pack out",
            under=words.under(seat, low_face(seat, lean)),
        )
        for index, (seat, change) in enumerate(changes.items(), start=1)
        if change.to_mm == 0
    ]
    return tuple(lines)


def in_order(packs: Iterable[Pack]) -> list[Pack]:
    """Lifting packs first, the thickest first: the order in which they go in, and are numbered."""
    return sorted(packs, key=lambda pack: (pack.purpose != "lift", -pack.made_mm))


def _do(record: PostRecord, lean: Lean | None, words: Words) -> str:
    answer, stands_out = record.answer, record.packs_in_place and not record.trimmed
    edges = words.low_edges(lean, record.height_mm) if lean else ""
    match record.next_step:
        case "read":
            return "How far is the TOP out of plumb, each way?"
        case "read other way":
            return "Read the other direction too"
        case "none":
            return f"Skipped: {record.skipped}" if record.skipped else "Plumb"
        case "tighten" if answer is not None:
            return "Within tolerance as it stands: tighten, then read again"
        case "tighten":
            return f"Tighten, {FLUSH if stands_out else ''}then read again"
        case "read again" if record.is_contradicted:
            return "Read once more: the last two contradict each other"
        case "read again" if record.changed is not None:
            return f"{FLUSH.capitalize()}then read again" if stands_out else "Read it again"
        case "read again":
            return "How far is the TOP out of plumb now, each way?"
        case "turn level" if record.is_settled_by_turning:
            turned = "the level" if record.reading is None or record.reading.zero_found else "sensor"
            return f"Read again, {turned} turned end for end"
        case "turn level":
            return "Too close to call: what settles it is said below"
        case "no pack" if answer is not None and answer.status == "gave-up":
            return "No packs were found in the time there was"
        case "no pack":
            if BESIDE_THE_OTHERS in record.why:
                return "Not from this box beside the other posts"
            if answer is not None and answer.packs:
                return "This box can't make it plumb; these packs bring it nearest"
            return "No pack from this box can do it"
        case "change packs":
            return f"Change the packs: raise the {edges}" if edges else "Change the packs"
        case "pack":
            return f"Pack the {edges}, tighten, read again" if edges else "Pack, tighten, read again"
    return "The packs are not worked out yet"


def _results(record: PostRecord, lean: Lean | None, words: Words) -> tuple[str, str]:
    """How far off the post is or will be beside the tolerance, and the same in 40 characters."""
    if lean is None:
        return "", ""
    allowed, answer = f"allowed {words.allowed(record)}", record.answer
    off, short = (words.off_by(lean, record, unit=unit) for unit in (True, False))
    if record.changed is not None:  # what was read is how it stood before that
        expected = record.expected and f", {words.off_by(record.expected, record, unit=False)} expected"
        reported = f"Was {short if expected else off} off{expected or ''}; {allowed}"
    elif answer is not None and answer.packs and answer.resting.lean is None:
        reported = f"{words.off(lean, record).capitalize()}; packed it would rock"
    elif answer is not None and answer.packs and answer.resting.lean is not None:
        after = words.off_by(answer.resting.lean, record, unit=False)
        after = after if after.startswith("under") else f"about {after}"
        briefly = f"{short} off now {words.dot} {after} after this"
        return f"{briefly}; {allowed}", briefly
    elif _says_mean(record):
        reported = f"{off.capitalize()} off, mean of {record.mean_of}; {allowed}"
    elif record.reading is not None and not record.reading.zero_found:
        reported = f"Shows {off} off; {allowed}"
    else:
        reported = words.off(lean, record).capitalize() + _too_close(record, words)
    return reported, reported


def _says_mean(record: PostRecord) -> bool:
    """True where the result says itself that it is the mean of several readings."""
    packs = record.answer.packs if record.answer is not None else ()
    return record.counts is not None and record.mean_of > 1 and not packs


def _too_close(record: PostRecord, words: Words) -> str:
    """By how much, where the two figures of a post that is too close to call look alike; else nothing.

    Where they differ they say it themselves: a margin rounded by itself would be another one.
    """
    verdict = record.verdict if record.state is PostState.TOO_CLOSE else None
    if verdict is None or verdict.value is None or verdict.allowed is None or record.is_contradicted:
        return ""
    off_mm, allowed_mm = verdict.value * record.height_mm, verdict.allowed * record.height_mm
    if shown.fine(off_mm, words.units) != shown.fine(allowed_mm, words.units):
        return ""
    margin_mm = allowed_mm - off_mm
    say = shown.thickness if words.units == "mm" else shown.small
    margin = say(margin_mm, words.units)
    if margin == say(0.0, words.units):
        return ", on the limit"
    return f", {margin} {'inside' if margin_mm >= 0 else 'beyond'}"


def _remarks(record: PostRecord, words: Words) -> tuple[str, ...]:
    reported: list[str] = []
    zero_found = record.reading is None or record.reading.zero_found  # else the lean's row says the same
    if record.next_step in ("turn level", "read again", "no pack") and record.why and zero_found:
        reported.append(record.why)
    answer = record.going_in
    verdict = record.verdict
    if verdict is not None and verdict.probability is not None and record.state is PostState.PLUMB:
        sure = shown.percent(verdict.probability, 0).replace("> ", "over ").replace("< ", "under ")
        reported.append(f"{sure} sure that it is within")
    said = record.said_of_readings
    reported += said[1:] if _says_mean(record) else said
    if answer is not None and record.answer is None:  # packs are in: too late for what was said of the choice
        if record.prescription is not None and record.prescription.packs == record.packs_in_place:
            reported += (*answer.cautions, *filter(None, [verify_by(answer.chance) if answer.chance else ""]))
    elif answer is not None:
        reported += answer.cautions
        if answer.packs and answer.chance is not None:  # a window that is short cuts what comes last
            said = (read_first(answer.chance), odds(answer.chance), verify_by(answer.chance))
            reported += [sentence for sentence in said if sentence]
        if answer.why and answer.why not in reported:
            reported.append(answer.why)
        if answer.status == "found":
            reported.append("Good packs, found in the time there was; there may be better ones")
    return (*(words.sentence(text) for text in reported), *record.notes)


GROUP = 20
"""Posts that a chance is counted out on: twenty of them are a run that one remembers."""
WORTH_TURNING = 3
"""So many more of them plumb are worth turning the level end for end."""
WORTH_FINER = 6
"""So many more of them truly plumb are worth a better level: it costs more than a minute."""


def odds(chance: Chance) -> str:
    """As in `Of 20 posts packed like this about 17 read plumb at once, 3 are too close to call`."""
    plumb, close, again = _counts((chance.plumb, chance.too_close, chance.out))
    parts = [
        f"about {plumb} read{'s' if plumb == 1 else ''} plumb at once"
        if plumb
        else "none reads plumb at once"
    ]
    if close:
        parts.append(f"{close} {'is' if close == 1 else 'are'} too close to call")
    if again:
        parts.append(f"{again} {'is' if again == 1 else 'are'} packed again")
    return f"Of {GROUP} posts packed like this {', '.join(parts)}"


def odds_briefly(chance: Chance) -> str:
    """`About 17 of 20 read plumb at once`, `About 2 of 20 plumb, 10 if level turned`: one row of a phone."""
    plumb = _counts((chance.plumb, chance.too_close, chance.out))[0]
    reported, better = f"{f'About {plumb}' if plumb else 'None'} of {GROUP}", _read_better(chance)
    if better is None:
        return f"{reported} read{'s' if plumb == 1 else ''} plumb at once"
    how = {"turned": "if level turned", "finer": "with strong/shy"}[better[0]]
    return f"{reported} plumb, {better[1]} {how}"


def _read_better(chance: Chance) -> tuple[str, int] | None:
    """How the next reading is best taken and how many are plumb then: at no cost, else for a minute."""
    now = round(GROUP * chance.plumb)
    ways = (("finer", chance.finer), ("turned", chance.turned))
    counts = [(how, round(GROUP * share)) for how, share in ways if share is not None]
    return next((better for better in counts if better[1] - now >= WORTH_TURNING), None)


_FEW = 10
"""Fewer posts than this are no test of the chances that were given: any outcome of them is likely enough."""


def score_words(score: Score) -> str | None:
    """`Plumb at the first reading after packing: 16 of 20, about 17 expected`; None before any were read."""
    if not score.packed:
        return None
    expected = f"about {score.said:.0f} expected" if score.said >= 0.5 else "fewer than 1 expected"
    so_many = f"{score.plumb} of {score.packed}, {expected}"
    few = " (too few posts to judge by)" if score.packed < _FEW else ""
    return f"Plumb at the first reading after packing: {so_many}{few}"


_HOW = {"finer": "between the marks too (strong, shy)", "turned": "end for end"}


def read_first(chance: Chance, *, briefly: bool = False) -> str:
    """One more reading before the packs go in, with what it saves; empty where it does not pay."""
    if chance.again is None:
        return ""
    how = "Read it once more before packing, the level turned end for end"
    if chance.saves_min is None:  # an answer that was logged before its minutes were kept
        return "First read it once more, turned" if briefly else how
    saves = max(1, round(chance.saves_min))
    if briefly:
        return f"First read again, turned: saves {saves} min"
    return f"{how}: that saves about {shown.counted(saves, 'minute')}"


def verify_by(chance: Chance, *, briefly: bool = False) -> str:
    """How to read after, where the level and not the packs leaves it too close to call; else empty.

    briefly: without how many would read plumb by it, which `odds_briefly` has.
    """
    how, now = _read_better(chance) or ("", round(GROUP * chance.plumb))
    then = "" if briefly else f": then about {now} of {GROUP} read plumb"
    in_words = _HOW.get(how, "").partition(" (")[0] if briefly else _HOW.get(how, "")
    after = f"Read it {in_words} after this{then}" if how else ""
    truly = round(GROUP * chance.within)
    if truly - now < WORTH_FINER:
        return after
    finer = f"longer or finer level shows up to {truly}"
    return f"{after}; a {finer}" if after else f"A {finer} of {GROUP} plumb after this"


def _counts(shares: tuple[float, float, float]) -> list[int]:
    """Shares as whole posts of the group that add up to it: the largest remainders go up."""
    exact = [GROUP * share for share in shares]
    counts = [int(one) for one in exact]
    order = sorted(range(len(exact)), key=lambda k: (counts[k] - exact[k], k))
    for k in order[: GROUP - sum(counts)]:
        counts[k] += 1
    return counts


def piece_name(lot: str, copy: int | None) -> str:
    """`T1`, and of a lot of several pieces which of them: `T1 no. 2`."""
    return f"{lot} no. {copy}" if copy else lot


def face_of(value: float, along: bool) -> Face:
    """The face that a lean along or across the run goes to; next or out for 0."""
    return ((Face.HOUSE, Face.OUT), (Face.PREV, Face.NEXT))[along][value >= 0]


def lot_row(lot: Lot, width: int, units: Units) -> str:
    """One lot in a row: name, count left, form, sizes; material and origin where there is room."""
    size = lot_size(lot, units)
    row = f" {lot.lot:<6}{lot.count:>3} {lot.form:<6}{size}"
    if width >= WIDE_ROW:
        row = f"{row:<46} {lot.material:<14} {lot.origin} {lot.note}"
    return row.rstrip()


def lot_size(lot: Lot, units: Units) -> str:
    """What a lot measures: `2.38 mm thick`, `1.19 to 7.94 mm over 178 mm`, `3/64" to 5/16" over 7"`.

    Lengths as a tape reads them: what is left of a taper is 91.62 mm long by reckoning only.
    """

    def measured(dimension: re.Match[str]) -> str:
        mm, bare = getattr(lot, dimension[1]), bool(dimension[2])
        if mm is None:
            return "?"
        if dimension[1] != "length_mm":
            return shown.sized(mm, units, unit=not bare)
        return shown.tape(mm, units).removesuffix(shown.trailing(units) if bare else "")

    return re.sub(r"(\w+_mm)(!?)", measured, FORMS[lot.form].size)


def rod_words(run: RunState) -> str:
    """Where the rod pulls, as it is typed: `next=5 mm,house=3 mm`; empty in the middle of the foot."""
    sides = zip(run.foot.rod_at_mm, (True, False), strict=True)
    return ",".join(f"{run.faces[face_of(mm, way)]}={shown.sized(mm, run.units)}" for mm, way in sides if mm)


def wrapped(text: str, width: int) -> list[str]:
    """Text broken into rows of at most `width` characters (10 at least), between words where it can be."""
    width = max(LEAST_WIDTH, width)
    rows: list[str] = []
    for paragraph in text.split("\n"):
        row = ""
        for word in paragraph.split(" "):
            if row and len(row) + 1 + len(word) > width:
                rows.append(row)
                row = word
            else:
                row = f"{row} {word}" if row else word
            while len(row) > width:
                rows.append(row[:width])
                row = row[width:]
        rows.append(row)
    return rows


def hanging(text: str, width: int) -> list[str]:
    """A line as it stands where it fits; else broken into rows, the later ones standing in by two more.

    Wide gaps, as between the columns of a table, close up then.
    """
    if len(text) <= width:
        return [text]
    lead = " " * (len(text) - len(text.lstrip()))
    first, *later = wrapped(re.sub(" {3,}", "  ", text.strip()), width - len(lead) - 2)
    return [lead + first, *(f"{lead}  {row}" for row in later)]


def broken(rows: Iterable[Run], width: int) -> list[Run]:
    """Texts with their roles, each broken into rows; an empty one is left out."""
    return [(row, role) for text, role in rows if text for row in wrapped(text, width)]


def clipped(text: str, width: int, sign: str) -> str:
    """Text cut to a width, ending in a sign where something is missing."""
    return text if len(text) <= width else text[: max(0, width - len(sign))] + sign


def fitting(width: int, sign: str, *texts: str) -> str:
    """The first of the texts that fits, given from the longest; the last one clipped where none does."""
    return next((text for text in texts if len(text) <= width), clipped(texts[-1], max(0, width), sign))
