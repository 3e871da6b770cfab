"""One box for all seats of a post: the search made exact where two seats want the same thing.

Best-first branching on who goes without. A node says per seat what it may not use (`Caps`); its bound is
the relaxed optimum under those caps. A flat lot that is short: one of the seats uses at least one piece
less. A stretch of the one taper that two want: either goes without it, or they lie one after the other; of
several like tapers, one of the seats that cover a point too often does not cover it. A strip that
is too short: one of the seats takes a thinner wedge of it. Each split covers every answer, so the first
node without a conflict is the best. Saw settings are paid for once: one search per set of settings, small
sets first, as long as a set's price still leaves room below the best answer.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.pieces import ANYWHERE, NO_CAPS, TOUCH_MM, Caps, Row, Stack
from shimfit.core.packing.search import TIE, Cell, Choice, Group, Search
from shimfit.core.packing.tables import Tables
from shimfit.model import FORMS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.core.packing.question import Task

NODE_LIMIT = 600
"""Nodes after which the search stops proving; usual posts need 1, the worst seen in full boxes some tens."""
_DIVE_DEPTH = 60
_CHOICES = (6, 48)
"""Choices that are held and built one by one before it is branched over all of them."""
_WAYS = 5000
"""Ways to make the packs of one choice that are looked at."""
_MORE = (0.02, 0.1, 0.5)
"""How much more than the cheapest those may cost, in pieces: first little, then more."""
_EPS = 1e-7


@dataclass(frozen=True, slots=True)
class Down:
    """What stands under the seat that stays down: nothing, or a flat or two that lift the post."""

    steps: int = 0

    @property
    def is_bare(self) -> bool:
        """Nothing stands there."""
        return self.steps == 0


@dataclass(frozen=True, slots=True)
class Answer:
    """The best choice with its pieces."""

    choice: Choice
    """Cells of the three seats that are searched, the one that stays down first."""
    stacks: tuple[Stack | None, ...]
    """Pieces per seat, in the task's order; None for bare seats and offers."""
    rows: tuple[Row | None, ...]
    """Class of each pack, in the task's order."""
    cost: float
    """Choice, what stands under the seat that stays down, and saw settings."""
    angles: tuple[float, ...]
    """Saw settings that are used."""
    set_up: float
    """What the settings cost."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the branching found."""

    answer: Answer | None
    bound: float
    """No answer is cheaper."""
    nodes: int
    finished: bool
    """False when the node limit stopped it."""
    least_rest: float = 0.0
    """What any rest on these places costs at least."""


Orders = frozenset[tuple[int, int, int]]


@dataclass
class _Node:
    caps: tuple[Caps, ...]
    groups: tuple[dict[bool, Group], ...]
    orders: Orders = frozenset()
    """(rank, seat, other): of that taper the seat's stretch lies nearer the thin end than the other's."""


@dataclass
class _Count:
    nodes: int = 0


def solve_one_box(
    task: Task,
    tables: Tables,
    *,
    down: Down = Down(),
    limit: float = math.inf,
    node_limit: int = NODE_LIMIT,
    relaxed: bool = False,
    kind: type[Search] = Search,
) -> Outcome:
    """The best packs for one post from the one box.

    limit: answers dearer than this are not looked for. relaxed: stop at each root, two seats may then want
    the same piece (what is shown while a sensor streams). kind: how the seats rest together.
    """
    saw = tables.options.saw
    angles = sorted({row.saw_deg for row in tables.rows if row.saw_deg is not None})
    free = [a for a in angles if a == saw.stands_at_deg]
    paid = [a for a in angles if a != saw.stands_at_deg]
    price = tables.options.costs.saw_set_up
    count = _Count()
    best: Answer | None = None
    bound = math.inf
    finished = True
    floor, least_rest = -math.inf, 0.0
    if paid:
        floor = _floor(kind(task, tables, frozenset(angles)), down, limit)
    for size in range(len(paid) + 1):
        if size and (size > len(task.seats) - 1 or floor + size * price >= limit - TIE):
            break
        for chosen in itertools.combinations(paid, size):
            set_up = size * price
            search = kind(task, tables, frozenset((*free, *chosen)))
            least_rest = search.least_rest
            found, low, done = _branch(search, down, limit - set_up, node_limit, count, relaxed=relaxed)
            finished &= done
            bound = min(bound, low + set_up)
            if found is not None and found.cost + set_up < limit - (TIE if best else -TIE):
                best = replace(found, cost=found.cost + set_up, angles=_used(found), set_up=set_up)
                limit = min(limit, best.cost)
    if task.work.spent:
        finished, bound = False, -math.inf
    if best is not None and finished:
        bound = best.cost
    return Outcome(best, bound, count.nodes, finished, least_rest)


