"""One box for all seats of a post: the search made exact where two seats want the same thing.

*Choice by choice.* Many of the cheapest choices differ only in which of two like pieces goes where. So the
thicknesses are held, one choice after the other as they get dearer, and every way to make just these is laid
out; once a choice costs more than the best answer, nothing that comes after it can be cheaper.

*Branching*, best first, on who goes without, where that does not settle it. A node says per seat what it may
not use (`Caps`); its bound is the relaxed optimum under those caps. A flat lot that is short: one of the
seats uses at least one piece less. A stretch of the one taper that two want: either goes without it, or they
lie one after the other; of several like tapers, one of the seats that cover a point too often does not cover
it. Where seats want stretches of fewer tapers, no two of which lie clear of each other, one of the seats goes
without any of them. A strip that is too short: one of the seats takes a thinner wedge of it. Each split
covers every answer, so the first node without a conflict is the best.

Saw settings are paid for once: one search per set of settings, small sets first, as long as a set's price
still leaves room below the best answer.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.pieces import NO_CAPS, TOUCH_MM, Caps, Row, Stack
from shimfit.core.packing.search import TIE, Cell, Choice, Group, Search
from shimfit.core.packing.tables import Tables
from shimfit.model import FORMS
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.core.packing.question import Offer, Task

NODE_LIMIT = 2000
"""Nodes after which the search stops proving; usual posts need 1, the worst seen in full boxes some tens, and
where three seats want one taper of a box of four pieces a thousand, a millisecond each."""
_DIVE_DEPTH = 60
_CHOICES = (3, 12, 48)
"""Choices that are held and built one by one before it is branched over all of them."""
_WAYS = 5000
"""Ways to make the packs of one choice that are looked at."""
_MORE = (0.02, 0.1)
"""How much more than the cheapest those may cost, in pieces: first little, then more."""
_STEPS = (2.5, 8.0, 25.0, math.inf)
"""How much dearer than its root the answers of a tree may be, in pieces: first, then where there is none."""
_EPS = 1e-7
_WHOLE = -1
"""Steps of a taper that is taken whole, as it comes out from under a seat."""


class Used(NamedTuple):
    """The pieces of one pack, its class, and how far in their thickness is measured (None at the face)."""

    stack: Stack
    """Of an offer: whole pieces, tapers among them, all counted as flats."""
    row: Row
    inner_mm: float | None


def used_by(tables: Tables, offer: Offer) -> Used:
    """What a pack that may stay takes of the box."""
    ranks = tuple(sorted(tables.rank[lot] for lot in offer.lots))
    return Used(Stack(offer.cost, None, ranks), tables.rows[0], None)


@dataclass(frozen=True, slots=True)
class Answer:
    """The best choice with its pieces."""

    choice: Choice
    """Cells of the three seats that are searched, the one that stays down first."""
    used: tuple[Used | None, ...]
    """Per seat, in the task's order; None for bare seats and offers."""
    cost: float
    """Choice, what stands under the seat that stays down, and saw settings."""
    angles: tuple[float, ...] = ()
    """Saw settings that are used."""
    set_up: float = 0.0
    """What the settings cost."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the branching found."""

    answer: Answer | None
    bound: float
    """No answer is cheaper."""
    nodes: int
    finished: bool
    """False when the node limit stopped it, or when only answers up to some price were looked for."""


