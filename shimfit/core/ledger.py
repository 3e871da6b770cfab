"""The box piece by piece: which copy was cut where, what is left of it, and what was taken twice.

    put     like pieces come in under one name; tapers and strips are numbered 1, 2, 3 …
    take    packs are made: flats leave, a taper or strip gives a stretch of one numbered copy and the kerf
    lots    what is there: whole copies under the lot's name, remainders under names of their own

A remainder (`T1.2`) is a piece with its parent: lot, copy, and the stretch between two cuts. A taper gives
the stretch that goes under the foot; its thin tip and its thick rest go back when they are long enough to
be used again. A strip gets shorter by what its wedges take. What a copy has given is a set of stretches, so
that it does not matter in which order they were cut: a plan's cut sheet and the box after its last pack are
one and the same.

Along a taper, lengths are whole hundredths of a millimetre: stretches that touch don't overlap. A stretch
that was cut already, or a piece that the box does not hold, is taken all the same (the wood is under a
post) and listed: `taken_twice`, `short`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import astuple, field, replace
from typing import TYPE_CHECKING, Any

from shimfit.core.stock import lot_to_row
from shimfit.errors import UsageError
from shimfit.model import FORMS, Lot, Name
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from shimfit.core.cutting import Wedge
    from shimfit.model import Pack, Piece

SHORTEST_KEPT_MM = 30.0
"""A shorter remainder is thrown away: it can't be held and pushed (common practice, no source)."""
KERF_MM = 2.5
"""Width that a cut across a taper takes when the saw's own is not known."""
SAME_SLOPE = 1e-6
STEPS_PER_MM = 100
"""Stretches are kept in hundredths of a millimetre."""
_THROWN_OUT = "out of the box"


@dataclass(frozen=True, slots=True)
class Cut:
    """What one piece of a pack takes from one copy of a taper or a strip."""

    lot: str
    """The lot that the copy came in with, not the remainder's name."""
    copy: int
    piece: str
    """What it was cut from, as it was called then: the lot itself or a remainder."""
    from_mm: float = 0.0
    """Taper: where the stretch begins, from the thin end of the copy."""
    to_mm: float = 0.0
    """Taper: the mark, where the thick rest is cut off."""
    saw_deg: float | None = None
    """Strip: half the angle of the wedge."""
    thin_mm: float | None = None
    thick_mm: float | None = None
    kerf_mm: float = KERF_MM
    goes_to: str = ""
    """Post and seat: `3/next-out`."""


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


@dataclass(frozen=True, slots=True)
class Taken:
    """What making some packs took."""

    packs: tuple[Pack, ...]
    """The packs with the copy of each taper and strip of which there are or were several."""
    cuts: tuple[Cut, ...]
    flats: tuple[tuple[str, int], ...]
    """(lot, pieces)."""


