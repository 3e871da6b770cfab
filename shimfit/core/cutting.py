r"""Tapers and strips as they are cut: what a piece takes from which copy, what is left, where to mark wedges.

Along a taper, lengths are whole hundredths of a millimetre: stretches that touch don't overlap. A cut takes
its stretch, and a kerf where the saw went through beside it. A strip gets shorter by what its wedges take:

    first end                                              last end
    |·····/  w1  \··/  w2  \ …                                  |      seen from above; · = sawdust, trim
    |<--->| first slanted trim: half the strip's width · tan β, then one kerf
          |<---->| the wedge's mean thickness lies on the centre line

The saw stands at β (half the wedge's angle) and the strip is turned over after each cut, so that every cut
slants the other way: a wedge is as long as the strip is wide, its edges differ by 2 · width · tan β, and
wedges of one setting nest whatever their thickness. A setting on a strip costs width · tan β and a kerf in
all (half of the slant at its start, half at its end); each cut takes kerf / cos β on the centre line.

The mark on a remainder is short enough for the pencil: `T1.2-82` is of T1 no. 2, from 82 mm on; a strip that
gets shorter stays `S1.2`; a wedge off it that comes out from under a post is `S1.w1`. What is cut from a
remainder is marked as of the same parent, however often: names do not grow.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import field, replace
from itertools import count as numbers
from typing import TYPE_CHECKING, Any

from shimfit.core.foot import clean
from shimfit.errors import UsageError
from shimfit.model import FORMS, Lot, Name, NotNegative
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from shimfit.model import Pack, Piece

KERF_MM = 2.5
"""Width that a cut takes away when the saw's own is not known."""
STEPS_PER_MM = 100
"""What is left is kept in hundredths of a millimetre."""
SHORTEST_KEPT_MM = 30.0
"""A shorter remainder is thrown away: it can't be held and pushed (common practice, no source)."""
THROWN_OUT = "out of the box"
_SAME_SLOPE = 1e-6
_MARK = re.compile(r"(.+?)\.(w?[0-9]+)(?:-([0-9]+))?[a-z]?")
"""Mark on a piece of which there is one: lot, number, and how far from its copy's thin end it begins."""


@dataclass(frozen=True, slots=True)
class Cut:
    """What one piece of a pack takes from one copy of a taper or a strip."""

    lot: Name
    """The lot that the copy came in with, not the remainder's name."""
    copy: int
    """Which of the lot's copies; 0: still to be chosen."""
    piece: str
    """What it was cut from, as it was called then: the lot itself or a remainder."""
    from_mm: NotNegative = 0.0
    """Taper: where the stretch begins, from the thin end of the copy."""
    to_mm: NotNegative = 0.0
    """Taper: the mark, where the thick rest is cut off."""
    saw_deg: NotNegative | None = None
    """Strip: half the angle of the wedge."""
    thin_mm: NotNegative | None = None
    thick_mm: NotNegative | None = None
    kerf_mm: NotNegative = KERF_MM
    goes_to: str = ""
    """Post and seat: `3/next-out`."""

    @property
    def is_thrown_out(self) -> bool:
        """It was made for no pack."""
        return self.goes_to == THROWN_OUT

    @property
    def mean_mm(self) -> float:
        """Thickness of a wedge on the strip's centre line; 0 of a taper."""
        return ((self.thin_mm or 0.0) + (self.thick_mm or 0.0)) / 2

    def to_json(self) -> dict[str, Any]:
        """As an event holds it."""
        own = ("from_mm", "to_mm") if self.saw_deg is None else ("saw_deg", "thin_mm", "thick_mm")
        keys = ("lot", "copy", "piece", "kerf_mm", *own)
        return {key: getattr(self, key) for key in keys} | {"for": self.goes_to}

    @classmethod
    def from_json(cls, row: Mapping[str, Any]) -> Cut:
        """The same, read back; older events do not name the piece."""
        given = {key: row[key] for key in cls.__slots__ if key in row}
        return cls(**{"piece": row["lot"], "goes_to": row.get("for", "")} | given)