def _floor(search: Search, down: Down, limit: float) -> float:
    """What no answer can beat, whatever settings are paid for."""
    stack = _down_stack(search.tables, down, NO_CAPS)
    if stack is None and not down.is_bare:
        return math.inf
    found = search.best(search.groups, 1, limit)
    return (found[0].cost if found else math.inf) + (stack.cost if stack else 0.0)


def _used(answer: Answer) -> tuple[float, ...]:
    return tuple(sorted({row.saw_deg for row in answer.rows if row is not None and row.saw_deg is not None}))


# ---------------------------------------------------------------- branching


def _branch(
    search: Search, down: Down, limit: float, node_limit: int, count: _Count, *, relaxed: bool
) -> tuple[Answer | None, float, bool]:
    """Best answer for one set of settings, a bound, and whether the tree was finished."""
    ticket = itertools.count()
    heap: list[tuple[float, int, _Node, Answer]] = []
    seen: set[tuple[tuple[Caps, ...], Orders]] = set()
    root = _Node((NO_CAPS,) * len(search.task.seats), tuple(search.groups))
    _push(heap, ticket, search, down, root, limit)
    known: Answer | None = None
    if heap and search.in_contact and not relaxed and any(_conflict(search, heap[0][3], root)):
        known, bound = _one_by_one(search, down, root, limit)
        count.nodes += 1
        limit = limit if known is None else min(limit, known.cost)
        if bound >= limit - TIE:
            return known, limit if known else math.inf, True
    while heap:
        low, _, node, answer = heapq.heappop(heap)
        count.nodes += 1
        if low > limit + (-TIE if known else TIE):
            break
        children = () if relaxed else tuple(_conflict(search, answer, node))
        if not children:
            return answer, low, True
        if count.nodes >= node_limit or search.task.work.spent:
            return known or _dive(search, down, node, answer), low, False
        for caps, orders in children:
            if (caps, orders) not in seen:
                seen.add((caps, orders))
                _push(heap, ticket, search, down, _child(search.tables, node, caps, orders), limit)
    return known, known.cost if known else math.inf, True


def _one_by_one(search: Search, down: Down, root: _Node, limit: float) -> tuple[Answer | None, float]:
    """The best answer among the cheapest choices, and what no answer is cheaper than.

    Many choices differ only in which of two like pieces goes where. So the thicknesses are held, one choice
    after the other as they get dearer, and the box is asked for pieces that make just these; once a choice
    costs more than the best answer, nothing that comes after it can be cheaper.
    """
    under = _down_stack(search.tables, down, NO_CAPS)
    base = under.cost if under else 0.0
    built: dict[tuple[Cell, ...], tuple[Answer | None, float]] = {}
    most, bound = limit, -math.inf
    for keep in _CHOICES:
        found = search.best(root.groups, keep, most - base)
        for choice in found:
            if choice.cost + base > most + TIE:
                break
            if choice.cells not in built:
                built[choice.cells] = _made_of(search, down, root, choice, most)
            most = min(most, built[choice.cells][1] if built[choice.cells][0] else most)
        unknown = min((low for answer, low in built.values() if answer is None), default=math.inf)
        bound = min(most, unknown, found[-1].cost + base if len(found) >= keep else math.inf)
        if bound >= most - TIE or unknown < most - TIE:
            break
    likely = [answer for answer, _ in built.values() if answer is not None and answer.cost <= most + TIE]
    return min(likely, key=_tie_key, default=None), bound