@dataclass
class _Kind:
    """Like pieces that came in under one name. Copies in `gone` are not whole any more, or not there."""

    name: str
    lot: Lot
    made: int = 0
    gone: set[int] = field(default_factory=set)
    cuts: dict[int, tuple[Cut, ...]] = field(default_factory=dict)
    _free: dict[int, list[tuple[int, int]]] = field(default_factory=dict)
    """What is left of copies, as worked out since they were cut last."""

    @property
    def count(self) -> int:
        return self.made - len(self.gone)

    def whole(self) -> Iterator[int]:
        return (number for number in range(1, self.made + 1) if number not in self.gone)

    def lose(self, count: int) -> int:
        """Whole copies leave, the last first, as plans number from the first; how many there were."""
        count = min(count, self.count)
        if not self.gone:
            self.made -= count
            return count
        last = self.made
        for _ in range(count):
            while last in self.gone:
                last -= 1
            self.gone.add(last)
        return count

    def copy(self) -> _Kind:
        return _Kind(self.name, self.lot, self.made, set(self.gone), dict(self.cuts), dict(self._free))

    # ------------------------------------------------------------ what is left of a cut copy

    def free(self, number: int) -> list[tuple[int, int]]:
        """Stretches of a copy that no cut has reached, thin end first; of a strip what is left, if any."""
        if number not in self._free:
            self._free[number] = self._free_now(number)
        return self._free[number]

    def cut(self, cut: Cut) -> None:
        """A copy is whole no more."""
        self.gone.add(cut.copy)
        self.cuts[cut.copy] = (*self.cuts.get(cut.copy, ()), cut)
        self._free.pop(cut.copy, None)

    def _free_now(self, number: int) -> list[tuple[int, int]]:
        assert self.lot.length_mm is not None
        cuts = self.cuts.get(number, ())
        if self.lot.is_sawn:
            left = _steps(self.lot.length_mm - self._sawn_mm(cuts))
            return [(0, left)] if left > 0 else []
        end = _steps(self.lot.length_mm)
        found, at = [], 0
        for first, last in sorted(_with_kerf(cut) for cut in cuts):
            if first > at:
                found.append((at, min(first, end)))
            at = max(at, last)
        return [*found, (at, end)] if at < end else found

    def fits(self, number: int, cut: Cut) -> bool:
        """Whether a copy still has what a cut takes."""
        if self.lot.is_sawn:
            assert self.lot.length_mm is not None
            return self._sawn_mm((*self.cuts.get(number, ()), cut)) <= self.lot.length_mm
        first, last = _steps(cut.from_mm), _steps(cut.to_mm)
        return any(holds(start, end, first, last) for start, end in self.free(number))

    def _sawn_mm(self, cuts: Sequence[Cut]) -> float:
        """Length that wedges took; the first end is trimmed once per setting on what was one piece then."""
        pieces: dict[str, list[Cut]] = defaultdict(list)
        for cut in cuts:
            if cut.saw_deg is not None:
                pieces[cut.piece].append(cut)
        otherwise = sum(cut.to_mm - cut.from_mm for cut in cuts if cut.saw_deg is None)
        if not pieces:
            return otherwise
        from shimfit.core.cutting import (
            takes_mm,  # the first screen waits for this room; few boxes hold strips
        )
        from shimfit.core.packing.options import Saw

        return otherwise + sum(
            takes_mm(self.lot, [_wedge(cut) for cut in some], Saw(kerf_mm=some[0].kerf_mm))
            for some in pieces.values()
        )

    def part(self, name: str, start: int, end: int) -> Lot:
        """A remainder as a lot of its own."""
        lot = self.lot
        assert lot.length_mm is not None
        whole = _steps(lot.length_mm)
        if lot.is_sawn:
            return replace(lot, lot=name, count=1, length_mm=end / STEPS_PER_MM, origin="offcut")
        assert lot.thin_mm is not None
        start_mm = start / STEPS_PER_MM
        end_mm = lot.length_mm if end == whole else end / STEPS_PER_MM
        return replace(
            lot,
            lot=name,
            count=1,
            length_mm=round(end_mm - start_mm, 9),
            thin_mm=lot.thin_mm + lot.taper_slope * start_mm,
            thick_mm=lot.thick_mm if end == whole else lot.thin_mm + lot.taper_slope * end_mm,
            origin="offcut",
        )