def takes_mm(strip: Lot, wedges: Iterable[Cut]) -> float:
    """Length of a strip that these wedges take, all cut from what was one piece when they were cut."""
    assert strip.width_mm is not None
    length_mm, set_ups = 0.0, {}
    for cut in wedges:
        deg = cut.saw_deg or 0.0
        length_mm += cut.mean_mm + cut.kerf_mm / math.cos(math.radians(deg))
        set_ups[deg] = strip.width_mm * math.tan(math.radians(deg)) + cut.kerf_mm
    return length_mm + sum(set_ups.values())


# ---------------------------------------------------------------- copies of one lot


@dataclass(frozen=True, slots=True)
class Remainder:
    """What is left of a copy between two cuts: a piece of its own."""

    lot: Name
    """The lot that the copy came in with."""
    copy: int
    start: int
    """Taper: hundredths of a millimetre from the copy's thin end; 0 on a strip."""
    end: int
    """Where it ends; on a strip its length."""

    @property
    def start_mm(self) -> float:
        """Where it begins, from the copy's thin end."""
        return self.start / STEPS_PER_MM


@dataclass(frozen=True, slots=True)
class TakenTwice:
    """Wood that two packs were made of, so that one of the two did not happen as it was logged."""

    lot: str
    copy: int
    from_mm: float | None
    """Taper: the stretch that both want; None on a strip, which is too short for all that was sawn."""
    to_mm: float | None
    goes_to: tuple[str, ...]
    """Posts and seats, in the order they were logged."""


@dataclass
class Copies:
    """Like pieces that came in under one name. Those in `gone` are not whole any more, or not there."""

    name: str
    lot: Lot
    made: int = 0
    gone: set[int] = field(default_factory=set)
    cuts: dict[int, tuple[Cut, ...]] = field(default_factory=dict)
    _free: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    """What is left of copies, as worked out since they were cut last."""

    def twin(self) -> Copies:
        """The same, to be changed by itself."""
        return Copies(self.name, self.lot, self.made, set(self.gone), dict(self.cuts), dict(self._free))

    @property
    def count(self) -> int:
        """Whole copies."""
        return self.made - len(self.gone)

    @property
    def length_mm(self) -> float:
        """Of a whole copy; only of what is cut."""
        assert self.lot.length_mm is not None
        return self.lot.length_mm

    def whole(self) -> list[int]:
        """Numbers of the copies that nothing was cut from."""
        return [number for number in range(1, self.made + 1) if number not in self.gone]

    def cut(self, cut: Cut) -> list[TakenTwice]:
        """A copy is whole no more; what of the cut others had already."""
        before, twice = self.cuts.get(cut.copy, ()), []
        if cut.is_thrown_out or (cut.copy in self.gone and not before):
            pass  # nobody's wood, or not in the box
        elif self.lot.is_sawn:
            if not self.fits(cut.copy, cut):
                goes_to = (*(one.goes_to for one in before), cut.goes_to)
                twice.append(TakenTwice(cut.lot, cut.copy, None, None, goes_to))
        else:
            for one in before:
                first, last = max(one.from_mm, cut.from_mm), min(one.to_mm, cut.to_mm)
                if steps(first) < steps(last):
                    twice.append(TakenTwice(cut.lot, cut.copy, first, last, (one.goes_to, cut.goes_to)))
        self.gone.add(cut.copy)
        self.cuts[cut.copy] = (*before, cut)
        self._free.pop(cut.copy, None)
        return twice

    def free(self, number: int) -> list[tuple[int, int]]:
        """Stretches of a copy that no cut has reached, thin end first; of a strip what is left, if any."""
        if number not in self._free:
            cuts, end, at = self.cuts.get(number, ()), steps(self.length_mm), 0
            found = []
            if self.lot.is_sawn:
                end = steps(self.length_mm - self._sawn_mm(cuts))
            else:
                for first, last in sorted(map(_with_kerf, cuts)):
                    if first > at:
                        found.append((at, min(first, end)))
                    at = max(at, last)
            self._free[number] = [*found, (at, end)] if at < end else found
        return self._free[number]

    def fits(self, number: int, cut: Cut, hold_mm: float = 0.0, slack: int = 1) -> bool:
        """Whether a copy still has what a cut takes, to so many steps, and a strip what it is held by."""
        if self.lot.is_sawn:
            sawn_mm = self._sawn_mm((*self.cuts.get(number, ()), cut))
            return sawn_mm <= self.length_mm - hold_mm + 1 / STEPS_PER_MM
        return any(holds(stretch, cut, slack) for stretch in self.free(number))

    def begins_at(self, number: int, cut: Cut) -> bool:
        """Whether a stretch of a taper begins where what is left of a copy does: no tip is to be cut off."""
        return any(abs(first - steps(cut.from_mm)) <= 1 for first, _ in self.free(number))

    def _sawn_mm(self, cuts: Iterable[Cut]) -> float:
        """Length that wedges took; the first end is trimmed once per setting on what was one piece then."""
        pieces: dict[str, list[Cut]] = defaultdict(list)
        taken_mm = 0.0
        for cut in cuts:
            if cut.saw_deg is None:
                taken_mm += cut.to_mm - cut.from_mm
            else:
                pieces[cut.piece].append(cut)
        return taken_mm + sum(takes_mm(self.lot, some) for some in pieces.values())

    def part(self, name: str, rest: Remainder) -> Lot:
        """A remainder as a lot of its own."""
        lot = replace(self.lot, lot=name, count=1, origin="offcut")
        if lot.is_sawn:
            return replace(lot, length_mm=rest.end / STEPS_PER_MM)
        assert lot.thin_mm is not None
        to_the_end = rest.end == steps(self.length_mm)
        end_mm = self.length_mm if to_the_end else rest.end / STEPS_PER_MM
        return replace(
            lot,
            length_mm=clean(end_mm - rest.start_mm),
            thin_mm=clean(lot.thin_mm + lot.taper_slope * rest.start_mm),
            thick_mm=lot.thick_mm if to_the_end else clean(lot.thin_mm + lot.taper_slope * end_mm),
        )


