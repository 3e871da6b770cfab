"""What to change, from the pieces that are there: the box, and what the post stands on now.

The old pieces are in the box again and each new total is a fresh stack, but a pack that stays costs nothing
and a taper that is only pushed costs one handling. What stays is not in the box: where an answer keeps a
pack and uses its pieces elsewhere too, both ways of settling it are looked at, cheapest first.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from shimfit.core.foot import clean
from shimfit.core.ledger import returned
from shimfit.core.objective import usual_reads
from shimfit.core.packing import Offer, Options, Tables, build_tables, prescribe
from shimfit.core.packing.pieces import slope_of
from shimfit.core.packing.question import over_take_up, place_of
from shimfit.core.resting import scaled
from shimfit.errors import positive
from shimfit.model import CORNERS, Change, Cost, Lean, Lot, Pack, Piece, Prescription, Seat, Tolerance

if TYPE_CHECKING:
    from shimfit.core.correction.standing import Standing
    from shimfit.core.objective import Reads
    from shimfit.core.packing.options import Layout
    from shimfit.core.packing.question import Place

_NODES = 24
"""Boxes that are looked at before the best answer so far is given as found, not proven."""
_NEAR_FLAT_MM = 0.15
"""A flat this near to a constant that keeps a pack is tried under the corner that stays down."""
_LEAST_PUSH_MM = 1.0
"""A shorter push can't be set to a mark (common practice, no source)."""
_AROUND_MM = 0.1
"""How far round its want a pushed taper is offered, on the grid."""


@dataclass(frozen=True, slots=True)
class _Ground:
    """What is under the corner that stays down: nothing, its old pack, or one flat of the box."""

    layout: Layout
    pack: Pack | None = None
    lot: str | None = None
    """The flat's lot; None when nothing new goes under it."""
    cost: float = 0.0

    @property
    def lift_mm(self) -> float:
        return self.pack.made_mm if self.pack else 0.0


@dataclass(frozen=True, slots=True)
class _Node:
    """Seats whose old pack must go, and seats whose old pieces are not in the box."""

    gone: frozenset[Seat] = frozenset()
    reserved: frozenset[Seat] = frozenset()


@dataclass
class _Search:
    """One correction while it is worked out."""

    standing: Standing
    there: dict[Seat, Pack]
    height_mm: float
    tolerance: Tolerance
    lots: tuple[Lot, ...]
    options: Options
    reads: Reads | None
    u_take_up: float
    trimmed: bool
    tables: dict[tuple[frozenset[Seat], str | None], Tables] = field(default_factory=dict)

    def box(self, reserved: frozenset[Seat], under: str | None) -> tuple[Lot, ...]:
        """The box with the old pieces of all seats but the reserved ones, less the flat under the ground."""
        back = returned((p for seat, p in self.there.items() if seat not in reserved), self.lots)
        lots = merged((*self.lots, *back))
        return tuple(replace(lot, count=lot.count - 1) if lot.lot == under else lot for lot in lots)

    def tables_of(self, reserved: frozenset[Seat], under: str | None) -> Tables:
        """The same box, ready to be searched; built once."""
        if (reserved, under) not in self.tables:
            self.tables[reserved, under] = build_tables(self.box(reserved, under), self.options)
        return self.tables[reserved, under]

    def offers(self, seat: Seat, lift_mm: float) -> tuple[Offer, ...]:
        """What may stay at a seat."""
        place = place_of(self.standing.wanted, seat, self.options, self.standing.low_mm.get(seat, 0.0))
        if place is None:
            return ()
        return tuple(_offers_of(self, self.there[seat], place, lift_mm))


