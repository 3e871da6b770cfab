"""Before the day: the few things to cut or buy so that nearly every post of a run can be served.

Runs are drawn from the surface's usual fall or from a few bed readings. They are planned from the box with
everything that the shop sells beside it, then with only some of that, which gives each post ways to be packed
in plenty and in want. One integer program over all drawn runs (`_cheapest`) chooses what to buy once for all
of them: the fewest, cheapest pieces with which so many posts are served, whichever run comes. What it chose
is tried by plans of runs that it was not made from, and the share told is theirs. These find ways that the
program was not given: it is asked first with more of the drawn posts left out than may be, then, where the
trials show too few served, with fewer and with none, and grown by a piece of each kind until enough are.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.foresight import likely_leans
from shimfit.core.packing.tables import build_tables
from shimfit.core.planning.choosing import PATTERNS_A_POST, QUICK_ROUNDS
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Effort, plan
from shimfit.core.planning.planned import Planned
from shimfit.core.planning.rounds import Rounds
from shimfit.core.planning.whole import Box, Offered, Program, worth_offering
from shimfit.errors import UsageError
from shimfit.model import Lean, Lot
from shimfit.quantities import shown
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver
    from shimfit.model import Foot, Tolerance
    from shimfit.quantities.typed import Units

SHOP_FLATS_MM = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0)
"""Thicknesses of flat packers that shops keep (common practice, no source)."""
SHOP_TAPER_MM = (200.0, 0.8, 8.0)
"""Length, thin and thick edge of a bought taper (common practice, no source)."""
SHOP_FLATS_64THS, SHOP_TAPER_64THS = (1, 2, 3, 4, 8, 12), (512, 2, 20)
"""The same where lengths are in inches: 1/64 to 3/16 in; a taper of 8 in, 1/32 to 5/16 in thick."""
ALONG_SHARE = 0.5
"""Spread along the run ÷ usual fall across it: decks fall outwards, along they only wander."""
ACROSS_SHARE = 0.5
"""Spread across ÷ usual fall."""
DRAWN_RUNS = 6
TRIAL_RUNS, TRIAL_POSTS = 8, 168
"""It is tried on so many runs, or on as many as have so many posts: the share is theirs."""
CLEAR = 0.5
"""A kit is tried on half of them. It has to leave out fewer of their posts than may be by such a share, which
others then hardly exceed; the box alone, where it is not so far from what is asked, is tried on all."""
GROWTHS = 4
LEFT_OUT = (2.0, 1.0, 0.0)
"""Of the posts that may be left out, those that the drawn runs may: the first that surely serves enough."""
SCARCE = 0.5
"""Share of the kit for all posts that runs are then planned from."""
PIECES_FIRST = 0.01
"""What a minute of packing counts against a minute's worth of what is bought: it breaks ties."""
HOPELESS = 40.0
"""Minutes beyond which no way to pack a post is looked for, unless too few posts have one: where a level
hardly ever proves a post plumb, its rounds alone come to more."""
NEAR_ENOUGH, NODES = 0.06, 1
"""Gap and nodes of the integer program: counted, so that the kit is the same on any machine."""
TRIED = Effort(quick=True, swaps=False, why=False)
NOT_SERVED = 1e3
"""Price of a post beyond those that may be left out."""
MOST_POSTS = 200
"""More posts than this are another box's: a kit is planned from a dozen drawn runs of that many posts."""
STEEPEST = 0.2
"""Usual fall that is still a deck's and no ramp's."""


@dataclass(frozen=True, slots=True)
class KitLine:
    """So many of one thing to buy or cut."""

    lot: Lot
    count: int

    @property
    def what(self) -> str:
        """In words."""
        if self.lot.is_whole:
            return f"flat {self.lot.thickness_mm:.4g} mm"
        thick_mm = f"{self.lot.thin_mm:.4g}-{self.lot.thick_mm:.4g}"
        return f"{self.lot.form} {thick_mm} mm, {self.lot.length_mm:.4g} mm long"

    def stock_mm(self, kerf_mm: float) -> float | None:
        """Length of stock that all of them are cut from, a cut each; None for what comes in pieces."""
        return None if self.lot.length_mm is None else self.count * (self.lot.length_mm + kerf_mm)