class OneBox:
    """One post and the one box: asked again for answers below a lower limit it goes on where it stopped.

    lift: steps of the flat or two under the seat that stays down; 0 = bare. kind: how the seats rest
    together. like: a search of the same seats and limits that rest the same way, lifted or not.
    """

    def __init__(
        self,
        task: Task,
        tables: Tables,
        *,
        lift: int = 0,
        kind: type[Search] = Search,
        like: Search | None = None,
    ) -> None:
        self.task, self.tables, self.lift, self.kind = task, tables, lift, kind
        angles = sorted({row.saw_deg for row in tables.rows if row.saw_deg is not None})
        self.free = [a for a in angles if a == tables.options.saw.stands_at_deg]
        self.paid = [a for a in angles if a not in self.free]
        self.every = kind(task, tables, frozenset(angles), like)
        """What looks for them whatever saw settings are paid for."""
        self._settings: dict[tuple[float, ...], _Settings] = {}

    def solve(
        self,
        limit: float = math.inf,
        node_limit: int = NODE_LIMIT,
        *,
        relaxed: bool = False,
        last: bool = True,
        up_to: float = -math.inf,
    ) -> Outcome:
        """The best packs; answers dearer than the limit are not looked for.

        relaxed: stop at each root, two seats may then want the same piece (what is shown while a sensor
        streams). last: it is not asked again, so some answer is welcome once the nodes are used up. up_to:
        answers up to there are looked for at once.
        """
        price = self.tables.options.costs.saw_set_up
        best: Answer | None = None
        bound, nodes, finished = math.inf, 0, True
        # What no answer can beat, whatever settings are paid for.
        floor = _Settings(self.every, self.lift).floor(limit) if self.paid else -math.inf
        for size in range(len(self.paid) + 1):
            if size and (size > len(self.task.seats) - 1 or floor + size * price >= limit - TIE):
                break
            for chosen in itertools.combinations(self.paid, size):
                set_up = size * price
                if chosen not in self._settings:
                    angles = frozenset((*self.free, *chosen))
                    search = (
                        self.kind(self.task, self.tables, angles, self.every) if self.paid else self.every
                    )
                    self._settings[chosen] = _Settings(search, self.lift)
                box = self._settings[chosen]
                before = box.nodes
                found, low, done = box.branch(
                    limit - set_up, node_limit - nodes, relaxed=relaxed, last=last, up_to=up_to - set_up
                )
                nodes += box.nodes - before
                finished &= done
                bound = min(bound, low + set_up)
                if found is not None and found.cost + set_up < limit - (TIE if best else -TIE):
                    sawn = {one.row.saw_deg for one in found.used if one and one.row.saw_deg is not None}
                    best = replace(found, cost=found.cost + set_up, angles=tuple(sorted(sawn)), set_up=set_up)
                    limit = min(limit, best.cost)
        if self.every.spent:
            finished, bound = False, -math.inf
        if best is not None and finished:
            bound = best.cost
        return Outcome(best, bound, nodes, finished)


# ---------------------------------------------------------------- one set of saw settings

_Orders = frozenset[tuple[int, int, int]]
"""(rank, seat, other): of that taper the seat's stretch lies nearer the thin end than the other's."""


class _Node(NamedTuple):
    caps: tuple[Caps, ...]
    groups: Sequence[dict[bool, Group]]
    orders: _Orders = frozenset()


class _Way(NamedTuple):
    """One pack of a choice as it can be made: what it costs more than the cheapest, and its pieces."""

    dearer: float
    cell: Cell
    used: Used | None