def change_from_box(
    standing: Standing,
    packs: Sequence[Pack],
    height_mm: float,
    tolerance: Tolerance,
    *,
    lots: Sequence[Lot],
    options: Options,
    reads: Reads | None = None,
    u_take_up: float = 0.0,
    trimmed: bool = False,
) -> Prescription:
    """The cheapest change that brings the post within the tolerance.

    lots: the box as it is, the packs in place not in it; what is used up with count 0, so that the slopes
    of packs made of it are known. trimmed: the packs are cut flush, so no taper can
    be pushed any more. A reading within the tolerance changes nothing. `lean` of the answer is the reading,
    `packs` are the new totals and `change` what to touch; `resting` counts the take-up in. `status` is that
    of the search over everything that was tried; errors as for `prescribe`.
    """
    positive(height_mm, "height")
    search = _Search(
        standing=standing,
        there={pack.seat: pack for pack in packs if pack.made_mm > 0.0},
        height_mm=height_mm,
        tolerance=tolerance,
        lots=merged(lots),
        options=options,
        reads=reads,
        u_take_up=u_take_up,
        trimmed=trimmed,
    )
    if tolerance.holds(standing.reading, height_mm) and not standing.hangs:
        return _unchanged(search)
    answers: list[Prescription] = []
    limit = math.inf
    for ground in _grounds(search):
        answer = _answer(search, ground, limit)
        if answer is not None:
            answers.append(answer)
            limit = min(limit, answer.cost.total) if answer.within else limit
    return min(answers, key=_rank)


def merged(lots: Iterable[Lot]) -> tuple[Lot, ...]:
    """Lots with like pieces of one name put together; a name that means two things keeps both apart."""
    found: dict[tuple[str, object], Lot] = {}
    names: Counter[str] = Counter()
    for lot in lots:
        like = (lot.form, lot.length_mm, lot.width_mm, lot.thickness_mm, lot.thin_mm, lot.thick_mm)
        if (lot.lot, like) in found:
            old = found[lot.lot, like]
            found[lot.lot, like] = replace(old, count=old.count + lot.count)
            continue
        names[lot.lot] += 1
        again = names[lot.lot]
        found[lot.lot, like] = lot if again == 1 else replace(lot, lot=f"{lot.lot} ({again})")
    return tuple(found.values())


def _rank(answer: Prescription) -> tuple[bool, bool, float, int]:
    """Best first: within, proven or found, cheap, few packs touched."""
    return (
        not answer.within,
        answer.status not in ("proven", "found"),
        round(answer.cost.total, 6),
        len(answer.change),
    )


def _unchanged(search: _Search) -> Prescription:
    """The packs as they are: the post rests as it was just read, whatever was predicted for it."""
    packs = tuple(search.there[seat] for seat in Seat if seat in search.there)
    predicted = search.standing.rests_on(packs, search.options.preload_mm)
    cautions: tuple[str, ...] = ()
    if not predicted.unique:
        cautions = (
            f"These packs are {predicted.rock_mm:.1f} mm out of one plane: feel whether the post rocks.",
        )
    return Prescription(
        post=search.standing.foot,
        height_mm=search.height_mm,
        lean=search.standing.reading,
        tolerance=search.tolerance,
        packs=packs,
        resting=replace(predicted, lean=search.standing.reading, limits=None),
        within=True,
        status="proven",
        cautions=cautions,
    )


# ------------------------------------------------------------------- what stays down


