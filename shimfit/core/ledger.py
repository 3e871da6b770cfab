"""The box piece by piece: which copy was cut where, what is left of it, and what was taken twice.

    put     like pieces come in under one name; tapers and strips are numbered 1, 2, 3 …
    take    packs are made: flats leave, a taper or strip gives a stretch of one numbered copy and the kerf
    lots    what is there: whole copies under the lot's name, remainders under names of their own

The one stock ledger: the box of a data file, what a plan leaves of it, and what others are promised are all
asked of it, so that what is planned from is what will be there. A remainder is a piece with its parent: lot,
copy, and the stretch between two cuts. A taper gives the stretch that goes under the foot; its thin tip and
its thick rest go back when they are long enough to be used again. A strip gets shorter by what its wedges
take. What a copy has given is a set of stretches, so that it does not matter in which order they were cut: a
plan's cut sheet and the box after its last pack are one and the same.

A stretch that was cut already, or a piece that the box does not hold, is taken all the same (the wood is
under a post) and listed: `taken_twice`, `short`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import astuple, replace
from typing import TYPE_CHECKING, Any

from shimfit.core.cutting import (
    KERF_MM,
    SHORTEST_KEPT_MM,
    STEPS_PER_MM,
    THROWN_OUT,
    Copies,
    Cut,
    Remainder,
    TakenTwice,
    cuts_between,
    holds,
    is_rest_of,
    marked,
    moved_packs,
    numbered_name,
    returned,
    shifted,
    steps,
    takes_mm,
)
from shimfit.core.foot import clean
from shimfit.core.stock import lot_to_row
from shimfit.errors import UsageError
from shimfit.model import Lot
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

    from shimfit.model import Pack, Piece


@dataclass(frozen=True, slots=True)
class Taken:
    """What making some packs took."""

    packs: tuple[Pack, ...]
    """The packs with the copy of each taper and strip of which there are or were several."""
    cuts: tuple[Cut, ...]
    """In the order of the packs' pieces."""
    flats: tuple[tuple[str, int], ...]
    """(lot, pieces)."""
    no_room: frozenset[str]
    """Lots of which no copy, or not the one that is said, had what a piece takes: it was cut all the same."""