class _Settings:
    """One set of saw settings: what the box can serve at once."""

    def __init__(self, search: Search, lift: int) -> None:
        self.search, self.tables, self.lift, self.nodes = search, search.tables, lift, 0
        self.root = _Node((NO_CAPS,) * len(search.task.seats), search.groups)
        # Where seats rest in any contact a tree grown twice costs too much.
        self.step, self.least = 0 if search.in_contact else len(_STEPS) - 1, -math.inf
        """How far above its root's cost the tree is grown, and that cost."""
        self.up_to = -math.inf
        """Or up to here, where that is further."""
        self.heap: list[tuple[float, int, _Node, Answer]] | None = None
        """Nodes that wait, the most hopeful first; None before the first is asked for."""
        self.tried = False
        """Choice by choice."""
        self.ways: dict[tuple[int, bool, int, int, float], list[_Way]] = {}
        """Ways to make one pack, by seat, whether it bears further in, thickness, class, how much dearer."""
        self.seen: set[tuple[tuple[Caps, ...], _Orders]] = set()
        self.ticket = itertools.count()

    def under(self, caps: Caps) -> Used | None:
        """What lifts the seat that stays down, within its caps; None when nothing does, or it is bare."""
        for offer in self.search.task.seats[0].offers:
            used = used_by(self.tables, offer)
            return used if caps.leave(used.stack.flats) else None
        # Beside a rod that is not in the middle there may be no room for any.
        lifts = self.lift and self.search.task.seats[0].place is not None
        stack = self.tables.few_flats(self.lift, caps) if lifts else None
        return None if stack is None else Used(stack, self.tables.rows[0], None)

    def floor(self, limit: float) -> float:
        """What the relaxed optimum costs."""
        answer = self._relaxed(self.root, limit)
        return math.inf if answer is None else answer.cost

    def branch(
        self, limit: float, node_limit: int, *, relaxed: bool, last: bool, up_to: float = -math.inf
    ) -> tuple[Answer | None, float, bool]:
        """Best answer, a bound, and whether the tree was finished.

        The tree is grown for answers hardly dearer than its root first, for these leave few ways. Where there
        is none it is not finished: asked again, it is grown anew for dearer ones.
        """
        if self.heap is None:
            self.heap = []
            self.seen.clear()
            self._wait(self.root, limit)
            if relaxed and not self.heap:
                # What other settings make with a box for each seat is no limit for all later.
                self.heap = None
                return None, math.inf, True
            self.least = self.heap[0][0] if self.heap else math.inf
        self.up_to = max(self.up_to, up_to)  # never less far than it was grown
        level = min(limit, max(self.up_to, self.least + _STEPS[self.step] * self.tables.options.costs.piece))
        found, low, done = self._tree(level, self.nodes + node_limit, relaxed=relaxed)
        if not done and found is None and last and self.heap:
            found = self._dive(*self.heap[0][2:], limit)
        if done and found is None and level < limit:
            self.heap, self.step = None, self.step + 1
            return None, level, False
        return found, low, done

    def _tree(self, limit: float, last: int, *, relaxed: bool) -> tuple[Answer | None, float, bool]:
        """The same of answers up to the limit."""
        known: Answer | None = None
        heap, began = self.heap, self.nodes
        assert heap is not None
        while heap:
            low, ticket, node, answer = heapq.heappop(heap)
            self.nodes += 1
            if low > limit + (-TIE if known else TIE):
                heap.clear()
                break
            children = () if relaxed else tuple(self._ways_round(answer, node))
            if not children:
                heapq.heappush(heap, (low, ticket, node, answer))
                return answer, low, True
            if node is self.root and self.search.in_contact:
                if not self.tried:
                    self.tried = True
                    known, bound = self._one_by_one(limit)
                    limit = limit if known is None else min(limit, known.cost)
                    if bound >= limit - TIE:
                        heap.clear()
                        return known, limit if known else math.inf, True
                if last - began == 1:
                    heapq.heappush(heap, (low, ticket, node, answer))
                    return known, low, False
            if self.nodes >= last or self.search.spent:
                heapq.heappush(heap, (low, ticket, node, answer))
                return known or self._dive(node, answer, limit), low, False
            for caps, orders in children:
                if (caps, orders) not in self.seen:
                    self.seen.add((caps, orders))
                    self._wait(self._child(node, caps, orders), limit, answer.cost)
        return known, known.cost if known else math.inf, True

    def _wait(self, node: _Node, limit: float, least: float = -math.inf) -> None:
        """Put a node on the heap, if it may lead to an answer."""
        answer = self._relaxed(node, limit, least)
        if answer is not None and self.heap is not None:
            heapq.heappush(self.heap, (round(answer.cost, 6), next(self.ticket), node, answer))

    def _relaxed(self, node: _Node, limit: float, least: float = -math.inf) -> Answer | None:
        """The node's optimum with its pieces; values of capped cells are corrected as they come up.

        least: no answer of it is cheaper (that of the node that it splits).
        """
        under = self.under(node.caps[0])
        if under is None and self.lift:
            return None
        base = under.stack.cost if under else 0.0
        while True:
            found = self.search.best(node.groups, 1, limit - base, least - base)
            least = max(least, found[0].cost + base) if found else math.inf
            answers: list[Answer] = []
            raised = False
            for choice in found:
                if choice.cost > found[0].cost + TIE:
                    break
                used = self._pieces(node, choice)
                raised = used is None
                if used is None:
                    break
                answers.append(Answer(choice, (under, *used), choice.cost + base))
            if not raised:
                return min(answers, key=_tie_key, default=None)

    def _pieces(self, node: _Node, choice: Choice) -> list[Used | None] | None:
        """Pieces of every searched seat; None when a value was too low and has been raised."""
        pieces: list[Used | None] = []
        wrong = False
        for i, cell in enumerate(choice.cells[1:]):
            group = node.groups[i][cell.inner]
            if cell.row < 0:
                pieces.append(self._offered(i, cell))
                continue
            row = group.rows[cell.row]
            stack = self.tables.stack(row, cell.steps, node.caps[i + 1], group.inner_mm)
            cost = math.inf if stack is None else stack.cost
            known = float(group.values[cell.row, cell.steps - group.base])
            if cost > known + _EPS:
                group.raise_cell(cell.steps, cell.row, cost)
                wrong = True
            pieces.append(None if stack is None else Used(stack, row, group.inner_mm))
        return None if wrong else pieces

    def _offered(self, i: int, cell: Cell) -> Used | None:
        """What an offer at a searched seat takes of the box; None for a bare seat."""
        if cell.row > -2:
            return None
        return used_by(self.tables, self.search.task.seats[1 + i].offers[-2 - cell.row])

    def _child(self, node: _Node, caps: tuple[Caps, ...], orders: _Orders) -> _Node:
        """The node under new caps: groups whose caps changed are copied, for their values will be raised."""
        groups = [
            {inner: group.capped(self.tables, new) for inner, group in some.items()} if new != old else some
            for some, old, new in zip(node.groups, node.caps[1:], caps[1:], strict=True)
        ]
        return _Node(caps, groups, orders)

    def _dive(self, node: _Node, answer: Answer, limit: float) -> Answer | None:
        """An answer that the box can serve, soon rather than best: the cheapest way round each conflict."""
        for _ in range(_DIVE_DEPTH):
            children = [self._child(node, *way) for way in self._ways_round(answer, node)]
            if not children:
                return answer
            found = [(one, child) for child in children if (one := self._relaxed(child, limit, answer.cost))]
            if not found:
                return None
            answer, node = min(found, key=lambda one: one[0].cost)
        return None

    # -------------------------------------------------------------- choice by choice

    def _one_by_one(self, limit: float) -> tuple[Answer | None, float]:
        """The best answer among the cheapest choices, and what no answer is cheaper than."""
        under = self.under(NO_CAPS)
        base = under.stack.cost if under else 0.0
        built: dict[tuple[Cell, ...], tuple[Answer | None, float]] = {}
        most, bound = limit, -math.inf
        for keep in _CHOICES:
            found = self.search.best(self.root.groups, keep, most - base)
            for choice in found:
                if choice.cost + base > most + TIE:
                    break
                if choice.cells not in built:
                    built[choice.cells] = self._made_of(choice, most)
                most = min(most, built[choice.cells][1] if built[choice.cells][0] else most)
            unknown = min((low for answer, low in built.values() if answer is None), default=math.inf)
            bound = min(most, unknown, found[-1].cost + base if len(found) >= keep else math.inf)
            if bound >= most - TIE or unknown < most - TIE:
                break
        likely = [answer for answer, _ in built.values() if answer is not None and answer.cost <= most + TIE]
        return min(likely, key=_tie_key, default=None), bound

    def _made_of(self, choice: Choice, limit: float) -> tuple[Answer | None, float]:
        """The cheapest pieces for the thicknesses of a choice with what they cost, or None and a bound.

        Every way to make a pack that costs little more than the cheapest is laid out, then some more: of a
        large box there are thousands.
        """
        under = self.under(NO_CAPS)
        base = bound = choice.cost + (under.stack.cost if under else 0.0)
        for more in _MORE:
            most = more * self.tables.options.costs.piece
            gap = min(most, limit + TIE - base)
            dearer = math.inf if base + gap > limit else base + gap
            ways = [self._ways_down(under, choice.cells[0], gap)]
            for seat, cell in enumerate(choice.cells[1:]):
                key = seat, cell.inner, cell.steps, cell.row, more
                if key not in self.ways:
                    self.ways[key] = self._ways(seat, cell, most)
                ways.append([way for way in self.ways[key] if way.dearer <= gap])
            few = _too_few([self._tapers(some) for some in ways])
            if not few and math.prod(len(some) for some in ways) > _WAYS:
                return None, bound
            best: list[Answer] = []
            products = (
                (sum(way.dearer for way in some), some) for some in itertools.product(*ways) if not few
            )
            for above, some in sorted(products, key=lambda item: item[0]):
                if above > gap or (best and base + above > best[0].cost + TIE):
                    break
                used = tuple(way.used for way in some)
                if serves(self.tables, used):
                    cells = tuple(way.cell for way in some)
                    held = replace(choice, cost=choice.cost + above - some[0].dearer, cells=cells)
                    best.append(Answer(held, used, base + above))
            if best:
                answer = min(best, key=_tie_key)
                return answer, answer.cost
            bound = dearer
            if math.isinf(bound):
                break
        return None, bound

    def _ways_down(self, under: Used | None, cell: Cell, gap: float) -> list[_Way]:
        """Every way to make what stands under the seat that stays down."""
        if under is None:
            return [_Way(0.0, cell, None)]
        if cell.row <= -2:
            return [_Way(0.0, cell, under)]
        least = under.stack.cost
        return [
            _Way(cost - least, cell, Used(Stack(cost, None, ranks), under.row, None))
            for k in (1, 2)
            for cost, ranks in self.tables.flat_ways(self.lift, k, least + gap)
        ]

    def _ways(self, seat: int, cell: Cell, gap: float) -> list[_Way]:
        """Every way to make one pack that costs at most so much more than the cheapest."""
        if cell.row < 0:
            return [_Way(0.0, cell, self._offered(seat, cell))]
        group = self.root.groups[seat][cell.inner]
        ways = []
        for r in np.flatnonzero(group.values[:, cell.steps - group.base] <= cell.cost + gap).tolist():
            row = group.rows[r]
            for stack in self.tables.ways(row, cell.steps, cell.cost + gap):
                made = cell._replace(row=r, cost=stack.cost)
                ways.append(_Way(stack.cost - cell.cost, made, Used(stack, row, group.inner_mm)))
        return ways

    def _tapers(self, ways: Sequence[_Way]) -> _Tapers:
        """The tapers of which all these ways take a stretch, where there is one of each."""
        spans: _Tapers = {}
        for used in (way.used for way in ways):
            if used is None or used.stack.tail is None:
                return {}
            rank, steps = used.stack.tail
            lot = self.tables.lots[rank]
            if not lot.is_marked or lot.count > 1:
                return {}
            start, end = self.tables.stretch(rank, steps, used.inner_mm)
            last, first = spans.get(rank, (start, end))
            spans[rank] = max(last, start), min(first, end)
        return spans

    # -------------------------------------------------------------- who goes without

    def _ways_round(self, answer: Answer, node: _Node) -> Iterator[tuple[tuple[Caps, ...], _Orders]]:
        """Caps and orders of the children that settle the first conflict; none when the box can serve all."""
        ways = _short_flats(self.tables, answer.used)
        single = bool(ways) and self.tables.lots[ways[0][1].flats[0][0]].count == 1
        seats, ranks = ((), ()) if ways else self._crowd(answer, node)
        pair = None if ways or seats else _overlap(self.tables, answer.used)
        if seats:
            none = Caps(within=tuple((rank, 1.0, 0.0) for rank in ranks))
            for seat in seats:
                yield _changed(node.caps, (seat, none)), node.orders
        elif single:
            # One seat has the one piece at most: one of those that want it and none of the others, or none of
            # those: another may want it then.
            none = Caps(flats=((ways[0][1].flats[0][0], 0),))
            want = [seat for seat, _ in ways]
            for keeps in want:
                others = [(seat, none) for seat in range(len(node.caps)) if seat != keeps]
                yield _changed(node.caps, *others), node.orders
            yield _changed(node.caps, *((seat, none) for seat in want)), node.orders
        elif pair is not None:
            yield from self._one_after_the_other(node, *pair)
        else:
            for way in ways or first_conflict(self.tables, answer.used):
                yield _changed(node.caps, way), node.orders

    def _crowd(self, answer: Answer, node: _Node) -> tuple[Sequence[int], Sequence[int]]:
        """Seats and fewer tapers that serve one of them each, which they all want: one goes without any.

        A taper serves one seat where no stretch that one may take lies clear of any of another's.
        """
        lots, wants = self.tables.lots, {}
        for seat, one in enumerate(answer.used):
            if one is not None and one.stack.tail is not None:
                lot = lots[one.stack.tail[0]]
                if lot.is_marked and lot.count == 1:
                    wants[seat] = one.stack.tail[0]
        if len(set(wants.values())) == len(wants):
            return (), ()
        for rank in sorted(set(wants.values())):
            spans = [self._may_take(node, rank, seat) for seat in wants]
            if any(ends <= begins + TOUCH_MM for (ends, _), (_, begins) in itertools.permutations(spans, 2)):
                wants = {seat: other for seat, other in wants.items() if other != rank}
        ranks = sorted(set(wants.values()))
        return (tuple(wants), ranks) if len(wants) > len(ranks) else ((), ())

    def _one_after_the_other(
        self, node: _Node, rank: int, one: _Stretch, other: _Stretch
    ) -> Iterator[tuple[tuple[Caps, ...], _Orders]]:
        """Two seats that want the same part of one taper: either goes without, or one lies before the other.

        Whichever comes first leaves room for the other's shortest stretch. Once that is settled, the first
        ends before any place between them, or the other begins beyond it.
        """
        for first, last in ((one, other), (other, one)):
            if (rank, first.seat, last.seat) in node.orders:
                middle = (first.end + last.start) / 2.0
                yield _changed(node.caps, (first.seat, _lies(rank, -math.inf, middle))), node.orders
                yield _changed(node.caps, (last.seat, _lies(rank, middle, math.inf))), node.orders
                return
        for seat in (one.seat, other.seat):
            yield _changed(node.caps, (seat, _lies(rank, 1.0, 0.0))), node.orders
        for first, last in ((one, other), (other, one)):
            ends, _ = self._may_take(node, rank, first.seat)
            _, begins = self._may_take(node, rank, last.seat)
            if ends <= begins + TOUCH_MM:
                caps = _changed(
                    node.caps,
                    (first.seat, _lies(rank, -math.inf, begins)),
                    (last.seat, _lies(rank, ends, math.inf)),
                )
                yield caps, node.orders | {(rank, first.seat, last.seat)}

    def _may_take(self, node: _Node, rank: int, seat: int) -> tuple[float, float]:
        """Least end and greatest begin of what a seat may take of a taper, mm from the thin end."""
        tables, part = self.tables, node.caps[seat].part(rank)
        least, most = math.inf, -math.inf
        for group in node.groups[seat - 1].values() if seat else ():
            top = group.base + group.values.shape[1] - 1
            if not any(run.rank == rank for row in group.rows for run in row.runs):
                continue  # steeper than the gap it bears at the face only, flatter further in only
            for run in tables.runs_within(rank, group.inner_mm, (), part) if top >= group.base else ():
                # Flats beside it make a thin stretch do, never a thick one.
                lo = run.lo if len(tables.thick) else max(run.lo, group.base)
                if lo <= min(run.hi, top):
                    least = min(least, tables.stretch(rank, lo, group.inner_mm)[1])
                    most = max(most, tables.stretch(rank, min(run.hi, top), group.inner_mm)[0])
        return least, most