def _grounds(search: _Search) -> Iterator[_Ground]:
    """Nothing under the corner that stays down; its own old pack; a flat that lets another pack stay.

    Edge middles that are packed may stay packed whatever the layout; a whole post is lifted at its corners.
    """
    layout = search.options.layout
    yield _Ground(layout)
    if layout == "corners" and any(not seat.is_corner for seat in search.there):
        yield _Ground("tripod")
        yield _Ground("one-way")
    if layout not in ("corners", "auto"):
        return
    down = _down(search)
    if down in search.there:
        yield _Ground("corners", search.there[down])
    lifts = set()
    for seat, pack in search.there.items():
        if seat.is_corner and seat is not down:
            want = search.standing.want_mm(*search.standing.bears_at_mm(pack), seat)
            lifts.add(round(pack.made_mm - want, 9))
    flats = [lot for lot in search.lots if lot.is_whole and lot.count > 0]
    for lift in sorted(lifts):
        near = min(
            (lot for lot in flats if abs((lot.thickness_mm or 0.0) - lift) <= _NEAR_FLAT_MM),
            key=lambda lot: (abs((lot.thickness_mm or 0.0) - lift), lot.lot),
            default=None,
        )
        if near is not None and near.thickness_mm is not None:
            costs = search.options.costs
            new = costs.new_flat if near.origin == "bought" else 0.0
            under = _flat_under(search, down, near, near.thickness_mm)
            yield _Ground("corners", under, near.lot, costs.piece + new)


def _down(search: _Search) -> Seat:
    """The corner that wants least."""
    return min(CORNERS, key=lambda seat: (round(search.standing.want_at_mm(seat), 9), CORNERS.index(seat)))


def _flat_under(search: _Search, seat: Seat, lot: Lot, thickness_mm: float) -> Pack:
    x, y = search.standing.foot.seat_at_mm(seat)
    rod = search.standing.foot.rod_at_mm
    piece = Piece(lot.lot, lot.form, thickness_mm)
    return Pack(seat, thickness_mm, thickness_mm, (x - rod[0], y - rod[1]), (piece,))


# ------------------------------------------------------------------- one ground, best first


def _answer(search: _Search, ground: _Ground, limit: float) -> Prescription | None:
    """Best answer on one ground: branch on whose old pieces are used twice until nobody's are.

    None when it can't be cheaper than the limit. An answer out of tolerance only counts when nothing is used
    twice, else the post is asked about once more with every old pack taken out.
    """
    ticket = itertools.count()
    heap: list[tuple[float, int, _Node, Prescription]] = []
    nodes = [_Node()]
    for _ in range(_NODES):
        for node in nodes:
            tried = _tried(search, ground, node)
            cost = round(tried.cost.total, 6) if tried.within else math.inf
            heapq.heappush(heap, (cost, next(ticket), node, tried))
        cost, _, node, best = heapq.heappop(heap)
        if cost >= limit and not math.isinf(limit):
            return None
        twice = _used_twice(search, ground, node, best)
        if twice is None:
            return best
        if math.isinf(cost):
            break
        nodes = [replace(node, gone=node.gone | {twice}), replace(node, reserved=node.reserved | {twice})]
    gone = frozenset(search.there) - {g.seat for g in (ground.pack,) if g}
    settled = _tried(search, ground, _Node(gone=gone))
    return replace(settled, status="found" if settled.status == "proven" else settled.status)


def _tried(search: _Search, ground: _Ground, node: _Node) -> Prescription:
    """The packing search on one box: wants over the ground, old packs as offers."""
    standing = search.standing
    down = _down(search)
    stays_down = ground.pack is not None and ground.lot is None
    reserved = node.reserved | ({down} if stays_down else frozenset())
    tables = search.tables_of(reserved, ground.lot)
    offers = {
        seat: search.offers(seat, ground.lift_mm)
        for seat in search.there
        if seat not in node.gone and not (stays_down and seat is down)
    }
    wanted = standing.wanted
    lean = Lean(wanted.slope_along, wanted.slope_across)
    needs = None
    if ground.pack is not None:
        needs = {seat: standing.want_at_mm(seat) + ground.lift_mm for seat in CORNERS} | {down: 0.0}
    found = prescribe(
        standing.foot,
        search.height_mm,
        lean,
        over_take_up(search.tolerance, standing.take_up),
        tables,
        reads=(search.reads or usual_reads()).scaled(1.0 / standing.take_up),
        u_take_up=search.u_take_up / standing.take_up,
        shift_mm=scaled(standing.reading, 1.0 / standing.take_up).top_mm(search.height_mm),
        needs=needs,
        feelers=None if needs else standing.low_mm,
        layout=ground.layout,
        offers={seat: some for seat, some in offers.items() if some},
    )
    return _finished(search, ground, found)


