"""One post against boxes of 30, 200 and 1000 lots: table build, live and proven answers, memory, peers.

`python tests/bench/packing.py [--quick] [--peers SECONDS]` prints tables. Times of the first two are CPU
times of this process, so that other work on the machine does not count; against peers it is wall time on
both sides. Objectives are compared with the peers' and must be equal where a peer finishes.

Tried in the search of one post and dropped: live ms at 200 lots, half and 99 of 100, with it and without.

* windows and bounds of all sets of bearing points at once, in arrays: 2.12 / 5.18 for 1.67 / 3.90. A set
  needs a dozen numbers, for which plain ones and bisection are quicker.
* seven entries of each seat that are cheap and near looked at together first: 1.81 / 3.57 for 1.58 / 3.63.
  The best of them costs 0.9 minutes more than the best of all (half of the posts): it rules out little.
* all sets narrowed and put in order before any is searched: 1.43 / 3.43 for 1.40 / 3.28.
* all choices of all sets in one go where there are 2,000 at most: 1.27 / 2.86 for 1.21 / 2.75.
* other levels of the cost that is looked up to, (0.12, 12), (0.12, 6), (0.3, 12) or (0.12, 3, 14) pieces:
  1.28 / 2.97 to 1.29 / 3.77 for 1.26 / 2.76. One more of 4 pieces between 1.4 and 12 is kept: best of seven
  .83 / 1.41 for .82 / 1.54, at 30 lots .88 / 3.4 for .91 / 3.1.
* proven at 30 lots, half and 99 of 100, two boxes: trees grown anew once the limit falls, 2.9 / 29 and 3.2 /
  16 as without; other lifts tried before a tree is grown further, 3.0 / 33 and 3.4 / 20; more or fewer nodes
  a turn, or other steps of a tree, 29 to 37 and 15 to 32. Kept: what a seat may take of a taper counts only
  where it bears, which tells crowds: 29 for 40 and 16 for 16. A tree is grown at once a little beyond where
  the next lift begins (99 of 100: 30 for 39); one look less near the bound where somebody goes without (39
  for 46); 3, 12, then 48 choices made one by one, each in ways hardly dearer than its cheapest (28 for 32).
* closer bounds of the lifts (by the distance of a rest, some levels) before any is searched: at 30 lots first
  99 of 100 5.6 for 4.7, proven 26 for 26, at 200 and 1000 lots no difference.
* groups without the thicknesses that no choice up to the limit is made of, before it is branched over them:
  proven 99 of 100 at 30 lots 24 for 24, at 200 8.5 for 8.7, at 1000 42 for 41, in boxes of 7 pieces no
  difference. What shows: choices made one by one (58 for 8.7 at 200 lots), seats that want too few tapers
  told of one (21 for 8.7), which stretch lies before the other (boxes of 7 pieces take minutes without).
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import random
import statistics
import sys
import time
import tracemalloc
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the program sets it at its start

from shimfit.core.packing import Mode, Options, build_tables, prescribe
from shimfit.model import Foot, Lean, Lot, Tolerance

FOOT = Foot(90.0, 90.0)
HEIGHT_MM = 1000.0
TOLERANCE = Tolerance("1:500", "ratio", 1 / 500)


def box(n: int, seed: int, *, sizes: int | None = None) -> list[Lot]:
    """A carpenter's box: mostly single offcuts, some bought flats, one lot in seven a taper.

    sizes: number of distinct flat thicknesses; None leaves them as they fall.
    """
    rng = random.Random(seed)
    grid = [round(0.25 + 5.75 * i / max(1, sizes - 1), 2) for i in range(sizes)] if sizes else None
    lots = []
    for i in range(n):
        if i % 7 == 3:
            thin = rng.uniform(0.4, 1.5)
            length = rng.uniform(70.0, 220.0)
            lots.append(
                Lot(
                    f"T{i}",
                    "taper",
                    1,
                    thin_mm=round(thin, 2),
                    thick_mm=round(thin + length * rng.uniform(0.015, 0.04), 2),
                    length_mm=round(length, 1),
                    origin="bought" if rng.random() < 0.3 else "offcut",
                )
            )
        else:
            thickness = rng.choice(grid) if grid else round(rng.uniform(0.25, 6.0), 2)
            bought = rng.random() < 0.15
            count = rng.choice((1, 1, 1, 2)) if not bought else 20
            lots.append(
                Lot(f"F{i}", "flat", count, thickness_mm=thickness, origin="bought" if bought else "offcut")
            )
    return lots


def leans(n: int, seed: int) -> list[Lean]:
    """Leans out of tolerance, up to 18 mm/m."""
    rng = random.Random(seed)
    found: list[Lean] = []
    while len(found) < n:
        lean = Lean(rng.uniform(-0.018, 0.018), rng.uniform(-0.018, 0.018))
        if not TOLERANCE.holds(lean, HEIGHT_MM):
            found.append(lean)
    return found


def timed(call) -> tuple[float, object]:
    start = time.process_time()
    result = call()
    return 1000.0 * (time.process_time() - start), result


def percentile(values: list[float], share: float) -> float:
    return sorted(values)[min(len(values) - 1, int(share * len(values)))]


def looks(tables) -> list[float]:
    """Looks of streams that tremble by a tenth of a millimetre: each knows what was shown before, ms."""
    rng, found = random.Random(3), []
    for lean in leans(20, seed=7):
        shown = None
        for k in range(20):
            near = Lean(lean.slope_along + rng.gauss(0.0, 1e-4), lean.slope_across + rng.gauss(0.0, 1e-4))
            ask = partial(
                prescribe, FOOT, HEIGHT_MM, near, TOLERANCE, tables, mode=Mode(shown=shown, relaxed=True)
            )
            ms, shown = timed(ask)
            found += [ms] if k else []
    return found


def one_size(n: int, posts: int, bearing: str, sizes: int | None = None) -> list[str]:
    lots = box(n, seed=n, sizes=sizes)
    options = Options(bearing_point=bearing)
    build = statistics.median(timed(lambda: build_tables(lots, options))[0] for _ in range(9))
    tables = build_tables(lots, options)
    prescribe(FOOT, HEIGHT_MM, Lean(0.018, 0.018), TOLERANCE, tables, mode=Mode(relaxed=True))
    live, proven, statuses, dear = [], [], [], 0
    for lean in leans(posts, seed=7):
        asked = FOOT, HEIGHT_MM, lean, TOLERANCE, tables
        ms, quick = timed(partial(prescribe, *asked, mode=Mode(relaxed=True)))
        live.append(ms)
        ms, best = timed(partial(prescribe, *asked))
        proven.append(ms)
        statuses.append(best.status)
        dear += best.cost.total > quick.cost.total + 1e-6
    look = looks(tables)
    tracemalloc.start()
    again = build_tables(lots, options)
    prescribe(FOOT, HEIGHT_MM, Lean(0.01, 0.012), TOLERANCE, again)
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return [
        f"{n}",
        f"{len(tables.thick)}",
        f"{len(tables.rows) - 1}",
        bearing,
        f"{build:.1f}",
        f"{percentile(live, 0.5):.2f}",
        f"{percentile(live, 0.99):.2f}",
        f"{percentile(look, 0.5):.2f}",
        f"{percentile(look, 0.99):.2f}",
        f"{percentile(proven, 0.5):.2f}",
        f"{percentile(proven, 0.99):.2f}",
        f"{statuses.count('proven')}/{posts}",
        f"{dear}",
        f"{peak:.1f}",
    ]


HEAD = [
    "lots",
    "sizes",
    "tapers",
    "bearing",
    "build ms",
    "live p50",
    "live p99",
    "look p50",
    "look p99",
    "proven p50",
    "proven p99",
    "proven",
    "shared",
    "peak MB",
]


def show(head: list[str], rows: list[list[str]]) -> None:
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]
    for row in [head, *rows]:
        print("  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)))


def peers(n: int, posts: int, seconds: float) -> list[str]:
    """The compact model of the same posts given to scipy.optimize.milp and CP-SAT, wall times in ms."""
    path = Path(__file__).parents[1] / "solve" / "compact_model.py"
    spec = importlib.util.spec_from_file_location("compact_model", path)
    compact_model = importlib.util.module_from_spec(spec)
    sys.modules["compact_model"] = compact_model
    spec.loader.exec_module(compact_model)
    options = Options(bearing_point="corner")
    each = Tolerance("1:500", "ratio", 1 / 500, per_direction=True)
    lots = box(n, seed=n)
    tables = build_tables(lots, options)
    prescribe(FOOT, HEIGHT_MM, Lean(0.018, 0.018), each, tables)
    ours, milp, cp = [], [], []
    equal = {"milp": 0, "cp": 0}
    done = {"milp": 0, "cp": 0}
    variables = 0
    tried = 0
    for lean in leans(4 * posts, seed=11):
        if each.holds(lean, HEIGHT_MM) or tried == posts:
            continue
        start = time.perf_counter()
        answer = prescribe(FOOT, HEIGHT_MM, lean, each, tables)
        ours.append(1000.0 * (time.perf_counter() - start))
        if len(answer.packs) == 4:
            ours.pop()
            continue
        tried += 1
        model = compact_model.compact(FOOT, HEIGHT_MM, lean, each, lots=lots, options=options)
        variables = max(variables, len(model.cost))
        mine = answer.cost.total if answer.within else None
        solvers = (("milp", compact_model.by_scipy, milp, 1e-4), ("cp", compact_model.by_cp_sat, cp, 5e-2))
        for name, solve, times, close in solvers:
            start = time.perf_counter()
            try:
                found = solve(model, seconds)
            except TimeoutError:
                times.append(1000.0 * seconds)
                continue
            times.append(1000.0 * (time.perf_counter() - start))
            done[name] += 1
            equal[name] += (found is None and mine is None) or (
                found is not None and mine is not None and abs(found - mine) < close
            )
    best_peer = [min(pair) for pair in zip(milp, cp, strict=True)]
    ratio = statistics.median(theirs / mine for theirs, mine in zip(best_peer, ours, strict=True))
    return [
        f"{n}",
        f"{tried}",
        f"{variables}",
        f"{statistics.median(ours):.2f}",
        f"{statistics.median(milp):.0f}",
        f"{done['milp']}/{tried}",
        f"{equal['milp']}/{done['milp']}",
        f"{statistics.median(cp):.0f}",
        f"{done['cp']}/{tried}",
        f"{equal['cp']}/{done['cp']}",
        f"{ratio:.0f}x",
    ]


PEER_HEAD = [
    "lots",
    "posts",
    "variables",
    "ours ms",
    "milp ms",
    "done",
    "equal",
    "cp-sat ms",
    "done",
    "equal",
    "best peer/ours",
]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer posts, no 1000 lots")
    parser.add_argument(
        "--peers", type=float, default=30.0, help="seconds a peer gets per post; 0 = no peers"
    )
    args = parser.parse_args()
    posts = 60 if args.quick else 200
    sizes = (30, 200) if args.quick else (30, 200, 1000)
    print("One post, CPU ms ('shared': posts where two seats wanted the same piece and it cost more)")
    show(HEAD, [one_size(n, posts, bearing) for n in sizes for bearing in ("auto", "corner")])
    print("\nGrowth with the number of distinct thicknesses, 1000 lots")
    show(HEAD, [one_size(1000, 40, "auto", sizes=k) for k in (25, 50, 100, 200, 400)])
    if args.peers > 0.0:
        print(f"\nPeers on the compact model, wall ms, at most {args.peers:g} s each")
        if importlib.util.find_spec("ortools") is None:
            print("not measured: OR-tools, a peer, is the extra `bench`")
            return
        show(PEER_HEAD, [peers(n, 4 if args.quick else 8, args.peers) for n in (12, 30)])


if __name__ == "__main__":
    main()