@dataclass(frozen=True, slots=True)
class Kit:
    """What to take along beside the box."""

    lines: tuple[KitLine, ...]
    served_share: float
    """Share of posts served in the runs that it was tried on (0…1)."""
    served_without: float
    """The same from the box alone."""
    asked_share: float
    """The share that was asked for; a shop that has not what it takes can't reach it."""

    @property
    def reached(self) -> bool:
        """True when it serves the share that was asked for."""
        return self.served_share >= self.asked_share


def shop(units: Units = "mm") -> tuple[Lot, ...]:
    """What a shop usually sells, as lots to choose from (bought, count 1)."""
    flats_mm: Sequence[float] = SHOP_FLATS_MM
    taper_mm: Sequence[float] = SHOP_TAPER_MM
    if units == "inch":
        flats_mm, taper_mm = (
            tuple(n * shown.MM_PER_INCH / 64 for n in some) for some in (SHOP_FLATS_64THS, SHOP_TAPER_64THS)
        )
    flats = [
        Lot(f"new {name}", "flat", 1, thickness_mm=mm, origin="bought", note="to buy")
        for mm in flats_mm
        for name in [f"{mm:g}" if units == "mm" else shown.inches(mm, 64)]
    ]
    length_mm, thin_mm, thick_mm = taper_mm
    taper = Lot(
        "new taper", "taper", 1, length_mm=length_mm, thin_mm=thin_mm, thick_mm=thick_mm, origin="bought"
    )
    return (*flats, taper)


def leans_from_fall(fall: float, count: int, seed: int) -> tuple[Lean, ...]:
    """Leans of posts on a surface that usually falls outwards by `fall` (ratio); same seed, same leans."""
    rng = np.random.default_rng(seed)
    along = rng.normal(0.0, ALONG_SHARE * abs(fall), count)
    across = rng.normal(fall, ACROSS_SHARE * abs(fall), count)
    return tuple(Lean(float(a), float(c)) for a, c in zip(along, across, strict=True))


def kit_for(  # noqa: PLR0917 - it takes the quantities it takes
    foot: Foot,
    height_mm: float,
    tolerance: Tolerance,
    posts: int,
    lots: Sequence[Lot],
    options: Options,
    solver: Solver,
    *,
    fall: float | None = None,
    read: Sequence[Lean] = (),
    offered: Sequence[Lot] = (),
    share: float = 0.95,
    seed: int = 1,
) -> Kit:
    """Kit for a run of so many posts, from the usual fall or a few bed readings (which go before the fall).

    `offered`: what can be bought or cut (counts do not matter); usual shop stock when empty. Nothing
    is to buy when the box alone serves the share. UsageError without fall and readings, for no posts, and
    when a lot offered is named like one of the box.
    """
    if fall is None and not read:
        raise UsageError(
            "give the surface's usual fall, like 0.01 for 10 mm in 1 m, or read a few beds first: a "
            "kit is made from one of them"
        )
    if not 1 <= posts <= MOST_POSTS:
        raise UsageError(f"a kit is for 1 to {MOST_POSTS} posts, not {posts}")
    if fall is not None and not (math.isfinite(fall) and abs(fall) <= STEEPEST):
        raise UsageError(
            f"a usual fall is a ratio like 0.01 (10 mm in 1 m), at most {STEEPEST:g}, not {fall:g}"
        )
    if not 0.0 < share <= 1.0:
        raise UsageError(f"the share of posts to serve is over 0 and up to 1, not {share:g}")
    to_buy = tuple(offered) or shop()
    names = {lot.lot for lot in lots}
    for lot in to_buy:
        if lot.lot in names:
            raise UsageError(f"lot {lot.lot} is in the box and in the shop: give one of them another name")
    plenty = [replace(lot, count=3 * posts, origin="bought") for lot in to_buy]

    def drawn(run: int) -> list[PlanPost]:
        where = seed * 1000 + run
        leans = likely_leans(read, posts, where) if read else leans_from_fall(fall or 0.0, posts, where)
        return [PlanPost(str(k), foot, height_mm, lean, tolerance) for k, lean in enumerate(leans, start=1)]

    many = min(TRIAL_RUNS, math.ceil(TRIAL_POSTS / posts))
    trials = [drawn(DRAWN_RUNS + run) for run in range(many)]

    def served(counts: Sequence[int], runs: int) -> float:
        """Share of posts in quick plans of so many trial runs."""
        box = _with(lots, plenty, counts)
        tried = (plan(trial, box, options, solver, effort=TRIED) for trial in trials[:runs])
        return 1.0 - sum(len(one.unsolved) for one in tried) / (runs * posts)

    half, clear = math.ceil(many / 2), CLEAR * (1.0 - share)
    nothing = [0] * len(plenty)
    alone = served(nothing, half)
    if abs(alone - share) < clear:
        alone = served(nothing, many)
    if alone >= share:
        return Kit((), alone, alone, share)
    runs = _Runs(map(drawn, range(DRAWN_RUNS)), solver)
    for unsolved in (HOPELESS, None):
        minutes = replace(options.minutes, unsolved=unsolved)
        runs.look_twice(lots, plenty, replace(options, minutes=minutes))
        if runs.with_a_way >= share * runs.wanting:
            break
    tables = build_tables([*lots, *plenty], options)
    tried = nothing

    def candidates() -> Iterator[list[int]]:
        for some in LEFT_OUT:
            yield _cheapest(runs, tables, plenty, math.floor(some * (1.0 - share) * DRAWN_RUNS * posts))[0]
        for _ in range(GROWTHS):
            yield [n + bool(n) for n in tried]

    for step, tried in enumerate(candidates()):
        now = served(tried, half)
        if now >= share + (clear if step < len(LEFT_OUT) else 0.0):
            break
    # What serves nobody more is not bought.
    counts = tried if now > alone else nothing
    lines = tuple(KitLine(lot, int(n)) for lot, n in zip(to_buy, counts, strict=True) if n)
    return Kit(lines, max(now, alone), alone, share)