class Ledger:
    """The box, changed by each entry in turn; `copy` is cheap and independent."""

    def __init__(self, lots: Iterable[Lot] = ()) -> None:
        self._kinds: dict[str, _Kind] = {}
        self._names: dict[str, str | Remainder] = {}
        """What a name in the box means: a kind by its key, or a remainder; also of what is used up."""
        self._short: Counter[str] = Counter()
        self._twice: list[TakenTwice] = []
        for lot in lots:
            self.put(lot)

    def copy(self) -> Ledger:
        """The same box, to be changed by itself."""
        twin = Ledger()
        twin._kinds = {key: kind.copy() for key, kind in self._kinds.items()}
        twin._names = dict(self._names)
        twin._short, twin._twice = Counter(self._short), list(self._twice)
        return twin

    def to_rows(self) -> dict[str, Any]:
        """Everything, in JSON, for `from_rows`: values as rows of their fields, in order."""
        return {
            "kinds": [
                [
                    kind.name, astuple(kind.lot), kind.made, sorted(kind.gone),
                    [[number, [astuple(cut) for cut in cuts]] for number, cuts in kind.cuts.items()],
                ]
                for kind in self._kinds.values()
            ],
            "names": [
                [name, place if isinstance(place, str) else astuple(place)]
                for name, place in self._names.items()
            ],
            "short": list(self._short.items()),
            "twice": [astuple(one) for one in self._twice],
        }  # fmt: skip

    @classmethod
    def from_rows(cls, rows: Mapping[str, Any]) -> Ledger:
        """Inverse of to_rows."""
        ledger = cls()
        for name, lot, made, gone, cut in rows["kinds"]:
            cuts = {number: tuple(Cut(*one) for one in some) for number, some in cut}
            ledger._kinds[name] = _Kind(name, Lot(*lot), made, set(gone), cuts)
        ledger._names = {
            name: place if isinstance(place, str) else Remainder(*place) for name, place in rows["names"]
        }
        ledger._short = Counter(dict(rows["short"]))
        for lot, copy, from_mm, to_mm, goes_to in rows["twice"]:
            ledger._twice.append(TakenTwice(lot, copy, from_mm, to_mm, tuple(goes_to)))
        return ledger

    # ------------------------------------------------------------ what there is

    def lots(self) -> tuple[Lot, ...]:
        """What is there, in the order it came in; remainders are lots of one piece."""
        return tuple(lot for lot in self._all() if lot.count)

    def used_up(self) -> tuple[Lot, ...]:
        """What was there and is gone, count 0."""
        return tuple(lot for lot in self._all() if not lot.count)

    @property
    def short(self) -> tuple[tuple[str, int], ...]:
        """(lot, pieces) that went into packs but were not in the box: it was counted wrong."""
        return tuple(self._short.items())

    @property
    def taken_twice(self) -> tuple[TakenTwice, ...]:
        """Stretches that were cut from a copy which had given them already."""
        return tuple(self._twice)

    def parent(self, name: str) -> Remainder | None:
        """Which copy a remainder was cut from; None for what came in whole."""
        place = self._names.get(name)
        return place if isinstance(place, Remainder) else None

    def copies(self, name: str) -> tuple[int, ...]:
        """Numbers of the whole copies of a lot."""
        place = self._names.get(name)
        return tuple(self._kinds[place].whole()) if isinstance(place, str) else ()

    def _all(self) -> Iterator[Lot]:
        for name, place in self._names.items():
            if isinstance(place, str):
                kind = self._kinds[place]
                yield replace(kind.lot, lot=name, count=max(0, kind.count))
            else:
                lot = self._kinds[place.lot].part(name, place.start, place.end)
                yield lot if self._is_there(place) else replace(lot, count=0)

    def _is_there(self, one: Remainder) -> bool:
        return (one.start, one.end) in self._kinds[one.lot].free(one.copy)

    # ------------------------------------------------------------ in and out by count

    def put(self, lot: Lot) -> str:
        """Put pieces in: more of a lot that is alike, else a lot of its own (`A2 (2)`): never mixed."""
        name, number = lot.lot, 1
        while name in self._names and not self._alike(name, lot):
            number += 1
            name = f"{lot.lot} ({number})"
        if name not in self._names:
            self._begin(name, lot)
        place = self._names[name]
        assert isinstance(place, str)
        self._kinds[place].made += lot.count
        return name

    def _begin(self, name: str, lot: Lot) -> None:
        key, number = name, 1
        while key in self._kinds:
            number += 1
            key = f"{name}~{number}"
        self._kinds[key] = _Kind(key, replace(lot, lot=name, count=0))
        self._names[name] = key

    def _alike(self, name: str, lot: Lot) -> bool:
        place = self._names[name]
        return isinstance(place, str) and alike(self._kinds[place].lot, lot)

    def count_again(self, lots: Iterable[Lot]) -> None:
        """Lots as counted now, in place of what goes by the same names; copies keep their numbers."""
        counted: set[str] = set()
        for lot in lots:
            if lot.lot not in counted and lot.lot in self._names:
                self.out(lot.lot)
                place = self._names[lot.lot]
                if isinstance(place, str) and self._alike(lot.lot, lot):
                    kind = self._kinds[place]
                    kind.lot = replace(lot, count=0)
                    kind.gone -= set(sorted(kind.gone - kind.cuts.keys())[: lot.count])
                    lot = replace(lot, count=lot.count - kind.count)  # noqa: PLW2901 - the rest of it comes in
                else:
                    self._begin(lot.lot, lot)
            counted.add(self.put(lot))

    def out(self, name: str, count: int | None = None) -> None:
        """Pieces leave for something else than a pack, all when no count is given."""
        place = self._names.get(name)
        if isinstance(place, Remainder):
            there = int(self._is_there(place))
            if there and count != 0:
                self._cut(Cut(
                    place.lot, place.copy, name, place.start / STEPS_PER_MM, place.end / STEPS_PER_MM,
                    kerf_mm=0.0, goes_to=_THROWN_OUT,
                ))  # fmt: skip
        else:
            there = 0 if place is None else self._kinds[place].count
            if place is not None:
                self._kinds[place].lose(there if count is None else count)
        if count is not None and count > there:
            self._short[name] += count - max(0, there)

    # ------------------------------------------------------------ packs

    def take(
        self,
        packs: Iterable[tuple[str, Pack]],
        kerf_mm: float,
        *,
        keep: Mapping[str, frozenset[int]] | None = None,
        known_only: bool = False,
    ) -> Taken:
        """Make packs, given with the post that each goes to; UsageError for a lot that never was in the box.

        known_only: pieces of such a lot are left as they are instead.

        A piece that says its copy is cut from it. Others go on a copy that is cut here anyway, else on the
        first whole one (those in `keep` last), thin ends first, which takes the fewest copies there can be.
        """
        packs = tuple(packs)
        flats: Counter[str] = Counter()
        wants: list[tuple[tuple[int, int], Cut, bool]] = []
        """(pack and piece, the cut, whether the copy is still to be chosen)."""
        for at, (post, pack) in enumerate(packs):
            for which, piece in enumerate(pack.pieces):
                if piece.lot not in self._names:
                    if known_only:
                        continue
                    raise UsageError(
                        f"there is no lot {piece.lot} in the box; `shimfit stock list` shows what is"
                    )
                if piece.is_whole:
                    flats[piece.lot] += 1
                else:
                    goes_to = f"{post}/{pack.seat}" if post else str(pack.seat)
                    cut, chosen = self._cut_of(piece, goes_to, kerf_mm)
                    wants.append(((at, which), cut, chosen))
        for name, count in flats.items():
            self.out(name, count)
        # What says its copy goes first: the others find room beside it.
        wants.sort(key=lambda one: (not one[2], one[1].from_mm, one[1].to_mm, one[0]))
        touched: dict[str, list[int]] = defaultdict(list)
        made: dict[tuple[int, int], Cut] = {}
        for where, want, chosen in wants:
            cut = want
            if not chosen:
                cut = replace(want, copy=self._choose(want, touched[want.lot], (keep or {}).get(want.lot)))
            if cut.copy not in touched[cut.lot]:
                touched[cut.lot].append(cut.copy)
            made[where] = cut
            self._cut(cut)
        self._name_remainders(touched)
        with_copies = tuple(
            replace(
                pack,
                pieces=tuple(
                    self._with_copy(piece, made.get((at, w))) for w, piece in enumerate(pack.pieces)
                ),
            )
            for at, (_, pack) in enumerate(packs)
        )
        return Taken(with_copies, tuple(made[where] for where in sorted(made)), tuple(flats.items()))

    def take_cuts(self, cuts: Iterable[Cut], names: Mapping[Remainder, str]) -> None:
        """Cuts as they were logged; `names` are what the remainders were called then."""
        touched: dict[str, list[int]] = defaultdict(list)
        for cut in cuts:
            if cut.lot not in self._kinds:
                self._short[cut.lot] += 1
                continue
            self._cut(cut)
            touched[cut.lot].append(cut.copy)
        self._name_remainders(touched, names)

    def _cut_of(self, piece: Piece, goes_to: str, kerf_mm: float) -> tuple[Cut, bool]:
        """The cut that a piece is, from the original thin end of its copy; and whether its copy is known."""
        place = self._names[piece.lot]
        start_mm = 0.0
        if isinstance(place, Remainder):
            key, copy = place.lot, place.copy
            start_mm = place.start / STEPS_PER_MM
        else:
            key, copy = place, piece.copy or (1 if self._kinds[place].made == 1 else 0)
        if self._kinds[key].lot.is_sawn:
            cut = Cut(
                key, copy, piece.lot,
                saw_deg=piece.saw_deg or 0.0, thin_mm=piece.thin_mm or 0.0, thick_mm=piece.thick_mm or 0.0,
                kerf_mm=kerf_mm, goes_to=goes_to,
            )  # fmt: skip
        else:
            first, last = (round(start_mm + mm, 9) for mm in (piece.trim_tip_mm, piece.mark_mm or 0.0))
            cut = Cut(key, copy, piece.lot, first, last, kerf_mm=kerf_mm, goes_to=goes_to)
        return cut, copy > 0

    def _choose(self, cut: Cut, touched: Sequence[int], keep: frozenset[int] | None) -> int:
        kind = self._kinds[cut.lot]
        for number in touched:
            if kind.fits(number, cut):
                return number
        whole = list(kind.whole())
        free = [number for number in whole if number not in (keep or ())] or whole
        begun = (number for number in kind.cuts if kind.fits(number, cut))
        return free[0] if free else next(begun, 1)

    def _cut(self, cut: Cut) -> None:
        kind = self._kinds[cut.lot]
        before = kind.cuts.get(cut.copy, ())
        if cut.copy > kind.made:
            self._short[kind.lot.lot] += 1
            return
        if cut.goes_to != _THROWN_OUT:
            if cut.copy in kind.gone and not before:
                self._short[kind.lot.lot] += 1
            elif kind.lot.is_sawn:
                if not kind.fits(cut.copy, cut):
                    goes_to = (*(one.goes_to for one in before), cut.goes_to)
                    self._twice.append(TakenTwice(cut.lot, cut.copy, None, None, goes_to))
            else:
                self._twice += [
                    TakenTwice(cut.lot, cut.copy, first, last, (one.goes_to, cut.goes_to))
                    for one in before
                    if _steps(first := max(one.from_mm, cut.from_mm))
                    < _steps(last := min(one.to_mm, cut.to_mm))
                ]
        kind.cut(cut)

    def _name_remainders(
        self, touched: Mapping[str, Iterable[int]], names: Mapping[Remainder, str] | None = None
    ) -> None:
        """Give what is left of copies a name, where it is new and long enough to be kept."""
        known = {place for place in self._names.values() if isinstance(place, Remainder)}
        for key, copies in touched.items():
            kind = self._kinds[key]
            for copy in sorted(set(copies)):
                for start, end in kind.free(copy):
                    rest = Remainder(key, copy, start, end)
                    if rest not in known and end - start >= SHORTEST_KEPT_MM * STEPS_PER_MM:
                        self._names[self._name_of(rest, (names or {}).get(rest, ""))] = rest

    def _name_of(self, rest: Remainder, logged: str) -> str:
        """`T1.2-82`: of T1 no. 2, from 82 mm on; a strip that gets shorter stays `S1.2`.

        So the name that stands on the wood is the same in whatever order it was cut, and a piece that is cut
        again keeps it. logged: what it was called when it was cut.
        """
        kind = self._kinds[rest.lot]
        from_mm = "" if kind.lot.is_sawn else f"-{rest.start / STEPS_PER_MM:.0f}"
        wanted = logged or f"{kind.lot.lot}.{rest.copy}{from_mm}"
        name, number = wanted, 1
        while not self._is_named(name, rest):
            number += 1
            name = f"{wanted} ({number})"
        return name

    def _is_named(self, name: str, rest: Remainder) -> bool:
        """Whether a name is free for a remainder: nobody has it, or the piece before it was cut again."""
        place = self._names.get(name)
        if place is None:
            return True
        return isinstance(place, Remainder) and (place.lot, place.copy, place.start) == (
            rest.lot,
            rest.copy,
            rest.start,
        )

    def _with_copy(self, piece: Piece, cut: Cut | None) -> Piece:
        """A piece with its copy, where the lot has or had several."""
        if cut is None or isinstance(self._names[piece.lot], Remainder):
            return piece
        return replace(piece, copy=cut.copy if self._kinds[cut.lot].made > 1 else None)

    # ------------------------------------------------------------ for asking

    def asks_for_a_copy(self, packs: Iterable[Pack]) -> bool:
        """Whether some piece leaves it open which of several copies it is cut from."""
        return any(
            not piece.is_whole and piece.copy is None and len(self.copies(piece.lot)) > 1
            for pack in packs
            for piece in pack.pieces
        )

    def lacking(self, packs: Iterable[Pack]) -> frozenset[str]:
        """Lots of which these packs, yet to be made, want more than there is.

        What was cut for a pack is in hand; what was taken out of the box is not. Lots that never were in it
        are left out.
        """
        flats: Counter[str] = Counter()
        lots = set()
        for piece in (piece for pack in packs for piece in pack.pieces):
            place = self._names.get(piece.lot)
            if piece.is_whole and isinstance(place, str):
                flats[piece.lot] += 1
            elif place is not None and not self._is_to_be_had(piece):
                lots.add(piece.lot)
        return frozenset(
            lots | {lot for lot, many in flats.items() if many > self._kinds[str(self._names[lot])].count}
        )

    def _is_to_be_had(self, piece: Piece) -> bool:
        """A taper or strip is whole, was cut for what wants it, or a remainder of it is there."""
        cut, known = self._cut_of(piece, "", 0.0)
        kind = self._kinds[cut.lot]
        if not known:
            return kind.count > 0 or any(kind.free(copy) for copy in kind.cuts)
        if cut.copy not in kind.gone:
            return cut.copy <= kind.made
        if piece.is_sawn:
            return any(one.goes_to != _THROWN_OUT for one in kind.cuts.get(cut.copy, ()))
        return cut.copy in kind.cuts and not any(
            one.goes_to == _THROWN_OUT and one.from_mm < cut.to_mm and cut.from_mm < one.to_mm
            for one in kind.cuts[cut.copy]
        )

    def promised_copies(self, promised: Iterable[Pack]) -> dict[str, frozenset[int]]:
        """Copies that packs yet to be made are cut from, by lot: nothing else is to be cut from them."""
        cuts = self.copy().take((("", pack) for pack in promised), KERF_MM, known_only=True).cuts
        return {
            lot: frozenset(cut.copy for cut in cuts if cut.lot == lot) for lot in {cut.lot for cut in cuts}
        }

    def without(self, promised: Iterable[Pack], kerf_mm: float = KERF_MM) -> tuple[Lot, ...]:
        """The box less what these packs will use: of a piece that they cut, what they leave is offered still.

        Flats that are promised more often than they are there are left out: the box was counted wrong.
        """
        after = self._after(promised, kerf_mm)
        left = {lot.lot: lot for lot in after.lots()}
        here = [replace(lot, count=left.pop(lot.lot).count) for lot in self.lots() if lot.lot in left]
        return (*here, *left.values())

    def numbered(
        self,
        packs: Sequence[Pack],
        promised: Iterable[Pack] = (),
        *,
        kerf_mm: float = KERF_MM,
        back: Iterable[Lot] = (),
    ) -> tuple[Pack, ...]:
        """Packs of an answer from `without(promised)`, with the copies that they are really cut from.

        An answer counts the copies it was offered 1, 2, 3 …; here they get the numbers that the box knows,
        the one that is named first the lowest. What is cut from the rest of a promised piece is told as a
        stretch of that piece, whichever of the two is cut first.
        back: lots that come out from under the post and were offered too.
        """
        after = self._after(promised, kerf_mm)
        for lot in back:
            after.put(lot)
        named: dict[str, list[int]] = defaultdict(list)

        def known(piece: Piece) -> Piece:
            rest = None if piece.lot in self._names else after.parent(piece.lot)
            if rest is not None and rest.lot in self._kinds:
                return self._in_whole(piece, rest)
            if piece.is_whole or piece.copy is None:
                return piece
            whole, seen = after.copies(piece.lot), named[piece.lot]
            if piece.copy not in seen:
                seen.append(piece.copy)
            at = seen.index(piece.copy)
            return replace(piece, copy=whole[at]) if at < len(whole) else piece

        by_copy = [replace(pack, pieces=tuple(map(known, pack.pieces))) for pack in packs]
        return after.take((("", pack) for pack in by_copy), kerf_mm, known_only=True).packs

    def _in_whole(self, piece: Piece, rest: Remainder) -> Piece:
        """A piece of a remainder as the same stretch of the copy that the remainder is of."""
        kind, start_mm = self._kinds[rest.lot], rest.start / STEPS_PER_MM
        copy = rest.copy if kind.made > 1 else None
        if piece.is_sawn or piece.mark_mm is None:
            return replace(piece, lot=kind.lot.lot, copy=copy)
        mark_mm, tip_mm = (round(mm + start_mm, 9) for mm in (piece.mark_mm, piece.trim_tip_mm))
        return replace(piece, lot=kind.lot.lot, copy=copy, mark_mm=mark_mm, trim_tip_mm=tip_mm)

    def _after(self, packs: Iterable[Pack], kerf_mm: float = KERF_MM) -> Ledger:
        twin = self.copy()
        twin.take((("", pack) for pack in packs), kerf_mm, known_only=True)
        return twin

    def as_it_lies(self, packs: Iterable[Pack]) -> list[Pack]:
        """Packs as they would be made now: of a copy that was cut since, from what is left of it.

        Where that piece is cut off already (nothing holds it that is long enough to be kept) it is in hand,
        and left out. A name that nothing has or had stays as it is.
        """
        return [replace(pack, pieces=tuple(self._as_they_lie(pack.pieces))) for pack in packs]

    def _as_they_lie(self, pieces: Iterable[Piece]) -> Iterator[Piece]:
        for piece in pieces:
            place = self._names.get(piece.lot)
            if piece.is_whole or place is None:
                yield piece
                continue
            cut, known = self._cut_of(piece, "", 0.0)
            kind = self._kinds[cut.lot]
            if not (known and cut.copy in kind.gone) and (known or kind.count):
                yield piece
                continue
            for name, rest in self._names.items():
                if not isinstance(rest, Remainder) or rest.lot != cut.lot or not self._is_there(rest):
                    continue
                if known and rest.copy != cut.copy:
                    continue
                if piece.is_sawn:
                    yield replace(piece, lot=name, copy=None)
                    break
                start_mm = rest.start / STEPS_PER_MM
                if holds(rest.start, rest.end, _steps(cut.from_mm), _steps(cut.to_mm)):
                    mark_mm = round(cut.to_mm - start_mm, 9)
                    tip_mm = max(0.0, round(cut.from_mm - start_mm, 9))
                    yield replace(piece, lot=name, copy=None, mark_mm=mark_mm, trim_tip_mm=tip_mm)
                    break

    # ------------------------------------------------------------ what is logged

    def moved(
        self, came_out: Sequence[Pack], went_in: Sequence[Pack], post: str, kerf_mm: float, *,
        keep: Mapping[str, frozenset[int]] | None = None, pushed: Iterable[tuple[Pack, Pack]] = (),
    ) -> dict[str, Any] | None:  # fmt: skip
        """Data of a `taken` event for packs that came out and others that went in; None: nothing moves.

        pushed: packs of the same pieces, before and after: a taper that is pushed on takes more of its copy.

        `used` flats and copies that are whole no more, `cut` which stretch of which copy, `back` what came
        out and, with `of`, what is left of the copies.
        """
        back = returned(came_out, (*self.lots(), *self.used_up()))
        after = self.copy()
        for lot in back:
            after.put(lot)
        # Another crew's box served an answer that came with its log: those pieces are not of this one.
        taken = after.take(((post, pack) for pack in went_in), kerf_mm, keep=keep, known_only=True)
        further = [cut for pair in pushed for cut in after.further(*pair, post, kerf_mm)]
        after.take_cuts(further, {})
        used = Counter(dict(taken.flats))
        rows = []
        for lot in back:
            # A flat that only changes its seat never was in the box between the two.
            if lot.is_whole and used[lot.lot] > 0:
                used[lot.lot] -= 1
            else:
                rows.append(lot_to_row(lot))
        for name, place in self._names.items():
            if isinstance(place, str) and not self._kinds[place].lot.is_whole:
                used[name] += max(0, len(self.copies(name)) - len(after.copies(name)))
        for lot in after.lots():
            rest = None if lot.lot in self._names else after.parent(lot.lot)
            if rest is not None:
                of = {"lot": rest.lot, "copy": rest.copy, "start": rest.start, "end": rest.end}
                rows.append(lot_to_row(lot) | {"of": of})
        data = {
            "used": [{"lot": lot, "count": count} for lot, count in used.items() if count],
            "back": rows,
            "cut": [_cut_to_json(cut) for cut in (*taken.cuts, *further)],
        }
        return data if any(data.values()) else None

    def further(self, before: Pack, after: Pack, post: str, kerf_mm: float) -> list[Cut]:
        """What tapers that are pushed on under a post take beyond what was cut for them."""
        goes_to, found = f"{post}/{after.seat}", []

        def of_its_copy(piece: Piece) -> tuple[str, int, float]:
            return piece.lot, piece.copy or 0, piece.mark_mm or 0.0

        pairs = (sorted(pack.pieces, key=of_its_copy) for pack in (before, after))
        for old, new in zip(*pairs, strict=True):
            if not new.is_marked or new.lot not in self._names:
                continue
            (had, known), (cut, _) = (self._cut_of(piece, goes_to, kerf_mm) for piece in (old, new))
            own = [one.to_mm for one in self._kinds[cut.lot].cuts.get(cut.copy, ()) if one.goes_to == goes_to]
            from_mm = max(had.to_mm, *own) if own else had.to_mm
            if known and _steps(cut.to_mm) > _steps(from_mm):
                found.append(replace(cut, from_mm=from_mm))
        return found

    def count_taken(self, data: Mapping[str, Any], lot_of: Callable[[Mapping[str, Any]], Lot]) -> None:
        """Count a `taken` event in; one from before copies were told apart takes the first whole one."""
        rows = data.get("back", ())
        if "cut" not in data:
            self._count_without_copies(data["used"], [lot_of(row) for row in rows])
            return
        names = {}
        for row in rows:
            if "of" in row:
                of = row["of"]
                names[Remainder(of["lot"], of["copy"], of["start"], of["end"])] = row["lot"]
            else:
                self.put(lot_of(row))
        for used in data["used"]:
            place = self._names.get(used["lot"])
            if place is None or (isinstance(place, str) and self._kinds[place].lot.is_whole):
                self.out(used["lot"], used.get("count", 1))
        self.take_cuts(map(_cut_from_json, data["cut"]), names)

    def _count_without_copies(self, used: Iterable[Mapping[str, Any]], back: Sequence[Lot]) -> None:
        """Pieces out and lots back, as they were logged before copies were told apart.

        Lots that are what is left of the one copy that was cut are told as that, so that what was planned
        from the same copy is found in them.
        """
        left = list(back)
        for row in used:
            name, count = row["lot"], row.get("count", 1)
            place = self._names.get(name)
            kind = self._kinds[place] if isinstance(place, str) else None
            rests = [lot for lot in left if kind and count == 1 and kind.count and _is_rest_of(lot, kind.lot)]
            if kind is None or not rests:
                self.out(name, count)
                continue
            copy = next(kind.whole())
            names = {}
            for lot in rests:
                left.remove(lot)
                start, end = _place_in(lot, kind.lot)
                names[Remainder(kind.name, copy, start, end)] = lot.lot
            self.take_cuts(_cuts_beside(kind, copy, sorted((rest.start, rest.end) for rest in names)), names)
        for lot in left:
            self.put(lot)