def holds(stretch: tuple[int, int], cut: Cut, slack: int = 1) -> bool:
    """Whether a stretch that is left holds a cut; a step is less than what a pencil's line covers."""
    return stretch[0] - slack <= steps(cut.from_mm) and steps(cut.to_mm) <= stretch[1] + slack


def steps(length_mm: float) -> int:
    """The nearest number of hundredths."""
    return round(length_mm * STEPS_PER_MM)


def _with_kerf(cut: Cut) -> tuple[int, int]:
    """What a cut removes from a taper: its stretch, and a kerf where the saw went through beside it."""
    first, last, kerf = steps(cut.from_mm), steps(cut.to_mm), steps(cut.kerf_mm)
    return (first - kerf if first > 0 else 0), last + kerf


# ---------------------------------------------------------------- marks, and what comes out again


def named_pieces(pack: Pack) -> list[tuple[str, str, int]]:
    """(lot, form, copy) of its pieces, alike where a taper was only pushed."""
    return sorted((piece.lot, piece.form, piece.copy or 0) for piece in pack.pieces)


def moved_packs(before: Iterable[Pack], after: Iterable[Pack]) -> tuple[list[Pack], list[Pack]]:
    """(packs that came out, packs that went in); a taper that is only pushed did neither."""
    old, new = {pack.seat: pack for pack in before}, {pack.seat: pack for pack in after}
    stays = {seat for seat in old.keys() & new.keys() if named_pieces(old[seat]) == named_pieces(new[seat])}
    return (
        [pack for seat, pack in old.items() if seat not in stays],
        [pack for seat, pack in new.items() if seat not in stays],
    )


