"""The box piece by piece: which copy was cut where, what is left of it, and what was taken twice.

    put     like pieces come in under one name; tapers and strips are numbered 1, 2, 3 …
    take    packs are made: flats leave, a taper or strip gives a stretch of one numbered copy and the kerf
    lots    what is there: whole copies under the lot's name, remainders under names of their own

A remainder (`T1.2-82`) is a piece with its parent: lot, copy, and the stretch between two cuts. A taper gives
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
from shimfit.model import FORMS, Lot, Name, NotNegative
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from collections.abc import Set as AbstractSet

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

    lot: Name
    """The lot that the copy came in with, not the remainder's name."""
    copy: int
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
        return self.goes_to == _THROWN_OUT

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

    def twin(self) -> _Kind:
        """The same, to be changed by itself."""
        return _Kind(self.name, self.lot, self.made, set(self.gone), dict(self.cuts), dict(self._free))

    @property
    def count(self) -> int:
        return self.made - len(self.gone)

    @property
    def length_mm(self) -> float:
        assert self.lot.length_mm is not None
        return self.lot.length_mm

    def whole(self) -> list[int]:
        """Copies that nothing was cut from."""
        return [number for number in range(1, self.made + 1) if number not in self.gone]

    def lose(self, count: int) -> None:
        """Whole copies leave, the last first, as plans number from the first."""
        if self.gone:
            self.gone.update(self.whole()[-count:] if count > 0 else ())
        else:
            self.made -= min(count, self.count)

    def cut(self, cut: Cut) -> None:
        """A copy is whole no more."""
        self.gone.add(cut.copy)
        self.cuts[cut.copy] = (*self.cuts.get(cut.copy, ()), cut)
        self._free.pop(cut.copy, None)

    def free(self, number: int) -> list[tuple[int, int]]:
        """Stretches of a copy that no cut has reached, thin end first; of a strip what is left, if any."""
        if number not in self._free:
            cuts, end, at = self.cuts.get(number, ()), _steps(self.length_mm), 0
            found = []
            if self.lot.is_sawn:
                end = _steps(self.length_mm - self._sawn_mm(cuts))
            else:
                for first, last in sorted(map(_with_kerf, cuts)):
                    if first > at:
                        found.append((at, min(first, end)))
                    at = max(at, last)
            self._free[number] = [*found, (at, end)] if at < end else found
        return self._free[number]

    def fits(self, number: int, cut: Cut) -> bool:
        """Whether a copy still has what a cut takes."""
        if self.lot.is_sawn:
            return self._sawn_mm((*self.cuts.get(number, ()), cut)) <= self.length_mm
        return any(_holds(stretch, cut) for stretch in self.free(number))

    def _sawn_mm(self, cuts: Iterable[Cut]) -> float:
        """Length that wedges took; the first end is trimmed once per setting on what was one piece then."""
        pieces: dict[str, list[Cut]] = defaultdict(list)
        taken_mm = 0.0
        for cut in cuts:
            if cut.saw_deg is None:
                taken_mm += cut.to_mm - cut.from_mm
            else:
                pieces[cut.piece].append(cut)
        if pieces:
            # The first screen waits for this room; few boxes hold strips.
            from shimfit.core.cutting import Wedge, takes_mm
            from shimfit.core.packing.options import Saw

            for some in pieces.values():
                wedges = [
                    Wedge("", cut.lot, cut.saw_deg or 0.0, cut.thin_mm or 0.0, cut.thick_mm or 0.0)
                    for cut in some
                ]
                taken_mm += takes_mm(self.lot, wedges, Saw(kerf_mm=some[0].kerf_mm))
        return taken_mm

    def part(self, name: str, rest: Remainder) -> Lot:
        """A remainder as a lot of its own."""
        lot = replace(self.lot, lot=name, count=1, origin="offcut")
        if lot.is_sawn:
            return replace(lot, length_mm=rest.end / STEPS_PER_MM)
        assert lot.thin_mm is not None
        to_the_end = rest.end == _steps(self.length_mm)
        end_mm = self.length_mm if to_the_end else rest.end / STEPS_PER_MM
        return replace(
            lot,
            length_mm=round(end_mm - rest.start_mm, 9),
            thin_mm=lot.thin_mm + lot.taper_slope * rest.start_mm,
            thick_mm=lot.thick_mm if to_the_end else lot.thin_mm + lot.taper_slope * end_mm,
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
        other = Ledger()
        other._kinds = {key: kind.twin() for key, kind in self._kinds.items()}
        other._names = dict(self._names)
        other._short, other._twice = Counter(self._short), list(self._twice)
        return other

    def to_rows(self) -> dict[str, Any]:
        """Everything, in JSON, for `from_rows`: values as rows of their fields, in order."""
        kinds = [
            (
                kind.name, astuple(kind.lot), kind.made, sorted(kind.gone),
                [(number, list(map(astuple, cuts))) for number, cuts in kind.cuts.items()],
            )
            for kind in self._kinds.values()
        ]  # fmt: skip
        names = [
            (name, place if isinstance(place, str) else astuple(place)) for name, place in self._names.items()
        ]
        return {
            "kinds": kinds,
            "names": names,
            "short": list(self._short.items()),
            "twice": list(map(astuple, self._twice)),
        }

    @classmethod
    def from_rows(cls, rows: Mapping[str, Any]) -> Ledger:
        """Inverse of to_rows."""
        ledger = cls()
        for name, lot, made, gone, cut in rows["kinds"]:
            cuts = {number: tuple(Cut(*one) for one in some) for number, some in cut}
            ledger._kinds[name] = _Kind(name, Lot(*lot), made, set(gone), cuts)
        for name, place in rows["names"]:
            ledger._names[name] = place if isinstance(place, str) else Remainder(*place)
        ledger._short.update(dict(rows["short"]))
        ledger._twice = [replace(TakenTwice(*one), goes_to=tuple(one[4])) for one in rows["twice"]]
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
        kind = self._kind(name)
        return () if kind is None else tuple(kind.whole())

    def _kind(self, name: str) -> _Kind | None:
        """The pieces that came in under a name; None for a remainder, and where nothing had the name."""
        place = self._names.get(name)
        return self._kinds[place] if isinstance(place, str) else None

    def _all(self) -> Iterator[Lot]:
        for name, place in self._names.items():
            if isinstance(place, str):
                kind = self._kinds[place]
                yield replace(kind.lot, lot=name, count=max(0, kind.count))
            else:
                lot = self._kinds[place.lot].part(name, place)
                yield lot if self._is_there(place) else replace(lot, count=0)

    def _is_there(self, one: Remainder) -> bool:
        return (one.start, one.end) in self._kinds[one.lot].free(one.copy)

    # ------------------------------------------------------------ in and out by count

    def put(self, lot: Lot) -> str:
        """Put pieces in: more of a lot that is alike, else a lot of its own (`A2 (2)`): never mixed."""

        def is_its(name: str) -> bool:
            kind = self._kind(name)
            return name not in self._names or (kind is not None and alike(kind.lot, lot))

        name = _numbered(lot.lot, " ({})", is_its)
        if name not in self._names:
            self._begin(name, lot)
        self._kinds[str(self._names[name])].made += lot.count
        return name

    def _begin(self, name: str, lot: Lot) -> None:
        key = _numbered(name, "~{}", lambda key: key not in self._kinds)
        self._kinds[key] = _Kind(key, replace(lot, lot=name, count=0))
        self._names[name] = key

    def count_again(self, lots: Iterable[Lot]) -> None:
        """Lots as counted now, in place of what goes by the same names; copies keep their numbers."""
        counted: set[str] = set()
        for lot in lots:
            if lot.lot not in counted and lot.lot in self._names:
                self.out(lot.lot)
                kind = self._kind(lot.lot)
                if kind is not None and alike(kind.lot, lot):
                    kind.lot = replace(lot, count=0)
                    kind.gone -= set(sorted(kind.gone - kind.cuts.keys())[: lot.count])
                    lot = replace(lot, count=lot.count - kind.count)  # noqa: PLW2901 - the rest of it comes in
                else:
                    self._begin(lot.lot, lot)
            counted.add(self.put(lot))

    def out(self, name: str, count: int | None = None) -> None:
        """Pieces leave for something else than a pack, all when no count is given."""
        rest, kind = self.parent(name), self._kind(name)
        there = int(self._is_there(rest)) if rest else kind.count if kind else 0
        if rest is not None and there and count != 0:
            ends_mm = rest.start_mm, rest.end / STEPS_PER_MM
            self._cut(Cut(rest.lot, rest.copy, name, *ends_mm, kerf_mm=0.0, goes_to=_THROWN_OUT))
        elif kind is not None:
            kind.lose(there if count is None else count)
        if count is not None and count > there:
            self._short[name] += count - max(0, there)

    # ------------------------------------------------------------ packs

    def take(
        self,
        packs: Iterable[tuple[str, Pack]],
        kerf_mm: float,
        *,
        keep: Mapping[str, AbstractSet[int]] | None = None,
        known_only: bool = False,
    ) -> Taken:
        """Make packs, given with the post that each goes to; UsageError for a lot that never was in the box.

        known_only: pieces of such a lot are left as they are instead.

        A piece that says its copy is cut from it. Others go on a copy that is cut here anyway, else on the
        first whole one (those in `keep` last), thin ends first, which takes the fewest copies there can be.
        """
        packs = tuple(packs)
        flats: Counter[str] = Counter()
        wants: list[tuple[tuple[int, int], Cut]] = []
        """(pack and piece, the cut)."""
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
                    wants.append(((at, which), self._cut_of(piece, goes_to, kerf_mm)))
        for name, count in flats.items():
            self.out(name, count)
        # What says its copy goes first: the others find room beside it.
        wants.sort(key=lambda one: (not one[1].copy, one[1].from_mm, one[1].to_mm, one[0]))
        touched: dict[str, list[int]] = defaultdict(list)
        made: dict[tuple[int, int], Cut] = {}
        for where, want in wants:
            copy = want.copy or self._choose(want, touched[want.lot], (keep or {}).get(want.lot))
            made[where] = cut = replace(want, copy=copy)
            if copy not in touched[cut.lot]:
                touched[cut.lot].append(copy)
            self._cut(cut)
        self._name_remainders(touched)

        def with_copy(piece: Piece, cut: Cut | None) -> Piece:
            """Said where the lot has or had several."""
            if cut is None or piece.lot != cut.piece or self.parent(piece.lot):
                return piece
            return replace(piece, copy=cut.copy if self._kinds[cut.lot].made > 1 else None)

        with_copies = tuple(
            replace(
                pack, pieces=tuple(with_copy(one, made.get((at, w))) for w, one in enumerate(pack.pieces))
            )
            for at, (_, pack) in enumerate(packs)
        )
        return Taken(with_copies, tuple(made[where] for where in sorted(made)), tuple(flats.items()))

    def take_cuts(self, cuts: Iterable[Cut], names: Mapping[Remainder, str]) -> None:
        """Cuts as they were logged; `names` are what the remainders were called then."""
        touched: dict[str, list[int]] = defaultdict(list)
        for cut in cuts:
            if cut.lot in self._kinds:
                self._cut(cut)
                touched[cut.lot].append(cut.copy)
            else:
                self._short[cut.lot] += 1
        self._name_remainders(touched, names)

    def _cut_of(self, piece: Piece, goes_to: str = "", kerf_mm: float = 0.0) -> Cut:
        """The cut that a piece is, from the original thin end of its copy; copy 0: still to be chosen."""
        rest, kind = self.parent(piece.lot), self._kind(piece.lot)
        if kind is not None:
            key, copy, start_mm = kind.name, piece.copy or int(kind.made == 1), 0.0
        else:
            assert rest is not None
            key, copy, start_mm = rest.lot, rest.copy, rest.start_mm
        cut = Cut(key, copy, piece.lot, kerf_mm=kerf_mm, goes_to=goes_to)
        if self._kinds[key].lot.is_sawn:
            edges_mm = piece.thin_mm or 0.0, piece.thick_mm or 0.0
            return replace(cut, saw_deg=piece.saw_deg or 0.0, thin_mm=edges_mm[0], thick_mm=edges_mm[1])
        from_mm, to_mm = (round(start_mm + mm, 9) for mm in (piece.trim_tip_mm, piece.mark_mm or 0.0))
        return replace(cut, from_mm=from_mm, to_mm=to_mm)

    def _choose(self, cut: Cut, touched: Sequence[int], keep: AbstractSet[int] | None) -> int:
        kind = self._kinds[cut.lot]
        for number in touched:
            if kind.fits(number, cut):
                return number
        whole = kind.whole()
        free = [number for number in whole if number not in (keep or ())] or whole
        begun = (number for number in kind.cuts if kind.fits(number, cut))
        return free[0] if free else next(begun, 1)

    def _cut(self, cut: Cut) -> None:
        kind = self._kinds[cut.lot]
        before = kind.cuts.get(cut.copy, ())
        if cut.copy > kind.made:
            self._short[kind.lot.lot] += 1
            return
        if not cut.is_thrown_out:
            if cut.copy in kind.gone and not before:
                self._short[kind.lot.lot] += 1
            elif kind.lot.is_sawn:
                if not kind.fits(cut.copy, cut):
                    goes_to = (*(one.goes_to for one in before), cut.goes_to)
                    self._twice.append(TakenTwice(cut.lot, cut.copy, None, None, goes_to))
            else:
                for one in before:
                    first, last = max(one.from_mm, cut.from_mm), min(one.to_mm, cut.to_mm)
                    if _steps(first) < _steps(last):
                        goes_to = one.goes_to, cut.goes_to
                        self._twice.append(TakenTwice(cut.lot, cut.copy, first, last, goes_to))
        kind.cut(cut)

    def _name_remainders(
        self, touched: Mapping[str, Iterable[int]], names: Mapping[Remainder, str] | None = None
    ) -> None:
        """Give what is left of copies a name, where it is new and long enough to be kept.

        names: what they were called when they were cut. Else `T1.2-82`: of T1 no. 2, from 82 mm on; a strip
        that gets shorter stays `S1.2`. So the name that stands on the wood is the same in whatever order it
        was cut, and a piece that is cut again keeps it.
        """
        known = {place for place in self._names.values() if isinstance(place, Remainder)}
        for key, copies in touched.items():
            kind = self._kinds[key]
            for copy in sorted(set(copies)):
                for start, end in kind.free(copy):
                    rest = Remainder(key, copy, start, end)
                    if rest in known or end - start < SHORTEST_KEPT_MM * STEPS_PER_MM:
                        continue
                    from_mm = "" if kind.lot.is_sawn else f"-{rest.start_mm:.0f}"
                    wanted = (names or {}).get(rest) or f"{kind.lot.lot}.{copy}{from_mm}"

                    def is_free(name: str, begins: tuple[str, int, int] = (key, copy, start)) -> bool:
                        """Nobody has it, or the piece before it, which was cut again."""
                        before = self.parent(name)
                        if before is None:
                            return name not in self._names
                        return (before.lot, before.copy, before.start) == begins

                    self._names[_numbered(wanted, " ({})", is_free)] = rest

    # ------------------------------------------------------------ for asking

    def lacking(self, packs: Iterable[Pack]) -> frozenset[str]:
        """Lots of which these packs, yet to be made, want more than there is.

        What was cut for a pack is in hand; what was taken out of the box is not. Lots that never were in it
        are left out.
        """
        flats: Counter[str] = Counter()
        lots = set()
        for piece in _pieces(packs):
            if piece.is_whole and self._kind(piece.lot):
                flats[piece.lot] += 1
            elif piece.lot in self._names and not self._is_to_be_had(piece):
                lots.add(piece.lot)
        counts = {lot: kind.count for lot in flats if (kind := self._kind(lot))}
        return frozenset(lots | {lot for lot, many in flats.items() if many > counts[lot]})

    def _is_to_be_had(self, piece: Piece) -> bool:
        """A taper or strip is whole, was cut for what wants it, or a remainder of it is there."""
        cut = self._cut_of(piece)
        kind = self._kinds[cut.lot]
        if not cut.copy:
            return kind.count > 0 or any(kind.free(copy) for copy in kind.cuts)
        if cut.copy not in kind.gone:
            return cut.copy <= kind.made
        cuts = kind.cuts.get(cut.copy, ())
        if piece.is_sawn:
            return any(not one.is_thrown_out for one in cuts)
        return bool(cuts) and not any(
            one.is_thrown_out and one.from_mm < cut.to_mm and cut.from_mm < one.to_mm for one in cuts
        )

    def after(self, packs: Iterable[Pack], kerf_mm: float = KERF_MM) -> Ledger:
        """The box once these packs are made."""
        after = self.copy()
        after.take((("", pack) for pack in packs), kerf_mm, known_only=True)
        return after

    def without(self, promised: Iterable[Pack], kerf_mm: float = KERF_MM) -> tuple[Lot, ...]:
        """The box less what these packs will use: of a piece that they cut, what they leave is offered still.

        Flats that are promised more often than they are there are left out: the box was counted wrong.
        """
        left = {lot.lot: lot for lot in self.after(promised, kerf_mm).lots()}
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
        the one that is named first the lowest. What is cut from the rest of a promised piece is named as a
        stretch of that piece, whichever of the two is cut first.
        back: lots that come out from under the post and were offered too.
        """
        after = self.after(promised, kerf_mm)
        for lot in back:
            after.put(lot)
        named: dict[str, list[int]] = defaultdict(list)

        def known(piece: Piece) -> Piece:
            rest = None if piece.lot in self._names else after.parent(piece.lot)
            if rest is not None and rest.lot in self._kinds:
                return self.in_whole(piece, rest)
            if piece.is_whole or piece.copy is None:
                return piece
            whole, seen = after.copies(piece.lot), named[piece.lot]
            if piece.copy not in seen:
                seen.append(piece.copy)
            at = seen.index(piece.copy)
            return replace(piece, copy=whole[at]) if at < len(whole) else piece

        by_copy = [replace(pack, pieces=tuple(map(known, pack.pieces))) for pack in packs]
        return after.take((("", pack) for pack in by_copy), kerf_mm, known_only=True).packs

    def in_whole(self, piece: Piece, rest: Remainder) -> Piece:
        """A piece of a remainder as the same stretch of the copy that the remainder is of."""
        kind = self._kinds[rest.lot]
        piece = replace(piece, lot=kind.lot.lot, copy=rest.copy if kind.made > 1 else None)
        if piece.is_sawn or piece.mark_mm is None:
            return piece
        mark_mm, tip_mm = (round(mm + rest.start_mm, 9) for mm in (piece.mark_mm, piece.trim_tip_mm))
        return replace(piece, mark_mm=mark_mm, trim_tip_mm=tip_mm)

    def as_it_lies(self, packs: Iterable[Pack]) -> list[Pack]:
        """Packs as they would be made now: of a copy that was cut since, from what is left of it.

        Where that piece is cut off already (nothing holds it that is long enough to be kept) it is in hand,
        and left out. A name that nothing has or had stays as it is.
        """
        lie = [(pack, [self._as_it_lies(piece) for piece in pack.pieces]) for pack in packs]
        return [replace(pack, pieces=tuple(one for one in pieces if one)) for pack, pieces in lie]

    def _as_it_lies(self, piece: Piece) -> Piece | None:
        if piece.is_whole or piece.lot not in self._names:
            return piece
        cut = self._cut_of(piece)
        kind = self._kinds[cut.lot]
        if cut.copy not in kind.gone and (cut.copy or kind.count):
            return piece
        for name, rest in self._names.items():
            if not isinstance(rest, Remainder) or rest.lot != cut.lot or not self._is_there(rest):
                continue
            if cut.copy not in (0, rest.copy):
                continue
            if piece.is_sawn:
                return replace(piece, lot=name, copy=None)
            if _holds((rest.start, rest.end), cut):
                mark_mm, tip_mm = (round(mm - rest.start_mm, 9) for mm in (cut.to_mm, cut.from_mm))
                return replace(piece, lot=name, copy=None, mark_mm=mark_mm, trim_tip_mm=max(0.0, tip_mm))
        return None

    # ------------------------------------------------------------ what is logged

    def moved(
        self, came_out: Sequence[Pack], went_in: Sequence[Pack], post: str, kerf_mm: float, *,
        promised: Callable[[], Iterable[Pack]] = tuple, pushed: Iterable[tuple[Pack, Pack]] = (),
    ) -> dict[str, Any] | None:  # fmt: skip
        """Data of a `taken` event for packs that came out and others that went in; None: nothing moves.

        promised: packs yet to be made: nothing else is cut from their copies where another is there; asked
        for where a piece leaves it open which of several it is cut from. pushed: packs of the same pieces,
        before and after: a taper that is pushed on takes more of its copy.

        `used` flats and copies that are whole no more, `cut` which stretch of which copy, `back` what came
        out and, with `of`, what is left of the copies.
        """
        back = returned(came_out, (*self.lots(), *self.used_up()))
        after = self.copy()
        for lot in back:
            after.put(lot)
        keep: dict[str, set[int]] = defaultdict(set)
        if any(
            not piece.is_whole and piece.copy is None and len(self.copies(piece.lot)) > 1
            for piece in _pieces(went_in)
        ):
            waits = (("", pack) for pack in promised())
            for cut in self.copy().take(waits, kerf_mm, known_only=True).cuts:
                keep[cut.lot].add(cut.copy)
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
        for name in self._names:
            kind = self._kind(name)
            if kind is not None and not kind.lot.is_whole:
                used[name] += max(0, len(self.copies(name)) - len(after.copies(name)))
        for lot in after.lots():
            rest = None if lot.lot in self._names else after.parent(lot.lot)
            if rest is not None:
                of = {"lot": rest.lot, "copy": rest.copy, "start": rest.start, "end": rest.end}
                rows.append(lot_to_row(lot) | {"of": of})
        data = {
            "used": [{"lot": lot, "count": count} for lot, count in used.items() if count],
            "back": rows,
            "cut": [cut.to_json() for cut in (*taken.cuts, *further)],
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
            had, cut = (self._cut_of(piece, goes_to, kerf_mm) for piece in (old, new))
            own = [one.to_mm for one in self._kinds[cut.lot].cuts.get(cut.copy, ()) if one.goes_to == goes_to]
            from_mm = max(had.to_mm, *own) if own else had.to_mm
            if had.copy and _steps(cut.to_mm) > _steps(from_mm):
                found.append(replace(cut, from_mm=from_mm))
        return found

    def count_taken(self, data: Mapping[str, Any], lot_of: Callable[[Mapping[str, Any]], Lot]) -> None:
        """Count a `taken` event in; one from before copies were numbered takes the first whole one."""
        if "cut" not in data:
            self._count_without_copies(data["used"], [lot_of(row) for row in data.get("back", ())])
            return
        names = {}
        for row in data.get("back", ()):
            if "of" in row:
                of = row["of"]
                names[Remainder(of["lot"], of["copy"], of["start"], of["end"])] = row["lot"]
            else:
                self.put(lot_of(row))
        for used in data["used"]:
            kind = self._kind(used["lot"])
            if used["lot"] not in self._names or (kind is not None and kind.lot.is_whole):
                self.out(used["lot"], used.get("count", 1))
        self.take_cuts(map(Cut.from_json, data["cut"]), names)

    def _count_without_copies(self, used: Iterable[Mapping[str, Any]], back: Sequence[Lot]) -> None:
        """Pieces out and lots back, as they were logged before copies were numbered.

        Lots that are what is left of the one copy that was cut are named as that, so that what was planned
        from the same copy is found in them.
        """
        left = list(back)
        for row in used:
            name, count = row["lot"], row.get("count", 1)
            kind = self._kind(name)
            rests = [lot for lot in left if kind and count == 1 and kind.count and _is_rest_of(lot, kind.lot)]
            if kind is None or not rests:
                self.out(name, count)
                continue
            copy, whole = kind.whole()[0], kind.lot
            names = {}
            for lot in rests:
                left.remove(lot)
                start_mm = 0.0
                if not whole.is_sawn:
                    start_mm = ((lot.thin_mm or 0.0) - (whole.thin_mm or 0.0)) / whole.taper_slope
                end_mm = start_mm + (lot.length_mm or 0.0)
                names[Remainder(kind.name, copy, _steps(start_mm), _steps(end_mm))] = lot.lot
            # Cuts that leave just these stretches of the copy.
            rests_of = sorted((rest.start, rest.end) for rest in names)
            ends = [0, *(end for rest in rests_of for end in rest), _steps(kind.length_mm)]
            ends = ends[2:] if whole.is_sawn else ends
            cuts = [
                Cut(kind.name, copy, whole.lot, first / STEPS_PER_MM, last / STEPS_PER_MM, kerf_mm=0.0)
                for first, last in zip(ends[::2], ends[1::2], strict=True)
                if last > first
            ]
            self.take_cuts(cuts, names)
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
                form = FORMS[piece.form].comes_out_as
                lot = Lot(name, form, 1, material, length_mm=length, thin_mm=thin, thick_mm=thick)
                out.append(replace(lot, note="was under a post"))
    return tuple(out)


def taken_twice_words(one: TakenTwice) -> str:
    """A sentence on wood that two packs are said to be made of."""
    who = " and ".join(dict.fromkeys(where or "a pack" for where in one.goes_to))
    which = f"{one.lot} no. {one.copy}"
    if one.from_mm is None or one.to_mm is None:
        return f"strip {which} is too short for all that was sawn from it ({who}): look again"
    where = f"{one.from_mm:.4g} to {one.to_mm:.4g} mm"
    return f"{which} was cut twice at {where} ({who}): one of the two is of other wood"


def alike(one: Lot, other: Lot) -> bool:
    """Whether pieces of two lots are the same thing, whatever the lots are called."""
    return replace(one, lot="", count=0, note="") == replace(other, lot="", count=0, note="")


def _is_rest_of(lot: Lot, whole: Lot) -> bool:
    """Whether a lot is named (`T1.2` of `T1` or `T1 from next-out`) and shaped as what is left of another."""
    root = whole.lot.split(".", maxsplit=1)[0].split(" from ", maxsplit=1)[0]
    if lot.form != whole.form or lot.is_whole or not lot.lot.startswith(f"{root}."):
        return False
    if lot.is_sawn:
        return (lot.width_mm, lot.thickness_mm) == (whole.width_mm, whole.thickness_mm)
    return abs(lot.taper_slope - whole.taper_slope) <= SAME_SLOPE


def _numbered(name: str, more: str, is_free: Callable[[str], bool]) -> str:
    """The name, or with 2, 3 … behind it the first that is free."""
    one, number = name, 1
    while not is_free(one):
        number += 1
        one = name + more.format(number)
    return one


def _pieces(packs: Iterable[Pack]) -> Iterator[Piece]:
    return (piece for pack in packs for piece in pack.pieces)


def _holds(stretch: tuple[int, int], cut: Cut) -> bool:
    """Whether a stretch that is left holds a cut; a step is less than what a pencil's line covers."""
    return stretch[0] - 1 <= _steps(cut.from_mm) and _steps(cut.to_mm) <= stretch[1] + 1


def _steps(length_mm: float) -> int:
    return round(length_mm * STEPS_PER_MM)


def _with_kerf(cut: Cut) -> tuple[int, int]:
    """What a cut removes from a taper: its stretch, and a kerf where the saw went through beside it."""
    first, last, kerf = _steps(cut.from_mm), _steps(cut.to_mm), _steps(cut.kerf_mm)
    return (first - kerf if first > 0 else 0), last + kerf
