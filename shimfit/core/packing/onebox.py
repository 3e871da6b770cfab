"""One box for all seats of a post: the search made exact where two seats want the same thing.

Best-first branching on who goes without. A node says per seat what it may not use (`Caps`); its bound is
the relaxed optimum under those caps. A flat lot that is short: one of the seats uses at least one piece
less. A stretch of taper that is covered too often: one of the seats does not cover that point. A strip that
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
from typing import TYPE_CHECKING

from shimfit.core.packing.search import BARE, TIE, Cell, Choice, Group, Search
from shimfit.core.packing.tables import NO_CAPS, Caps, Row, Stack, Tables

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.core.packing.search import Task

NODE_LIMIT = 4000
"""Nodes after which the search gives up; usual posts need 1, the worst seen some tens."""
_EPS = 1e-7


@dataclass(frozen=True, slots=True)
class Down:
    """What stands under the seat that stays down: nothing, or one flat that lifts the post."""

    steps: int = 0

    @property
    def is_bare(self) -> bool:
        return self.steps == 0


@dataclass(frozen=True, slots=True)
class Answer:
    """The best choice with its pieces."""

    choice: Choice
    """Cells of the three seats that are searched, the one that stays down first."""
    stacks: tuple[Stack | None, ...]
    """Pieces per seat, in the task's order; None for bare seats and offers."""
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


@dataclass
class _Node:
    caps: tuple[Caps, Caps, Caps, Caps]
    groups: tuple[dict[bool, Group], ...]


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
) -> Outcome:
    """The best packs for one post from the one box.

    limit: answers dearer than this are not looked for. relaxed: stop at each root, two seats may then want
    the same piece (what is shown while a sensor streams).
    """
    saw = tables.options.saw
    angles = sorted({row.saw_deg for row in tables.rows if row.saw_deg is not None})
    free = [a for a in angles if a == saw.stands_at_deg]
    paid = [a for a in angles if a != saw.stands_at_deg]
    price = tables.options.weights.saw_set_up
    count = _Count()
    best: Answer | None = None
    bound = math.inf
    finished = True
    floor = -math.inf
    if paid:
        floor = _floor(task, tables, frozenset(angles), down, limit)
    for size in range(len(paid) + 1):
        if size and (size > 3 + (not down.is_bare) or floor + size * price >= limit - TIE):
            break
        for chosen in itertools.combinations(paid, size):
            set_up = size * price
            search = Search(task, tables, frozenset((*free, *chosen)))
            found, low, done = _branch(search, down, limit - set_up, node_limit, count, relaxed=relaxed)
            finished &= done
            bound = min(bound, low + set_up)
            if found is not None and found.cost + set_up < limit - (TIE if best else -TIE):
                best = replace(
                    found, cost=found.cost + set_up, angles=_used(found, tables, search), set_up=set_up
                )
                limit = min(limit, best.cost)
    if best is not None and finished:
        bound = best.cost
    return Outcome(best, bound, count.nodes, finished)


def _floor(task: Task, tables: Tables, angles: frozenset[float], down: Down, limit: float) -> float:
    """What no answer can beat, whatever settings are paid for."""
    search = Search(task, tables, angles)
    stack = _down_stack(tables, down, NO_CAPS)
    if stack is None and not down.is_bare:
        return math.inf
    found = search.best(search.groups, 1, limit)
    return (found[0].cost if found else math.inf) + (stack.cost if stack else 0.0)


def _used(answer: Answer, tables: Tables, search: Search) -> tuple[float, ...]:
    rows = (row_of(search.groups, i, cell) for i, cell in enumerate(answer.choice.cells[1:]) if cell.row >= 0)
    return tuple(sorted({row.saw_deg for row in rows if row.saw_deg is not None}))


def row_of(groups: Sequence[dict[bool, Group]], seat: int, cell: Cell) -> Row:
    """The class of pack of a cell of the seat-th searched seat."""
    return groups[seat][cell.inner].classes[cell.row][0]


# ---------------------------------------------------------------- branching


def _branch(
    search: Search, down: Down, limit: float, node_limit: int, count: _Count, *, relaxed: bool
) -> tuple[Answer | None, float, bool]:
    """Best answer for one set of settings, a bound, and whether the tree was finished."""
    ticket = itertools.count()
    heap: list[tuple[float, int, _Node, Answer]] = []
    root = _Node((NO_CAPS,) * 4, tuple(search.groups))
    _push(heap, ticket, search, down, root, limit)
    while heap:
        low, _, node, answer = heapq.heappop(heap)
        count.nodes += 1
        if low > limit + TIE:
            break
        children = () if relaxed else tuple(_conflict(search, answer, node.caps))
        if not children:
            return answer, low, True
        if count.nodes >= node_limit:
            return None, low, False
        for caps in children:
            _push(heap, ticket, search, down, _child(node, caps), limit)
    return None, math.inf, True