def _made_of(
    search: Search, down: Down, root: _Node, choice: Choice, limit: float
) -> tuple[Answer | None, float]:
    """The cheapest pieces of the one box for the thicknesses of a choice, or None and a bound.

    Every way to make each pack that costs little more than the cheapest is laid out, then twice as much more.
    """
    tables = search.tables
    under = _down_stack(tables, down, NO_CAPS)
    base = choice.cost + (under.cost if under else 0.0)
    bound = base
    for more in _MORE:
        gap = min(more * tables.options.costs.piece, limit + TIE - base)
        ways = [_ways_down(tables, down, under, choice.cells[0], gap)]
        for i, cell in enumerate(choice.cells[1:]):
            ways.append(_ways(tables, root.groups[i][cell.inner], cell, gap))
        if math.prod(len(some) for some in ways) > _WAYS:
            return None, bound
        best: list[Answer] = []
        for dearer, some in sorted(
            ((sum(way.dearer for way in some), some) for some in itertools.product(*ways)),
            key=lambda item: item[0],
        ):
            if dearer > gap or (best and base + dearer > best[0].cost + TIE):
                break
            used = [way.used for way in some]
            if not first_conflict(tables, used):
                held = replace(
                    choice, cost=choice.cost + dearer - some[0].dearer, cells=tuple(w.cell for w in some)
                )
                stacks, rows = zip(*((one and one.stack, one and one.row) for one in used), strict=True)
                best.append(Answer(held, stacks, rows, base + dearer, (), 0.0))
        if best:
            answer = min(best, key=_tie_key)
            return answer, answer.cost
        if base + gap > limit:
            return None, math.inf
        bound = base + gap
    return None, bound


class _Way(NamedTuple):
    """One pack of a choice as it can be made: what it costs more than the cheapest, and its pieces."""

    dearer: float
    cell: Cell
    used: Used | None


def _ways_down(tables: Tables, down: Down, under: Stack | None, cell: Cell, gap: float) -> list[_Way]:
    """Every way to make what stands under the seat that stays down."""
    if under is None:
        return [_Way(0.0, cell, None)]
    return [
        _Way(cost - under.cost, cell, Used(Stack(cost, None, ranks), tables.rows[0], None))
        for k in (1, 2)
        for cost, ranks in tables.flat_ways(down.steps, k, under.cost + gap)
    ]


def _ways(tables: Tables, group: Group, cell: Cell, gap: float) -> list[_Way]:
    """Every way to make one pack that costs at most so much more than the cheapest."""
    if cell.row < 0:
        return [_Way(0.0, cell, None)]
    values = group.values[:, cell.steps - group.base]
    ways = []
    for r in np.flatnonzero(values <= cell.cost + gap).tolist():
        row, extra = group.rows[r], float(group.extra[r])
        for stack in tables.ways(row, cell.steps, cell.cost + gap - extra):
            cost = stack.cost + extra
            used = Used(stack, row, group.inner_mm)
            ways.append(_Way(cost - cell.cost, cell._replace(row=r, cost=cost), used))
    return ways


def _dive(search: Search, down: Down, node: _Node, answer: Answer) -> Answer | None:
    """An answer that the box can serve, soon rather than best: always the cheapest way round a conflict."""
    for _ in range(_DIVE_DEPTH):
        ways: list[tuple[float, int, _Node, Answer]] = []
        for caps, orders in _conflict(search, answer, node):
            child = _child(search.tables, node, caps, orders)
            found = _relaxed_answer(search, down, child, math.inf)
            if found is not None:
                ways.append((found.cost, len(ways), child, found))
        if not ways:
            return answer if not list(_conflict(search, answer, node)) else None
        _, _, node, answer = min(ways, key=lambda way: way[:2])
    return None


def _push(  # noqa: PLR0917 - a private step of the loop above, with its state in hand
    heap: list[tuple[float, int, _Node, Answer]],
    ticket: Iterator[int],
    search: Search,
    down: Down,
    node: _Node,
    limit: float,
) -> None:
    answer = _relaxed_answer(search, down, node, limit)
    if answer is not None:
        heapq.heappush(heap, (round(answer.cost, 6), next(ticket), node, answer))


def _child(tables: Tables, node: _Node, caps: tuple[Caps, ...], orders: Orders) -> _Node:
    """The node under new caps: groups whose caps changed are copied, for their values will be raised."""
    groups = tuple(
        {inner: group.capped(tables, caps[i + 1]) for inner, group in node.groups[i].items()}
        if caps[i + 1] != node.caps[i + 1]
        else node.groups[i]
        for i in range(len(node.groups))
    )
    return _Node(caps, groups, orders)