def returned(packs: Iterable[Pack], lots: Sequence[Lot]) -> tuple[Lot, ...]:
    """Packs that come out again, as lots for the box (count 1 each): flats whole, wedges as short tapers."""
    by_name = {lot.lot: lot for lot in lots}
    out: list[Lot] = []
    for pack in packs:
        for piece in pack.pieces:
            origin = by_name.get(piece.lot)
            if piece.is_whole:
                plain = Lot(piece.lot, piece.form, 1)
                out.append(replace(origin or plain, count=1, thickness_mm=piece.thickness_mm))
                continue
            if piece.is_sawn:
                thin, thick = piece.thin_mm, piece.thick_mm
                length = origin.width_mm if origin else None
            else:
                length = (piece.mark_mm or 0.0) - piece.trim_tip_mm
                thick = piece.thickness_mm
                thin = thick - (origin.taper_slope if origin else 0.0) * length
            if length and thin is not None and thick is not None and 0.0 <= thin < thick:
                name, material = f"{piece.lot} from {pack.seat}", origin.material if origin else ""
                out.append(
                    Lot(
                        name, FORMS[piece.form].comes_out_as, 1, material,
                        length_mm=length, thin_mm=thin, thick_mm=thick, note="was under a post",
                    )
                )  # fmt: skip
    return tuple(out)