def _finished(search: _Search, ground: _Ground, found: Prescription) -> Prescription:
    """The search's answer told as a change, with the rest as it is predicted for the whole post."""
    standing = search.standing
    packs = {pack.seat: _as_it_was(search, pack) for pack in found.packs}
    if ground.pack is not None:
        packs[ground.pack.seat] = ground.pack
    new = tuple(
        replace(
            packs[seat],
            need_mm=clean(standing.want_mm(*standing.bears_at_mm(packs[seat]), seat) + ground.lift_mm),
        )
        for seat in Seat
        if seat in packs
    )
    resting = standing.rests_on(new, search.options.preload_mm)
    lift = search.options.costs.lifting(ground.lift_mm)
    cost = Cost(found.cost.total + ground.cost + lift, found.cost.parts)
    return replace(
        found,
        lean=standing.reading,
        tolerance=search.tolerance,
        packs=new,
        resting=resting,
        within=resting.lean is not None and search.tolerance.holds(resting.lean, search.height_mm),
        cost=cost,
        change=tuple(_changes(search, {pack.seat: pack for pack in new})),
    )


def _as_it_was(search: _Search, pack: Pack) -> Pack:
    """A pack that stays, as thick as it is known to be where it bears as before, not as the grid has it."""
    old = search.there.get(pack.seat)
    same = old is not None and old.pieces == pack.pieces and old.bears_at_mm == pack.bears_at_mm
    if old is not None and same and abs(old.made_mm - pack.made_mm) <= search.options.quantum_mm:
        return old
    return pack


# ------------------------------------------------------------------- which old packs may stay


def _offers_of(search: _Search, pack: Pack, place: Place, lift_mm: float) -> Iterator[Offer]:
    """The old pack as it is, for nothing; its taper pushed or drawn to near its want, for one handling."""
    # A pack told by its thickness alone bears where it was told: nobody knows how steep it is.
    inner = bool(pack.pieces) and search.options.bearing_point == "auto"
    inner = inner and place.slope > 0.0 and slope_of(pack, search.lots) < place.slope
    kept = _bearing(search, pack, place, inner=inner)
    if kept is None:
        return
    yield Offer(replace(kept, made_mm=_on_grid(kept.made_mm, search.options.quantum_mm)), 0.0, inner)
    for pushed in _pushed(search, kept, place.need_mm(inner) + lift_mm):
        yield Offer(pushed, search.options.costs.change, inner)


def _lot(search: _Search, piece: Piece) -> Lot | None:
    return next((lot for lot in search.lots if lot.lot == piece.lot and lot.form == piece.form), None)


def _bearing(search: _Search, pack: Pack, place: Place, *, inner: bool) -> Pack | None:
    """The old pack where it bears under the wanted plane; None when its thickness there is not known."""
    at = place.at_mm(inner)
    rod = search.standing.foot.rod_at_mm
    x, y = search.standing.bears_at_mm(pack)
    moved = math.hypot(at[0] - x, at[1] - y)
    if moved < 1e-6:
        return pack
    slope = slope_of(pack, search.lots)
    was_inner = math.hypot(place.face_at_mm[0] - x, place.face_at_mm[1] - y) > 1e-6
    made = pack.made_mm
    if was_inner != inner:
        made += -slope * place.inside_mm if inner else slope * moved
    if made <= 0.0:
        return None
    return replace(pack, made_mm=clean(made), bears_at_mm=(at[0] - rod[0], at[1] - rod[1]))