def returned(packs: Iterable[Pack], lots: Sequence[Lot], asked_for: Collection[str] = ()) -> tuple[Lot, ...]:
    """Packs that come out again, as lots for the box (count 1 each): flats whole, wedges as short tapers.

    lots: those of the box, used up or not; what they are called is not used again. asked_for: lots that an
    answer wants; in older logs it may call a piece that comes out here `T1 from next-out`, and so is it then.
    """
    by_name = {lot.lot: lot for lot in lots}
    taken = set(by_name)
    out: list[Lot] = []
    for seat, piece in ((pack.seat, piece) for pack in packs for piece in pack.pieces):
        origin = by_name.get(piece.lot)
        if piece.is_whole:
            flat = replace(origin or Lot(piece.lot, piece.form, 1), count=1)
            # A pack has it rounded (3/64 in is 1.19 mm there); by more it differs where it was counted anew.
            if flat.thickness_mm is None or abs(flat.thickness_mm - piece.thickness_mm) > 1 / STEPS_PER_MM:
                flat = replace(flat, thickness_mm=piece.thickness_mm)
            out.append(flat)
            continue
        if piece.is_sawn:
            thin, thick = piece.thin_mm, piece.thick_mm
            length = origin.width_mm if origin else None
        else:
            length = clean((piece.mark_mm or 0.0) - piece.trim_tip_mm)
            thick = piece.thickness_mm
            thin = clean(thick - (origin.taper_slope if origin else 0.0) * length)
        if length and thin is not None and thick is not None and 0.0 <= thin < thick:
            start_mm = None if piece.is_sawn else piece.trim_tip_mm
            name = f"{piece.lot} from {seat}"
            if name not in asked_for or name in taken:
                name = marked(
                    piece.lot, piece.copy or 0, start_mm, lambda one: one not in taken, piece.is_sawn
                )
            taken.add(name)
            form, material = FORMS[piece.form].comes_out_as, origin.material if origin else ""
            lot = Lot(name, form, 1, material, length_mm=length, thin_mm=thin, thick_mm=thick)
            out.append(replace(lot, note="was under a post"))
    return tuple(out)


def marked(
    lot: str, copy: int, start_mm: float | None, is_free: Callable[[str], bool], is_wedge: bool = False
) -> str:
    """What is written on a piece cut from a lot, or from a piece that has its own mark already.

    copy: of several; 0 where there is one. start_mm: of a taper, where it begins on what it was cut from.
    Older logs have longer names (`T1.2-24 from next-out`): what is cut from those is marked short again.
    """
    root, number, base_mm = lot.split(" from ", maxsplit=1)[0], str(copy or 1), 0
    if not copy and (own := _MARK.fullmatch(root)):
        root, number, base_mm = own[1], own[2], int(own[3] or 0)
    if is_wedge:
        return next(name for n in numbers(1) if is_free(name := f"{root}.w{n}"))
    name = f"{root}.{number}" + ("" if start_mm is None else f"-{base_mm + start_mm:.0f}")
    letters = ("", *"bcdefghijklmnopqrstuvwxyz")
    free = (name + letter for letter in letters if is_free(name + letter))
    return next(free, None) or numbered_name(name, " ({})", is_free)


def numbered_name(name: str, more: str, is_free: Callable[[str], bool]) -> str:
    """The name, or with 2, 3 … behind it the first that is free."""
    return next(one for n in numbers(1) if is_free(one := name if n == 1 else name + more.format(n)))


def is_rest_of(lot: Lot, whole: Lot) -> bool:
    """Whether a lot is named (`T1.2` of `T1` or `T1 from next-out`) and shaped as what is left of another."""
    root = whole.lot.split(".", maxsplit=1)[0].split(" from ", maxsplit=1)[0]
    if lot.form != whole.form or lot.is_whole or not lot.lot.startswith(f"{root}."):
        return False
    if lot.is_sawn:
        return (lot.width_mm, lot.thickness_mm) == (whole.width_mm, whole.thickness_mm)
    return abs(lot.taper_slope - whole.taper_slope) <= _SAME_SLOPE