_Tapers = dict[int, tuple[float, float]]
"""By rank: where the last stretch that is taken of it begins and where the first ends, mm."""


def _too_few(tapers: Sequence[_Tapers]) -> bool:
    """Seats that all want stretches of fewer tapers, no two of which lie clear of each other (Hall)."""
    sure = [one for one in tapers if one]
    for size in range(2, len(sure) + 1):
        for some in itertools.combinations(sure, size):
            ranks = {rank for one in some for rank in one}
            if len(ranks) < size and all(
                min(one[rank][1] for one in some if rank in one)
                > max(one[rank][0] for one in some if rank in one) + TOUCH_MM
                for rank in ranks
            ):
                return True
    return False


def _tie_key(answer: Answer) -> tuple[float, int, tuple[int, ...], tuple[int, ...]]:
    """The rule for ties: cost, fewer pieces, lowest lots in natural order, lowest thickness."""
    ranks = [rank for one in answer.used if one is not None for rank in one.stack.ranks]
    steps = tuple(cell.steps for cell in answer.choice.cells)
    return round(answer.cost, 6), len(ranks), tuple(sorted(ranks)), steps


def _changed(caps: tuple[Caps, ...], *changes: tuple[int, Caps]) -> tuple[Caps, ...]:
    changed = list(caps)
    for seat, change in changes:
        changed[seat] = changed[seat].also(change)
    return tuple(changed)