def _push(
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


def _child(node: _Node, caps: tuple[Caps, ...]) -> _Node:
    """The node under new caps: groups whose caps changed are copied, for their values will be raised."""
    groups = tuple(
        {inner: group.copy() for inner, group in node.groups[i].items()}
        if caps[i + 1] != node.caps[i + 1]
        else node.groups[i]
        for i in range(3)
    )
    return _Node((caps[0], caps[1], caps[2], caps[3]), groups)


def _relaxed_answer(search: Search, down: Down, node: _Node, limit: float) -> Answer | None:
    """The node's optimum with its pieces; values of capped cells are corrected as they come up."""
    under = _down_stack(search.tables, down, node.caps[0])
    if under is None and not down.is_bare:
        return None
    base = under.cost if under else 0.0
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
            answers.append(Answer(choice, (under, *stacks), choice.cost + base, (), 0.0))
        else:
            return min(answers, key=_tie_key)
        if answers and stacks is not None:
            return min(answers, key=_tie_key)


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
        row = group.classes[cell.row][0]
        inner_mm = group.seat.place.inside_mm if cell.inner and group.seat.place else None
        stack = search.tables.stack(row, cell.steps, node.caps[i + 1], inner_mm)
        table_cost = group.table_cost(cell.steps, cell.row)
        cost = math.inf if stack is None else stack.cost
        if cost > table_cost + _EPS:
            group.raise_cell(cell.steps, cell.row, cost)
            wrong = True
        stacks.append(stack)
    return None if wrong else tuple(stacks)


def _down_stack(tables: Tables, down: Down, caps: Caps) -> Stack | None:
    if down.is_bare:
        return None
    return tables.single_flat(down.steps, caps)


# ---------------------------------------------------------------- conflicts


def _conflict(
    search: Search, answer: Answer, caps: tuple[Caps, Caps, Caps, Caps]
) -> Iterator[tuple[Caps, ...]]:
    """Caps of the children that settle the first conflict; nothing when the box can serve all seats."""
    tables = search.tables
    children = (
        _short_flats(tables, answer)
        or _covered_too_often(search, answer)
        or _strips_too_short(search, answer)
    )
    for seat, change in children:
        changed = list(caps)
        changed[seat] = _with(caps[seat], change)
        yield tuple(changed)


def _with(caps: Caps, change: Caps) -> Caps:
    flats = dict(caps.flats)
    for rank, most in change.flats:
        flats[rank] = min(most, flats.get(rank, most))
    strips = dict(caps.strips)
    for rank, thickest in change.strips:
        strips[rank] = min(thickest, strips.get(rank, thickest))
    return Caps(
        tuple(sorted(flats.items())),
        tuple(sorted({*caps.points, *change.points})),
        tuple(sorted(strips.items())),
    )


def _short_flats(tables: Tables, answer: Answer) -> list[tuple[int, Caps]]:
    used: dict[int, Counter[int]] = defaultdict(Counter)
    for seat, stack in enumerate(answer.stacks):
        for rank in stack.flats if stack else ():
            used[rank][seat] += 1
    for rank in sorted(used):
        if used[rank].total() > tables.lots[rank].count:
            return [(seat, Caps(flats=((rank, n - 1),))) for seat, n in sorted(used[rank].items())]
    return []


def _tails(search: Search, answer: Answer, form: str) -> dict[int, list[tuple[int, int, Cell]]]:
    """Per lot of a form: (seat, thickness, cell) of each tapered piece."""
    tails: dict[int, list[tuple[int, int, Cell]]] = defaultdict(list)
    for seat, (stack, cell) in enumerate(zip(answer.stacks, answer.choice.cells, strict=True)):
        if stack is not None and stack.tail is not None:
            rank, steps = stack.tail
            if search.tables.lots[rank].form == form:
                tails[rank].append((seat, steps, cell))
    return tails


def inner_mm_of(search: Search, seat: int, cell: Cell) -> float | None:
    """How far in a cell's thickness is told; None at the face. seat counts from the one that stays down."""
    place = search.task.seats[seat].place
    return place.inside_mm if cell.inner and place is not None else None


def _covered_too_often(search: Search, answer: Answer) -> list[tuple[int, Caps]]:
    for rank, uses in sorted(_tails(search, answer, "taper").items()):
        stretches = [
            (*search.tables.stretch(rank, steps, inner_mm_of(search, seat, cell)), seat)
            for seat, steps, cell in uses
        ]
        for x, _, _ in sorted(stretches):
            covering = [seat for start, end, seat in stretches if start <= x < end]
            if len(covering) > search.tables.lots[rank].count:
                return [(seat, Caps(points=((rank, x),))) for seat in covering]
    return []


def _strips_too_short(search: Search, answer: Answer) -> list[tuple[int, Caps]]:
    tables = search.tables
    for rank, uses in sorted(_tails(search, answer, "strip").items()):
        lot = tables.lots[rank]
        wedges = []
        for seat, steps, cell in uses:
            inner_mm = inner_mm_of(search, seat, cell)
            row = row_of(search.groups, seat - 1, cell)
            assert row.saw_deg is not None
            thick_mm = steps * tables.options.quantum_mm + (inner_mm or 0.0) * row.sigma
            wedges.append((row.saw_deg, tables.wedge_mm(lot, row.saw_deg, thick_mm)))
        if not _strips_do(tables, rank, wedges):
            return [(seat, Caps(strips=((rank, steps - 1),))) for seat, steps, _ in uses]
    return []


def _strips_do(tables: Tables, rank: int, wedges: Sequence[tuple[float, float]]) -> bool:
    """True when the wedges (setting, length along the strip) fit on the lot's strips; at most four."""
    lot = tables.lots[rank]
    copies = min(lot.count, len(wedges))
    for assignment in itertools.product(range(copies), repeat=len(wedges)):
        if all(
            sum(length for (_, length), to in zip(wedges, assignment, strict=True) if to == copy)
            + sum(
                tables.group_mm(lot, angle)
                for angle in {a for (a, _), to in zip(wedges, assignment, strict=True) if to == copy}
            )
            <= tables.usable_mm(lot) + 1e-9
            for copy in range(copies)
        ):
            return True
    return False


__all__ = ["BARE", "Answer", "Down", "Outcome", "inner_mm_of", "row_of", "solve_one_box"]