def _pushed(search: _Search, pack: Pack, want_mm: float) -> Iterator[Pack]:
    """The pack with its taper at other marks, thickness on the grid round what is wanted."""
    tapers = [piece for piece in pack.pieces if piece.is_marked]
    lot = _lot(search, tapers[0]) if len(tapers) == 1 and not search.trimmed else None
    if lot is None or tapers[0].mark_mm is None or lot.taper_slope <= 0.0 or lot.length_mm is None:
        return
    q = search.options.quantum_mm
    steps = round(_AROUND_MM / q)
    middle = round(want_mm / q)
    for step in range(middle - steps, middle + steps + 1):
        rise = step * q - pack.made_mm
        push = rise / lot.taper_slope
        mark = tapers[0].mark_mm + push
        inside = tapers[0].mark_mm - tapers[0].trim_tip_mm + push
        if abs(push) < _LEAST_PUSH_MM or mark > lot.length_mm or inside < search.options.min_inside_mm:
            continue
        trim = tapers[0].trim_tip_mm + max(0.0, inside - search.options.bearing_mm)
        piece = replace(
            tapers[0],
            mark_mm=clean(mark),
            thickness_mm=clean(tapers[0].thickness_mm + rise),
            trim_tip_mm=clean(trim),
        )
        pieces = tuple(piece if one is tapers[0] else one for one in pack.pieces)
        yield replace(pack, made_mm=clean(step * q), pieces=pieces)


def _on_grid(thickness_mm: float, quantum_mm: float) -> float:
    """The search knows thicknesses on its grid only; half a step moves a top by a few hundredths."""
    return clean(max(1, round(thickness_mm / quantum_mm)) * quantum_mm)


# ------------------------------------------------------------------- what stays and what changes


def _lots_of(pack: Pack) -> list[tuple[str, str, int | None]]:
    return sorted((p.lot, p.form, p.copy) for p in pack.pieces)


def _stays(old: Pack | None, new: Pack | None) -> bool:
    """True when the same pieces are under the seat, a taper perhaps at another mark."""
    return old is not None and new is not None and bool(old.pieces) and _lots_of(old) == _lots_of(new)


def _push_mm(old: Pack, new: Pack) -> float:
    """How much further its taper goes in; 0 when it stays as it is."""
    marks = [
        (b.mark_mm or 0.0) - (a.mark_mm or 0.0)
        for a, b in zip(old.pieces, new.pieces, strict=True)
        if a.is_marked
    ]
    return clean(sum(marks))


def _changes(search: _Search, new: dict[Seat, Pack]) -> Iterator[Change]:
    for seat in Seat:
        old, now = search.there.get(seat), new.get(seat)
        if old is None and now is None:
            continue
        before = old.made_mm if old else 0.0
        after = now.made_mm if now else 0.0
        push = _push_mm(old, now) if old and now and _stays(old, now) else None
        if push == 0.0 or (old and now and not now.pieces and before == after):
            continue  # pieces that nobody knows stay when no others are named
        yield Change(seat, before, after, push)


def _used_twice(search: _Search, ground: _Ground, node: _Node, answer: Prescription) -> Seat | None:
    """A seat that keeps its pack while its pieces are also used elsewhere; None when nobody's are."""
    new = {pack.seat: pack for pack in answer.packs}
    kept = {seat for seat in search.there if _stays(search.there[seat], new.get(seat))}
    settled = node.reserved | {ground.pack.seat} if ground.pack else node.reserved
    in_doubt = [seat for seat in Seat if seat in kept - settled]
    left = {lot.lot: lot.count for lot in search.box(settled | kept, None)}
    used = Counter(
        piece.lot
        for seat, pack in new.items()
        if seat not in kept
        for piece in pack.pieces
        if piece.is_whole or piece.lot not in left
    )
    for seat in in_doubt:
        mine = {piece.lot for piece in search.there[seat].pieces}
        mine |= {lot.lot for lot in returned([search.there[seat]], search.lots)}
        if any(used[lot] > left.get(lot, 0) for lot in mine):
            return seat
    return None