def _relaxed_answer(search: Search, down: Down, node: _Node, limit: float) -> Answer | None:
    """The node's optimum with its pieces; values of capped cells are corrected as they come up."""
    under = _down_stack(search.tables, down, node.caps[0])
    if under is None and not down.is_bare:
        return None
    base = under.cost if under else 0.0
    flats = search.tables.rows[0]
    while True:
        found = search.best(node.groups, 1, limit - base)
        if not found:
            return None
        least = found[0].cost
        answers = []
        for choice in found:
            if choice.cost > least + TIE:
                break
            stacks = _stacks(search, node, choice)
            if stacks is None:
                break
            rows = (flats if under else None, *_rows(node, choice))
            answers.append(Answer(choice, (under, *stacks), rows, choice.cost + base, (), 0.0))
        else:
            return min(answers, key=_tie_key)
        if answers and stacks is not None:
            return min(answers, key=_tie_key)


def _rows(node: _Node, choice: Choice) -> list[Row | None]:
    return [
        node.groups[i][cell.inner].rows[cell.row] if cell.row >= 0 else None
        for i, cell in enumerate(choice.cells[1:])
    ]


def _tie_key(answer: Answer) -> tuple[float, int, tuple[int, ...], tuple[int, ...]]:
    """The rule for ties: cost, fewer pieces, lowest lots in natural order, lowest thickness."""
    ranks = []
    for stack in answer.stacks:
        if stack is not None:
            ranks += [*stack.flats, *([stack.tail[0]] if stack.tail else [])]
    steps = tuple(cell.steps for cell in answer.choice.cells)
    return round(answer.cost, 6), len(ranks), tuple(sorted(ranks)), steps


def _stacks(search: Search, node: _Node, choice: Choice) -> tuple[Stack | None, ...] | None:
    """Pieces of every searched seat; None when a value was too low and has been raised."""
    stacks: list[Stack | None] = []
    wrong = False
    for i, cell in enumerate(choice.cells[1:]):
        if cell.row < 0:
            stacks.append(None)
            continue
        group = node.groups[i][cell.inner]
        row = group.rows[cell.row]
        stack = search.tables.stack(row, cell.steps, node.caps[i + 1], group.inner_mm)
        table_cost = float(group.values[cell.row, cell.steps - group.base] - group.extra[cell.row])
        cost = math.inf if stack is None else stack.cost
        if cost > table_cost + _EPS:
            group.raise_cell(cell.steps, cell.row, cost)
            wrong = True
        stacks.append(stack)
    return None if wrong else tuple(stacks)


def _down_stack(tables: Tables, down: Down, caps: Caps) -> Stack | None:
    if down.is_bare:
        return None
    return tables.few_flats(down.steps, caps)


# ---------------------------------------------------------------- conflicts


class Used(NamedTuple):
    """The pieces of one pack and how their thickness is told."""

    stack: Stack
    row: Row
    inner_mm: float | None