def _lies(rank: int, from_mm: float, to_mm: float) -> Caps:
    return Caps(within=((rank, from_mm, to_mm),))


# ---------------------------------------------------------------- conflicts


def first_conflict(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    """Who could go without, and without what, to settle the first thing that is wanted too often.

    (place in `used`, cap) for each; empty when the box can serve all at once.
    """
    return _short_flats(tables, used) or _covered_too_often(tables, used) or _strips_too_short(tables, used)


def serves(tables: Tables, used: Sequence[Used | None]) -> bool:
    """True when the box can serve all at once: what `first_conflict` finds, without who and what."""
    taken: list[int] = []
    for one in used:
        if one is not None:
            taken += one.stack.ranks
    # Where nothing is wanted by two there is enough: one at least of each.
    return len(set(taken)) == len(taken) or not first_conflict(tables, used)


def _short_flats(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    wanted: dict[int, dict[int, int]] = {}
    for seat, one in enumerate(used):
        for rank in one.stack.flats if one else ():
            seats = wanted.setdefault(rank, {})
            seats[seat] = seats.get(seat, 0) + 1
    for rank in sorted(wanted):
        if sum(wanted[rank].values()) > tables.lots[rank].count:
            return [(seat, Caps(flats=((rank, n - 1),))) for seat, n in sorted(wanted[rank].items())]
    return []


def _tails(
    tables: Tables, used: Sequence[Used | None], use: str
) -> list[tuple[int, list[tuple[int, int, Used]]]]:
    """Per lot that is used one way: (seat, thickness, use) of each tapered piece."""
    tails: dict[int, list[tuple[int, int, Used]]] = {}
    for seat, one in enumerate(used):
        taken = [] if one is None else [(rank, _WHOLE) for rank in one.stack.flats]
        if one is not None and one.stack.tail is not None:
            taken.append(one.stack.tail)
        for rank, steps in taken:
            if one is not None and FORMS[tables.lots[rank].form].use == use:
                tails.setdefault(rank, []).append((seat, steps, one))
    return sorted(tails.items())


class _Stretch(NamedTuple):
    """What one seat takes of a taper, mm from the thin end."""

    start: float
    end: float
    seat: int


def _stretches(tables: Tables, rank: int, uses: Sequence[tuple[int, int, Used]]) -> list[_Stretch]:
    every = -math.inf, math.inf
    return sorted(
        _Stretch(*(every if steps == _WHOLE else tables.stretch(rank, steps, one.inner_mm)), seat)
        for seat, steps, one in uses
    )


def _overlap(tables: Tables, used: Sequence[Used | None]) -> tuple[int, _Stretch, _Stretch] | None:
    """The first two stretches that overlap on a taper of which there is one; the thinner first."""
    for rank, uses in _tails(tables, used, "marked"):
        if tables.lots[rank].count == 1:
            for one, other in itertools.pairwise(_stretches(tables, rank, uses)):
                if one.end > other.start + TOUCH_MM:
                    return rank, one, other
    return None


def _covered_too_often(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    for rank, uses in _tails(tables, used, "marked"):
        if len(uses) <= tables.lots[rank].count:
            continue
        stretches = _stretches(tables, rank, uses)
        for x, _, _ in stretches:
            covering = [one for one in stretches if one.start <= x < one.end - TOUCH_MM]
            if len(covering) > tables.lots[rank].count:
                # The middle of what they share: whoever goes round it has to move the farthest.
                middle = (x + min(one.end for one in covering)) / 2.0
                return [(one.seat, Caps(points=((rank, middle),))) for one in covering]
    return []


def _strips_too_short(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    for rank, uses in _tails(tables, used, "sawn"):
        missing_mm = _strips_lack_mm(tables, rank, uses, tables.lots[rank].count)
        if missing_mm > 0.0:
            # All together have to get thinner by what is missing, so one of them by its share at least.
            less = max(1, math.ceil(missing_mm / len(uses) / tables.options.quantum_mm - _EPS))
            return [(seat, Caps(strips=((rank, steps - less),))) for seat, steps, _ in uses]
    return []


def lacking(tables: Tables, used: Sequence[Used | None]) -> dict[int, int]:
    """How many more of which lots (by rank) it takes to serve all seats at once; empty when the box can."""
    need: dict[int, int] = dict(Counter(rank for one in used if one for rank in one.stack.flats))
    for rank, uses in _tails(tables, used, "marked"):
        stretches = _stretches(tables, rank, uses)
        need[rank] = max(
            sum(one.start <= x < one.end - TOUCH_MM for one in stretches) for x, _, _ in stretches
        )
    for rank, uses in _tails(tables, used, "sawn"):
        enough = (n for n in range(1, len(uses)) if _strips_lack_mm(tables, rank, uses, n) <= 0.0)
        need[rank] = next(enough, len(uses))
    more = {rank: n - tables.lots[rank].count for rank, n in sorted(need.items())}
    return {rank: n for rank, n in more.items() if n > 0}


def _strips_lack_mm(tables: Tables, rank: int, uses: Sequence[tuple[int, int, Used]], count: int) -> float:
    """What so many of the lot's strips lack in mm for these wedges; 0 when they do."""
    lot = tables.lots[rank]
    wedges: list[tuple[float, float]] = []
    """(setting, length along the strip)."""
    for _, steps, one in uses:
        assert one.row.saw_deg is not None
        thick_mm = steps * tables.options.quantum_mm + (one.inner_mm or 0.0) * one.row.sigma
        wedges.append((one.row.saw_deg, tables.wedge_mm(lot, one.row.saw_deg, thick_mm)))
    least = math.inf
    for given in itertools.product(range(min(count, len(wedges))), repeat=len(wedges)):
        lacking = 0.0
        for copy in set(given):
            mine = [wedge for wedge, to in zip(wedges, given, strict=True) if to == copy]
            taken = sum(length for _, length in mine)
            taken += sum(tables.group_mm(lot, angle) for angle in {angle for angle, _ in mine})
            lacking += max(0.0, taken - tables.usable_mm(lot) - _EPS)
        least = min(least, lacking)
    return least