class _Runs:
    """Drawn runs, and the ways known to pack their posts.

    Ways are looked for in all runs at once, from as many boxes: a round of one linear program is little more
    work for six runs than for one.
    """

    def __init__(self, runs: Iterable[Sequence[PlanPost]], solver: Solver) -> None:
        # A post that stands as it is asks for nothing.
        self.runs = [[post for post in run if not post.stands] for run in runs]
        self.solver = solver
        self.known: list[dict[object, Pattern]] = [{} for _ in self.runs]

    @property
    def wanting(self) -> int:
        """Posts that want packs."""
        return sum(map(len, self.runs))

    @property
    def with_a_way(self) -> int:
        """Posts that some way is known for."""
        return sum(len({way.post for way in known.values()}) for known in self.known)

    def look(self, tables: Tables) -> None:
        """Look for ways to pack the posts of the runs, which each have such a box."""
        owner = [(run, post) for run, posts in enumerate(self.runs) for post in range(len(posts))]
        if not owner:
            return
        posts = [self.runs[run][post] for run, post in owner]
        rounds = Rounds(posts, tables, self.solver, most=QUICK_ROUNDS, share=float(len(self.runs)))
        rounds.counted = False  # one post hardly wants the last pieces of so large a box
        number = {one: k for k, one in enumerate(owner)}
        rounds.master.add(
            replace(way, post=number[run, way.post])
            for run, known in enumerate(self.known)
            for way in known.values()
            if all(tables.lots[rank].count for rank in way.uses.ranks)
        )
        settled = rounds.first()
        for way in (*worth_offering(rounds.master, settled, PATTERNS_A_POST, ()), *rounds.in_use()):
            run, post = owner[way.post]
            own = replace(way, post=post)
            self.known[run][own.key] = own

    def look_twice(self, lots: Sequence[Lot], plenty: Sequence[Lot], options: Options) -> None:
        """From plenty of everything, and from less: what is scarce is put to better use."""
        box = build_tables([*lots, *plenty], options)
        self.look(box)
        counts = [math.ceil(SCARCE * n) for n in _cheapest(self, box, plenty, 0)[0]]
        self.look(build_tables(_with(lots, plenty, counts), options))