def first_conflict(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    """Who could go without, and without what, to settle the first thing that is wanted too often.

    (place in `used`, cap) for each; empty when the box can serve all at once.
    """
    return _short_flats(tables, used) or _covered_too_often(tables, used) or _strips_too_short(tables, used)


def _conflict(search: Search, answer: Answer, node: _Node) -> Iterator[tuple[tuple[Caps, ...], Orders]]:
    """Caps and orders of the children that settle the first conflict; nothing when the box can serve all."""
    tables, used = search.tables, _used_by(search, answer)
    ways = _short_flats(tables, used)
    pair = None if ways else _overlap(tables, used)
    if pair is not None:
        yield from _one_after_the_other(search, node, *pair)
        return
    for seat, change in ways or _covered_too_often(tables, used) or _strips_too_short(tables, used):
        yield _changed(node.caps, (seat, change)), node.orders


def _used_by(search: Search, answer: Answer) -> list[Used | None]:
    return [
        Used(stack, row, inner_mm_of(search.task, i, answer.choice.cells[i]))
        if stack is not None and row is not None
        else None
        for i, (stack, row) in enumerate(zip(answer.stacks, answer.rows, strict=True))
    ]


def _changed(caps: tuple[Caps, ...], *changes: tuple[int, Caps]) -> tuple[Caps, ...]:
    changed = list(caps)
    for seat, change in changes:
        changed[seat] = _with(changed[seat], change)
    return tuple(changed)


class _Stretch(NamedTuple):
    """What one seat takes of a taper, mm from the thin end."""

    start: float
    end: float
    seat: int


def _overlap(tables: Tables, used: Sequence[Used | None]) -> tuple[int, _Stretch, _Stretch] | None:
    """The first two stretches that overlap on a taper of which there is one; the thinner first."""
    for rank, uses in sorted(_tails(tables, used, "marked").items()):
        if tables.lots[rank].count == 1:
            stretches = sorted(
                _Stretch(*tables.stretch(rank, steps, one.inner_mm), seat) for seat, steps, one in uses
            )
            for one, other in itertools.pairwise(stretches):
                if one.end > other.start + TOUCH_MM:
                    return rank, one, other
    return None


def _one_after_the_other(
    search: Search, node: _Node, rank: int, one: _Stretch, other: _Stretch
) -> Iterator[tuple[tuple[Caps, ...], Orders]]:
    """Two seats that want the same part of one taper: either goes without, or one lies before the other.

    Whichever comes first leaves room for the other's shortest stretch. Once that is settled, the first ends
    before any place between them, or the other begins beyond it.
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
        ends, _ = _may_take(search, node, rank, first.seat)
        _, begins = _may_take(search, node, rank, last.seat)
        if ends <= begins + TOUCH_MM:
            caps = _changed(
                node.caps,
                (first.seat, _lies(rank, -math.inf, begins)),
                (last.seat, _lies(rank, ends, math.inf)),
            )
            yield caps, node.orders | {(rank, first.seat, last.seat)}


def _lies(rank: int, from_mm: float, to_mm: float) -> Caps:
    return Caps(within=((rank, from_mm, to_mm),))


def _may_take(search: Search, node: _Node, rank: int, seat: int) -> tuple[float, float]:
    """Least end and greatest begin of what a seat may take of a taper, mm from the thin end."""
    tables = search.tables
    part = next(((lo, hi) for r, lo, hi in node.caps[seat].within if r == rank), ANYWHERE)
    least, most = math.inf, -math.inf
    for group in node.groups[seat - 1].values():
        top = group.base + group.values.shape[1] - 1
        if top < group.base:
            continue
        for run in tables.runs_within(rank, group.inner_mm, (), part):
            # Flats beside it make a thin stretch do, never a thick one.
            lo = run.lo if len(tables.thick) else max(run.lo, group.base)
            if lo <= min(run.hi, top):
                least = min(least, tables.stretch(rank, lo, group.inner_mm)[1])
                most = max(most, tables.stretch(rank, min(run.hi, top), group.inner_mm)[0])
    return least, most


def _with(caps: Caps, change: Caps) -> Caps:
    flats = dict(caps.flats)
    for rank, most in change.flats:
        flats[rank] = min(most, flats.get(rank, most))
    strips = dict(caps.strips)
    for rank, thickest in change.strips:
        strips[rank] = min(thickest, strips.get(rank, thickest))
    within = {rank: (lo, hi) for rank, lo, hi in caps.within}
    for rank, lo, hi in change.within:
        old = within.get(rank, ANYWHERE)
        within[rank] = max(lo, old[0]), min(hi, old[1])
    return Caps(
        tuple(sorted(flats.items())),
        tuple(sorted({*caps.points, *change.points})),
        tuple(sorted(strips.items())),
        tuple((rank, *part) for rank, part in sorted(within.items())),
    )


def inner_mm_of(task: Task, seat: int, cell: Cell) -> float | None:
    """How far in a cell's thickness is told; None at the face. seat counts from the one that stays down."""
    place = task.seats[seat].place
    return place.inside_mm if cell.inner and place is not None else None


def _short_flats(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    wanted: dict[int, Counter[int]] = defaultdict(Counter)
    for seat, one in enumerate(used):
        for rank in one.stack.flats if one else ():
            wanted[rank][seat] += 1
    for rank in sorted(wanted):
        if wanted[rank].total() > tables.lots[rank].count:
            return [(seat, Caps(flats=((rank, n - 1),))) for seat, n in sorted(wanted[rank].items())]
    return []


def _tails(tables: Tables, used: Sequence[Used | None], use: str) -> dict[int, list[tuple[int, int, Used]]]:
    """Per lot that is used one way: (seat, thickness, use) of each tapered piece."""
    tails: dict[int, list[tuple[int, int, Used]]] = defaultdict(list)
    for seat, one in enumerate(used):
        if one is not None and one.stack.tail is not None:
            rank, steps = one.stack.tail
            if FORMS[tables.lots[rank].form].use == use:
                tails[rank].append((seat, steps, one))
    return tails


def _covered_too_often(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    for rank, uses in sorted(_tails(tables, used, "marked").items()):
        if len(uses) <= tables.lots[rank].count:
            continue
        stretches = [(*tables.stretch(rank, steps, one.inner_mm), seat) for seat, steps, one in uses]
        for x, _, _ in sorted(stretches):
            covering = [one for one in stretches if one[0] <= x < one[1] - TOUCH_MM]
            if len(covering) > tables.lots[rank].count:
                # The middle of what they share: whoever goes round it has to move the farthest.
                middle = (x + min(end for _, end, _ in covering)) / 2.0
                return [(seat, Caps(points=((rank, middle),))) for _, _, seat in covering]
    return []


def _strips_too_short(tables: Tables, used: Sequence[Used | None]) -> list[tuple[int, Caps]]:
    for rank, uses in sorted(_tails(tables, used, "sawn").items()):
        lot = tables.lots[rank]
        wedges = _wedges(tables, rank, [(steps, one) for _, steps, one in uses])
        missing_mm = _strips_lack_mm(tables, rank, wedges, lot.count)
        if missing_mm > 0.0:
            # All together have to get thinner by what is missing, so one of them by its share at least.
            less = max(1, math.ceil(missing_mm / len(uses) / tables.options.quantum_mm - _EPS))
            return [(seat, Caps(strips=((rank, steps - less),))) for seat, steps, _ in uses]
    return []


def _wedges(tables: Tables, rank: int, uses: Sequence[tuple[int, Used]]) -> list[tuple[float, float]]:
    """(setting, length along the strip) of wedges told by their thickness."""
    wedges = []
    for steps, one in uses:
        assert one.row.saw_deg is not None
        thick_mm = steps * tables.options.quantum_mm + (one.inner_mm or 0.0) * one.row.sigma
        wedges.append((one.row.saw_deg, tables.wedge_mm(tables.lots[rank], one.row.saw_deg, thick_mm)))
    return wedges


def lacking(tables: Tables, used: Sequence[Used | None]) -> dict[int, int]:
    """How many more of which lots (by rank) it takes to serve all seats at once; empty when the box can."""
    more: dict[int, int] = {}
    flats: Counter[int] = Counter(rank for one in used if one for rank in one.stack.flats)
    for rank, n in flats.items():
        more[rank] = n - tables.lots[rank].count
    for rank, uses in _tails(tables, used, "marked").items():
        stretches = [tables.stretch(rank, steps, one.inner_mm) for _, steps, one in uses]
        deepest = max(sum(start <= x < end - TOUCH_MM for start, end in stretches) for x, _ in stretches)
        more[rank] = deepest - tables.lots[rank].count
    for rank, uses in _tails(tables, used, "sawn").items():
        wedges = _wedges(tables, rank, [(steps, one) for _, steps, one in uses])
        counts = range(1, len(wedges) + 1)
        enough = next((n for n in counts if _strips_lack_mm(tables, rank, wedges, n) <= 0.0), len(wedges))
        more[rank] = enough - tables.lots[rank].count
    return {rank: n for rank, n in sorted(more.items()) if n > 0}


def _strips_lack_mm(tables: Tables, rank: int, wedges: Sequence[tuple[float, float]], count: int) -> float:
    """What so many of the lot's strips lack in mm for wedges of (setting, length along); 0 when they do."""
    lot = tables.lots[rank]
    usable = tables.usable_mm(lot)
    least = math.inf
    for given in itertools.product(range(min(count, len(wedges))), repeat=len(wedges)):
        lacking = 0.0
        for copy in set(given):
            mine = [wedge for wedge, to in zip(wedges, given, strict=True) if to == copy]
            taken = sum(length for _, length in mine)
            taken += sum(tables.group_mm(lot, angle) for angle in {angle for angle, _ in mine})
            lacking += max(0.0, taken - usable - _EPS)
        least = min(least, lacking)
    return least


__all__ = [
    "NODE_LIMIT",
    "Answer",
    "Down",
    "Outcome",
    "Used",
    "first_conflict",
    "inner_mm_of",
    "lacking",
    "solve_one_box",
]