def taken_twice_words(one: TakenTwice) -> str:
    """A sentence on wood that two packs are said to be made of."""
    who = " and ".join(dict.fromkeys(where or "a pack" for where in one.goes_to))
    if one.from_mm is None or one.to_mm is None:
        return (
            f"strip {one.lot} no. {one.copy} is too short for all that was sawn from it ({who}): look again"
        )
    where = f"{one.from_mm:.4g} to {one.to_mm:.4g} mm"
    return f"{one.lot} no. {one.copy} was cut twice at {where} ({who}): one of the two is of other wood"


def alike(one: Lot, other: Lot) -> bool:
    """Whether pieces of two lots are the same thing, whatever the lots are called."""
    return replace(one, lot="", count=0, note="") == replace(other, lot="", count=0, note="")


def _cut_to_json(cut: Cut) -> dict[str, Any]:
    """A cut as an event holds it."""
    row: dict[str, Any] = {"lot": cut.lot, "copy": cut.copy, "piece": cut.piece, "for": cut.goes_to}
    if cut.saw_deg is None:
        return row | {"from_mm": cut.from_mm, "to_mm": cut.to_mm, "kerf_mm": cut.kerf_mm}
    return row | {
        "saw_deg": cut.saw_deg, "thin_mm": cut.thin_mm, "thick_mm": cut.thick_mm, "kerf_mm": cut.kerf_mm,
    }  # fmt: skip