def _cheapest(
    runs: _Runs,
    tables: Tables,
    plenty: Sequence[Lot],
    may_be_left: int,
) -> tuple[list[int], int]:
    """(how many of each lot to buy for all drawn runs, how many posts are left out): so many may be."""
    costs, made = tables.options.costs, Program()
    bought = [made.column(costs.piece + costs.bought(lot), lot.count) for lot in plenty]
    more = {tables.rank[lot.lot]: column for lot, column in zip(plenty, bought, strict=True)}
    left: list[int] = []
    for known in runs.known:
        patterns = list(known.values())
        posts = sorted({pattern.post for pattern in patterns})
        box = Box(made, tables, Offered(patterns, posts), more)
        for column in box.of.values():
            made.cost[column] *= PIECES_FIRST
        left += box.left.values()
    for column in left:
        made.cost[column] = 0.0
    beyond = made.column(NOT_SERVED, len(left))
    made.row(-math.inf, may_be_left, {**dict.fromkeys(left, 1.0), beyond: -1.0})
    start = np.zeros(len(made.cost))
    start[left], start[beyond] = 1.0, max(0, len(left) - may_be_left)
    answer = runs.solver.integer(
        made.built(), seconds=math.inf, relative_gap=NEAR_ENOUGH, start=start, nodes=NODES
    )
    assert answer.columns is not None, "leaving every post out is always an answer"
    return [round(answer.columns[column]) for column in bought], round(answer.columns[left].sum())


@dataclass(frozen=True, slots=True)
class Missing:
    """What would serve posts that a plan could not."""

    lines: tuple[KitLine, ...]
    serves: tuple[str, ...]
    """Names of the posts."""


def to_buy(
    posts: Sequence[PlanPost],
    left: Sequence[Lot],
    options: Options,
    solver: Solver,
    offered: Sequence[Lot] = (),
) -> Missing:
    """The fewest, cheapest pieces beside what is `left` of the box that serve these posts.

    Posts that the program knows no way for (corners that hang) are served as a plan of their own has it.
    `offered`: what can be bought or cut (counts do not matter); usual shop stock when empty.
    """
    names = {lot.lot for lot in left}
    some = [lot for lot in tuple(offered) or shop() if lot.lot not in names]
    plenty = [replace(lot, count=9 * len(posts), origin="bought") for lot in some]
    together = [post for post in posts if not post.feelers]
    run = _Runs([together], solver)
    run.look_twice(left, plenty, options)
    counts, out = _cheapest(run, build_tables([*left, *plenty], options), plenty, 0)
    served = posts
    # In the program they have it in whole pieces, but for how wedges lie on strips, and on corners.
    sure = options.layout in ("corners", "auto") and not any(lot.is_sawn for lot in left)
    if out or run.with_a_way < len(posts) or not sure:
        box = [lot for lot in _with(left, plenty, counts) if lot.count]
        done = plan(posts, box, options, solver, effort=Effort(quick=True, why=False))
        if done.unsolved:
            done = plan(posts, [*left, *plenty], options, solver, effort=Effort(quick=True, why=False))
            counts = _taken(done.planned, plenty)
        served = [one.post for one in done.planned]
    lines = tuple(KitLine(lot, n) for lot, n in zip(some, counts, strict=True) if n)
    return Missing(lines, tuple(post.name for post in served))


def _with(lots: Sequence[Lot], plenty: Sequence[Lot], counts: Sequence[int]) -> list[Lot]:
    return [*lots, *(replace(lot, count=int(n)) for lot, n in zip(plenty, counts, strict=True))]


def _taken(planned: Sequence[Planned], plenty: Sequence[Lot]) -> list[int]:
    """Whole pieces of each lot that a plan takes; of tapers the number cut into."""
    used: dict[str, set[object]] = {lot.lot: set() for lot in plenty}
    for number, one in enumerate(planned):
        for at, pack in enumerate(one.packs):
            for which, piece in enumerate(pack.pieces):
                if piece.lot in used:
                    used[piece.lot].add(piece.copy if not piece.is_whole else (number, at, which))
    return [len(used[lot.lot]) for lot in plenty]