def cuts_between(copies: Copies, rests: Sequence[Lot]) -> tuple[list[Cut], dict[Remainder, str]]:
    """The cuts that leave just these lots of the first whole copy, and what each of those is called."""
    copy, whole, names = copies.whole()[0], copies.lot, {}
    for lot in rests:
        thicker_mm = 0.0 if whole.is_sawn else (lot.thin_mm or 0.0) - (whole.thin_mm or 0.0)
        start_mm = thicker_mm / whole.taper_slope if thicker_mm else 0.0
        ends = steps(start_mm), steps(start_mm + (lot.length_mm or 0.0))
        names[Remainder(copies.name, copy, *ends)] = lot.lot
    stretches = sorted((rest.start, rest.end) for rest in names)
    at = [0, *(end for rest in stretches for end in rest), steps(copies.length_mm)]
    at_mm = [one / STEPS_PER_MM for one in (at[2:] if whole.is_sawn else at)]
    between = (ends for ends in zip(at_mm[::2], at_mm[1::2], strict=True) if ends[0] < ends[1])
    return [Cut(copies.name, copy, whole.lot, *ends, kerf_mm=0.0) for ends in between], names


def taken_twice_words(one: TakenTwice) -> str:
    """A sentence on wood that two packs are said to be made of."""
    who = " and ".join(dict.fromkeys(where or "a pack" for where in one.goes_to))
    which = f"{one.lot} no. {one.copy}"
    if one.from_mm is None or one.to_mm is None:
        return f"strip {which} is too short for all that was sawn from it ({who}): look again"
    where = f"{one.from_mm:.4g} to {one.to_mm:.4g} mm"
    return f"{which} was cut twice at {where} ({who}): one of the two is of other wood"


def shifted(piece: Piece, by_mm: float) -> Piece:
    """A piece of a taper as measured from another thin end."""
    mark_mm = None if piece.mark_mm is None else clean(piece.mark_mm + by_mm)
    return replace(piece, mark_mm=mark_mm, trim_tip_mm=max(0.0, clean(piece.trim_tip_mm + by_mm)))


# ---------------------------------------------------------------- the cut sheet


def cut_list(lots: Mapping[str, Lot], wedges: Iterable[Cut], hold_mm: float) -> list[dict[str, Any]]:
    """The contract's `cuts`: the saw set once per angle, smallest first; on a strip by thickness.

    A wedge's copy is 0 where its lot has one strip. Marks are on the centre line, from the strip's first end
    to the near side of the cut that ends the piece. UsageError when the wedges do not fit on the strips, of
    which `hold_mm` stays in the hand: the plan used more than there is.
    """
    by_strip: dict[tuple[str, int], list[Cut]] = defaultdict(list)
    for wedge in wedges:
        by_strip[wedge.piece, wedge.copy].append(wedge)
    cuts = []
    for (name, copy), on in by_strip.items():
        strip = lots[name]
        assert strip.length_mm is not None
        assert strip.width_mm is not None
        if takes_mm(strip, on) > strip.length_mm - hold_mm + 1 / STEPS_PER_MM:
            raise UsageError(f"strip {name} is too short for what the plan saws from it")
        at_mm = 0.0
        for deg in sorted({wedge.saw_deg or 0.0 for wedge in on}):
            slant_mm = strip.width_mm / 2 * math.tan(math.radians(deg))
            at_mm += slant_mm + on[0].kerf_mm
            pieces = []
            chosen = (wedge for wedge in on if wedge.saw_deg == deg)
            for wedge in sorted(chosen, key=lambda one: (one.thick_mm, one.goes_to)):
                mark_mm = at_mm + wedge.mean_mm
                edges = {"thin_mm": wedge.thin_mm, "thick_mm": wedge.thick_mm}
                pieces.append({"for": wedge.goes_to, **edges, "mark_along_mm": mark_mm})
                at_mm = mark_mm + wedge.kerf_mm / math.cos(math.radians(deg))
            at_mm += slant_mm
            cut = {"strip": name, "saw_deg": deg} | ({"copy": copy} if copy else {})
            cuts.append(cut | {"pieces": pieces, "left_mm": strip.length_mm - at_mm})
    return sorted(cuts, key=lambda cut: cut["saw_deg"])