def _cut_from_json(row: Mapping[str, Any]) -> Cut:
    """The same, read back."""
    return Cut(
        row["lot"], row["copy"], row.get("piece", row["lot"]),
        row.get("from_mm", 0.0), row.get("to_mm", 0.0),
        row.get("saw_deg"), row.get("thin_mm"), row.get("thick_mm"),
        row.get("kerf_mm", 2.5), row.get("for", ""),
    )  # fmt: skip


def _is_rest_of(lot: Lot, whole: Lot) -> bool:
    """Whether a lot is named and shaped as what is left of one piece of another."""
    if lot.form != whole.form or lot.is_whole or not lot.lot.startswith(f"{_root(whole.lot)}."):
        return False
    if lot.is_sawn:
        return (lot.width_mm, lot.thickness_mm) == (whole.width_mm, whole.thickness_mm)
    return abs(lot.taper_slope - whole.taper_slope) <= SAME_SLOPE


def _place_in(rest: Lot, whole: Lot) -> tuple[int, int]:
    """Where a remainder lies in the piece that it is left of."""
    assert rest.length_mm is not None
    if rest.is_sawn:
        return 0, _steps(rest.length_mm)
    assert rest.thin_mm is not None
    assert whole.thin_mm is not None
    start_mm = (rest.thin_mm - whole.thin_mm) / whole.taper_slope
    return _steps(start_mm), _steps(start_mm + rest.length_mm)