class Ledger:
    """The box, changed by each entry in turn; `copy` is cheap and independent."""

    def __init__(self, lots: Iterable[Lot] = ()) -> None:
        self._kinds: dict[str, Copies] = {}
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
        kinds = []
        for kind in self._kinds.values():
            cuts = [(number, list(map(astuple, some))) for number, some in kind.cuts.items()]
            kinds.append((kind.name, astuple(kind.lot), kind.made, sorted(kind.gone), cuts))
        places = self._names.items()
        return {
            "kinds": kinds,
            "names": [(name, place if isinstance(place, str) else astuple(place)) for name, place in places],
            "short": list(self._short.items()),
            "twice": list(map(astuple, self._twice)),
        }

    @classmethod
    def from_rows(cls, rows: Mapping[str, Any]) -> Ledger:
        """Inverse of to_rows."""
        ledger = cls()
        for name, lot, made, gone, cut in rows["kinds"]:
            cuts = {number: tuple(Cut(*one) for one in some) for number, some in cut}
            ledger._kinds[name] = Copies(name, Lot(*lot), made, set(gone), cuts)
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

    def _kind(self, name: str) -> Copies | None:
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

        name = numbered_name(lot.lot, " ({})", is_its)
        if name not in self._names:
            self._begin(name, lot)
        self._kinds[str(self._names[name])].made += lot.count
        return name

    def _begin(self, name: str, lot: Lot) -> None:
        key = numbered_name(name, "~{}", lambda key: key not in self._kinds)
        self._kinds[key] = Copies(key, replace(lot, lot=name, count=0))
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
        """Pieces leave for something else than a pack, all when no count is given; the last copies first."""
        rest, kind = self.parent(name), self._kind(name)
        there = max(0, int(self._is_there(rest)) if rest else kind.count if kind else 0)
        leave = there if count is None else count
        if rest is not None and there and leave:
            ends_mm = rest.start_mm, rest.end / STEPS_PER_MM
            self._cut(Cut(rest.lot, rest.copy, name, *ends_mm, kerf_mm=0.0, goes_to=THROWN_OUT))
        elif kind is not None and kind.gone:
            kind.gone.update(kind.whole()[-leave:] if leave > 0 else ())
        elif kind is not None:
            kind.made -= min(leave, there)
        if leave > there:
            self._short[name] += leave - there

    # ------------------------------------------------------------ packs

    def take(
        self,
        packs: Iterable[tuple[str, Pack]],
        kerf_mm: float = KERF_MM,
        *,
        hold_mm: float = 0.0,
        keep: Mapping[str, Collection[int]] | None = None,
        known_only: bool = False,
    ) -> Taken:
        """Make packs, given with the post that each goes to; UsageError for a lot that never was in the box.

        known_only: pieces of such a lot are left as they are instead.

        A piece that says its copy is cut from it. Others go on a copy that is cut here anyway, else on the
        first whole one (those in `keep` last): tapers thin ends first, which takes the fewest copies there
        can be, a stretch where its tip is off if it is anywhere; wedges largest setting first, longest first,
        where hold_mm of the strip stays in the hand.
        """
        packs = tuple(packs)
        flats: Counter[str] = Counter()
        wants: dict[tuple[int, int], Cut] = {}
        """Cut by (pack, piece)."""
        settings: dict[tuple[str, float | None], list[Cut]] = defaultdict(list)
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
                    continue
                cut = self._cut_of(piece, f"{post}/{pack.seat}" if post else str(pack.seat), kerf_mm)
                wants[at, which] = cut
                settings[cut.lot, cut.saw_deg].append(cut)
        for name, count in flats.items():
            self.out(name, count)
        setting_mm = {
            (lot, deg): 0.0 if deg is None else takes_mm(self._kinds[lot].lot, cuts)
            for (lot, deg), cuts in settings.items()
        }

        def in_turn(where: tuple[int, int]) -> tuple[object, ...]:
            """What says its copy goes first: the others find room beside it."""
            cut = wants[where]
            largest = -setting_mm[cut.lot, cut.saw_deg], cut.saw_deg or 0.0
            return not cut.copy, *largest, cut.from_mm, cut.to_mm, -cut.mean_mm, where

        touched: dict[str, list[int]] = defaultdict(list)
        no_room = set()
        for where in sorted(wants, key=in_turn):
            cut, kind = wants[where], self._kinds[wants[where].lot]
            whole, kept = kind.whole(), (keep or {}).get(cut.lot, ())
            tried = (*touched[cut.lot], *sorted(whole, key=lambda copy: copy in kept), *kind.cuts)
            tried = (cut.copy,) if cut.copy else tried
            fit = [copy for slack in (0, 1) for copy in tried if kind.fits(copy, cut, hold_mm, slack)]
            copy = next((copy for copy in fit if kind.begins_at(copy, cut)), next(iter(fit), 0))
            if not copy:
                no_room.add(kind.lot.lot)
            wants[where] = cut = replace(cut, copy=copy or cut.copy or next(iter(whole), 1))
            if cut.copy not in touched[cut.lot]:
                touched[cut.lot].append(cut.copy)
            self._cut(cut)
        self._name_remainders(touched)

        def with_copy(piece: Piece, cut: Cut | None) -> Piece:
            """Said where the lot has or had several."""
            if cut is None or piece.lot != cut.piece or self.parent(piece.lot):
                return piece
            return replace(piece, copy=cut.copy if self._kinds[cut.lot].made > 1 else None)

        made = []
        for at, (_, pack) in enumerate(packs):
            pieces = (with_copy(piece, wants.get((at, which))) for which, piece in enumerate(pack.pieces))
            made.append(replace(pack, pieces=tuple(pieces)))
        return Taken(tuple(made), tuple(wants.values()), tuple(flats.items()), frozenset(no_room))

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
        from_mm, to_mm = (clean(start_mm + mm) for mm in (piece.trim_tip_mm, piece.mark_mm or 0.0))
        return replace(cut, from_mm=from_mm, to_mm=to_mm)

    def _cut(self, cut: Cut) -> None:
        kind = self._kinds[cut.lot]
        if cut.copy > kind.made:
            self._short[kind.lot.lot] += 1
            return
        if cut.copy in kind.gone and not kind.cuts.get(cut.copy) and not cut.is_thrown_out:
            self._short[kind.lot.lot] += 1
        self._twice += kind.cut(cut)

    def _name_remainders(
        self, touched: Mapping[str, Iterable[int]], names: Mapping[Remainder, str] | None = None
    ) -> None:
        """Mark what is left of copies, where it is new and long enough to be kept.

        names: what they were called when they were cut. Else as `marked` has it, so that the mark on the wood
        is the same in whatever order it was cut; and a piece that is cut again keeps it.
        """
        places = [(name, place) for name, place in self._names.items() if isinstance(place, Remainder)]
        known = {place for _, place in places}
        begin_at = {(place.lot, place.copy, place.start): name for name, place in places}
        for key, copies in touched.items():
            kind = self._kinds[key]
            for copy in sorted(set(copies) & set(range(1, kind.made + 1))):
                for start, end in kind.free(copy):
                    rest = Remainder(key, copy, start, end)
                    if rest in known or end - start < SHORTEST_KEPT_MM * STEPS_PER_MM:
                        continue
                    given = (names or {}).get(rest) or begin_at.get((key, copy, start))

                    def is_free(name: str, begins: tuple[str, int, int] = (key, copy, start)) -> bool:
                        """Nobody has it, or the piece before it, which was cut again."""
                        before = self.parent(name)
                        if before is None:
                            return name not in self._names
                        return (before.lot, before.copy, before.start) == begins

                    if given is not None:
                        name = numbered_name(given, " ({})", is_free)
                    else:
                        start_mm = None if kind.lot.is_sawn else rest.start_mm
                        name = marked(kind.lot.lot, copy if kind.made > 1 else 0, start_mm, is_free)
                    self._names[name] = rest

    # ------------------------------------------------------------ for asking

    def lacking(self, packs: Iterable[Pack]) -> frozenset[str]:
        """Lots of which these packs, yet to be made, want more than there is, or one stretch twice.

        What was cut for a pack is in hand; what was taken out of the box is not. Lots that never were in it
        are left out.
        """
        flats: Counter[str] = Counter()
        lots = set()
        stretches: dict[tuple[str, int], list[Cut]] = defaultdict(list)
        for pack in packs:
            for piece in pack.pieces:
                kind = self._kind(piece.lot)
                if piece.is_whole and kind is not None:
                    flats[piece.lot] += 1
                    lots |= {piece.lot} if flats[piece.lot] > kind.count else set()
                elif piece.lot in self._names:
                    cut = self._cut_of(piece)
                    before = stretches[cut.lot, cut.copy]
                    twice = [one.piece for one in before if cut.copy and _overlap(one, cut)]
                    lots.update(twice)
                    if twice or not self._is_to_be_had(piece):
                        lots.add(piece.lot)
                    before.append(cut)
        return frozenset(lots)

    def _is_to_be_had(self, piece: Piece) -> bool:
        """A strip was cut for what wants it or is whole; of a taper the stretch is on a copy still."""
        cut = self._cut_of(piece)
        kind = self._kinds[cut.lot]
        copies = (cut.copy,) if cut.copy else range(1, kind.made + 1)
        there = [
            copy for copy in copies if copy <= kind.made and (copy not in kind.gone or copy in kind.cuts)
        ]
        if piece.is_sawn:
            return any(
                copy not in kind.gone or not all(one.is_thrown_out for one in kind.cuts[copy])
                for copy in there
            )
        return any(kind.fits(copy, cut) for copy in there)

    def after(self, packs: Iterable[Pack], kerf_mm: float = KERF_MM, hold_mm: float = 0.0) -> Ledger:
        """The box once these packs are made."""
        after = self.copy()
        after.take((("", pack) for pack in packs), kerf_mm, hold_mm=hold_mm, known_only=True)
        return after

    def without(self, promised: Iterable[Pack], kerf_mm: float = KERF_MM) -> tuple[Lot, ...]:
        """The box less what these packs will use: of a piece that they cut, what they leave is offered still.

        Flats that are promised more often than they are there are left out: the box was counted wrong.
        """
        left = {lot.lot: lot for lot in self.after(promised, kerf_mm).lots()}
        here = [left.pop(lot.lot) for lot in self.lots() if lot.lot in left]
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
                return after.in_whole(piece)
            if piece.is_whole or piece.copy is None:
                return piece
            whole, seen = after.copies(piece.lot), named[piece.lot]
            if piece.copy not in seen:
                seen.append(piece.copy)
            at = seen.index(piece.copy)
            return replace(piece, copy=whole[at]) if at < len(whole) else piece

        by_copy = (("", replace(pack, pieces=tuple(map(known, pack.pieces)))) for pack in packs)
        made = after.take(by_copy, kerf_mm, known_only=True).packs
        return tuple(replace(pack, pieces=tuple(map(self.as_called, pack.pieces))) for pack in made)

    def as_called(self, piece: Piece) -> Piece:
        """What is put on a copy that is cut already goes by the name of what is left of it."""
        return self._as_it_lies(piece) or piece

    def in_whole(self, piece: Piece) -> Piece:
        """A piece of a remainder as the same stretch of the copy that it is of; any other as it is."""
        rest = self.parent(piece.lot)
        if rest is None:
            return piece
        kind = self._kinds[rest.lot]
        piece = replace(piece, lot=kind.lot.lot, copy=rest.copy if kind.made > 1 else None)
        return piece if piece.is_sawn else shifted(piece, rest.start_mm)

    def as_it_lies(self, packs: Iterable[Pack]) -> list[Pack]:
        """Packs as they would be made now: of a copy that was cut since, from what is left of it.

        What is left is often shorter than is kept: then it is that very piece, and goes by its stretch of the
        copy. Left out is what was cut for another. A name that nothing has or had stays as it is.
        """
        lie = [(pack, map(self._as_it_lies, pack.pieces)) for pack in packs]
        return [replace(pack, pieces=tuple(one for one in pieces if one)) for pack, pieces in lie]

    def _as_it_lies(self, piece: Piece) -> Piece | None:
        if piece.is_whole or piece.lot not in self._names:
            return piece
        cut = self._cut_of(piece)
        kind = self._kinds[cut.lot]
        if cut.copy not in kind.gone and kind.count and cut.copy <= kind.made:
            return piece
        for name, rest in self._names.items():
            if not isinstance(rest, Remainder) or rest.lot != cut.lot or not self._is_there(rest):
                continue
            if cut.copy not in (0, rest.copy):
                continue
            if piece.is_sawn:
                return replace(piece, lot=name, copy=None)
            if holds((rest.start, rest.end), cut):
                whole = replace(piece, lot=name, copy=None, mark_mm=cut.to_mm, trim_tip_mm=cut.from_mm)
                return shifted(whole, -rest.start_mm)
        return piece if not piece.is_sawn and self._is_to_be_had(piece) else None

    # ------------------------------------------------------------ what is logged

    def moved(
        self,
        before: Sequence[Pack],
        after: Sequence[Pack],
        post: str,
        kerf_mm: float,
        promised: Callable[[], Iterable[Pack]] = tuple,
    ) -> dict[str, Any] | None:
        """Data of a `taken` event: the packs under a post are changed; None: nothing moves.

        promised: packs yet to be made: nothing else is cut from their copies where another is there; asked
        for where a piece leaves it open which of several it is cut from.

        `used` flats and copies that are whole no more, `cut` which stretch of which copy, `back` what came
        out and, with `of`, what is left of the copies.
        """
        came_out, went_in = moved_packs(before, after)
        wanted = {piece.lot for pack in went_in for piece in pack.pieces}
        back = returned(came_out, (*self.lots(), *self.used_up()), wanted)
        box = self.copy()
        for lot in back:
            box.put(lot)
        keep: dict[str, set[int]] = defaultdict(set)
        pieces = (piece for pack in went_in for piece in pack.pieces if not piece.is_whole)
        if any(piece.copy is None and len(self.copies(piece.lot)) > 1 for piece in pieces):
            for cut in self.copy().take((("", p) for p in promised()), kerf_mm, known_only=True).cuts:
                keep[cut.lot].add(cut.copy)
        # Another crew's box served an answer that came with its log: those pieces are not of this one.
        taken = box.take(((post, pack) for pack in went_in), kerf_mm, keep=keep, known_only=True)
        stood = {pack.seat: pack for pack in before if pack not in came_out}
        further = [
            cut
            for pack in after
            if pack.seat in stood
            for cut in box.further(stood[pack.seat], pack, f"{post}/{pack.seat}", kerf_mm)
        ]
        box.take_cuts(further, {})
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
                used[name] += max(0, len(self.copies(name)) - len(box.copies(name)))
        for lot in box.lots():
            rest = None if lot.lot in self._names else box.parent(lot.lot)
            if rest is not None:
                of = {"lot": rest.lot, "copy": rest.copy, "start": rest.start, "end": rest.end}
                rows.append(lot_to_row(lot) | {"of": of})
        data = {
            "used": [{"lot": lot, "count": count} for lot, count in used.items() if count],
            "back": rows,
            "cut": [cut.to_json() for cut in (*taken.cuts, *further)],
        }
        return data if any(data.values()) else None

    def further(self, before: Pack, after: Pack, goes_to: str, kerf_mm: float) -> list[Cut]:
        """What tapers that are pushed on under a post take beyond what was cut for them."""
        found = []

        def of_its_copy(piece: Piece) -> tuple[str, int, float]:
            return piece.lot, piece.copy or 0, piece.mark_mm or 0.0

        pairs = (sorted(pack.pieces, key=of_its_copy) for pack in (before, after))
        for old, new in zip(*pairs, strict=True):
            if not new.is_marked or new.lot not in self._names:
                continue
            had, cut = (self._cut_of(piece, goes_to, kerf_mm) for piece in (old, new))
            # Packs of one's own do not say which copy they were cut from; the cut does.
            own = [
                one
                for copy, some in self._kinds[cut.lot].cuts.items()
                for one in some
                if one.goes_to == goes_to and copy == (cut.copy or copy)
            ]
            from_mm = max(had.to_mm, *(one.to_mm for one in own)) if own else had.to_mm
            if (copy := cut.copy or (own[-1].copy if own else 0)) and steps(cut.to_mm) > steps(from_mm):
                found.append(replace(cut, copy=copy, from_mm=from_mm))
        return found

    def count_taken(self, data: Mapping[str, Any], lot_of: Callable[[Mapping[str, Any]], Lot]) -> None:
        """Count a `taken` event in; one from before copies were numbered takes the first whole one."""
        if "cut" not in data:
            self._count_without_copies(data["used"], [lot_of(row) for row in data.get("back", ())])
            return
        names = {}
        for row in data.get("back", ()):
            if "of" in row:
                names[Remainder(**row["of"])] = row["lot"]
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
            rests = [lot for lot in left if kind and count == 1 and kind.count and is_rest_of(lot, kind.lot)]
            if kind is None or not rests:
                self.out(name, count)
                continue
            left = [lot for lot in left if lot not in rests]
            self.take_cuts(*cuts_between(kind, rests))
        for lot in left:
            self.put(lot)


def _overlap(one: Cut, other: Cut) -> bool:
    """Whether two cuts of one copy of a taper take some of the same wood."""
    return steps(max(one.from_mm, other.from_mm)) < steps(min(one.to_mm, other.to_mm))


def alike(one: Lot, other: Lot) -> bool:
    """Whether pieces of two lots are the same thing, whatever the lots are called."""
    return replace(one, lot="", count=0, note="") == replace(other, lot="", count=0, note="")
