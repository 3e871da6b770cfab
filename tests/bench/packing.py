"""One post against boxes of 30, 200 and 1000 lots: table build, live and proven answers, memory, and peers.

`python tests/bench/packing.py [--quick] [--peers SECONDS]` prints tables; nothing is asserted but equal objectives.
Times are CPU times of this process, so that other work on the machine does not count; ratios are within the run.
"""

from __future__ import annotations

import argparse
import random
import statistics
import time
import tracemalloc

from shimfit.core.packing import Options, build_tables, prescribe
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


def one_size(n: int, posts: int, bearing: str, sizes: int | None = None) -> list[str]:
    lots = box(n, seed=n, sizes=sizes)
    options = Options(bearing_point=bearing)
    build = statistics.median(timed(lambda: build_tables(lots, options))[0] for _ in range(9))
    tables = build_tables(lots, options)
    prescribe(FOOT, HEIGHT_MM, Lean(0.018, 0.018), TOLERANCE, tables, relaxed=True)
    live, proven, statuses, dear = [], [], [], 0
    for lean in leans(posts, seed=7):
        ms, quick = timed(lambda: prescribe(FOOT, HEIGHT_MM, lean, TOLERANCE, tables, relaxed=True))
        live.append(ms)
        ms, best = timed(lambda: prescribe(FOOT, HEIGHT_MM, lean, TOLERANCE, tables))
        proven.append(ms)
        statuses.append(best.status)
        dear += best.cost.total > quick.cost.total + 1e-6
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer posts, no 1000 lots")
    args = parser.parse_args()
    posts = 60 if args.quick else 300
    sizes = (30, 200) if args.quick else (30, 200, 1000)
    print("One post, CPU ms ('shared': posts where two seats wanted the same piece and it cost more)")
    show(HEAD, [one_size(n, posts, bearing) for n in sizes for bearing in ("auto", "corner")])


if __name__ == "__main__":
    main()