def _cuts_beside(kind: _Kind, copy: int, rests: Sequence[tuple[int, int]]) -> list[Cut]:
    """Cuts that leave just these stretches of a copy."""
    assert kind.lot.length_mm is not None
    ends = [0, *(end for rest in rests for end in rest), _steps(kind.lot.length_mm)]
    if kind.lot.is_sawn:
        ends = ends[2:]
    return [
        Cut(kind.name, copy, kind.lot.lot, start / STEPS_PER_MM, end / STEPS_PER_MM, kerf_mm=0.0)
        for start, end in zip(ends[::2], ends[1::2], strict=True)
        if end > start
    ]


def _root(name: str) -> str:
    """`T1` of `T1.2`, as remainders are named, and of `T1 from next-out`."""
    return name.split(".", maxsplit=1)[0].split(" from ", maxsplit=1)[0]


def holds(start: int, end: int, first: int, last: int) -> bool:
    """Whether a stretch that is left holds another one; a step is less than what a pencil's line covers."""
    return start - 1 <= first and last <= end + 1


def _steps(length_mm: float) -> int:
    return round(length_mm * STEPS_PER_MM)


def _with_kerf(cut: Cut) -> tuple[int, int]:
    """What a cut removes from a taper: its stretch, and a kerf where the saw went through beside it."""
    first, last, kerf = _steps(cut.from_mm), _steps(cut.to_mm), _steps(cut.kerf_mm)
    return (first - kerf if first > 0 else 0), last + kerf


def _wedge(cut: Cut) -> Wedge:
    from shimfit.core.cutting import Wedge

    return Wedge(cut.goes_to, cut.lot, cut.saw_deg or 0.0, cut.thin_mm or 0.0, cut.thick_mm or 0.0)
