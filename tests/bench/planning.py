"""What planning a whole run costs, side by side with a compact program given to HiGHS and to CP-SAT.

    python tests/bench/planning.py [--family NAME] [--draws N] [--growth | --again] [--seconds S]

One table: seconds, cost, gap to the proven bound, posts left out, peak MB (each case in a process of its
own); then families of runs drawn anew, ten each, middle and worst. With --family only those.
The compact program has one variable per (seat, lot) of flats and per
(seat, taper, thickness), with interval rows for tapers; everything bears at the seat, no strips, tolerance
per direction, so that it is linear and both sides solve the same problem.

What was tried, on a busy machine, old and new in turn; CPU s of the large draws 4, 6, 9 unless said:

    kept     a post whose cheapest is still allowed is not searched again: a quarter of the searches less
             4.5 8.4 6.1 -> 3.8 6.9 4.8, scarce 0: 9.5 -> 8.1
    kept     100,000 pairs at a time, not 40,000: 3 to 4 % less, 5 to 8 MB more
    kept     a run planned again: proofs put right for posts that changed, most of the choice stays (--again)
             middle .18 -> .09 of the first plan, worst .46 -> .18, gap .04 % both times
    kept     of those at most 3 in 10 keep what they had, not 7 in 10 first, which is seldom good enough and
             took as long as all anew in one draw of ten: worst 1.09 -> .16 of the first plan, the same gaps
    dropped  smoothing that adjusts itself (Pessoa et al. 2018): 5 to 10 % more searches in six draws
    dropped  pricing after each rounding of a dive, two discrepancies allowed: cost the same, the same,
             .02 % more (6); scarce 0: .014 % less for 4 s more (6.8)
    dropped  indices of 32 bits: numpy's look-ups take 1.3 to 1.6 times as long
    dropped  pairs that fit the cache: 10,000 at a time 36, 20, 41 % slower, 20,000 12, 12, 15 %
    dropped  costs compared before tie keys: keys are 1.2 % of the work
    kept     posts left out in parts told apart by their count, dives (real; at most 20 CPU s, before -> now,
             posts served and minutes): 0: 32 3213 -> 32 3220 (busy); 1: 24 433 -> 24 432; 2: 32 2371 -> 33
             1720; 3: 35 393 in 23 s, 659 MB -> 35 393 in 17 s, 161 MB; 6: 22 1021 -> 23 383; 9: 17 4372 -> 17
             4311. Gap of 4, 5, 7: 6.0, 7.3, 3.4 -> .7, .7, .4 %; of 9 53 -> 13: its rounds do not end in 20 s
    kept     eight posts chosen for anew beside the others where stretches share cuts (real; busy, 60 CPU s;
             minutes, gap, CPU s): 1: 278.8 3.7 % 37 -> 272.0 1.3 % 20; 5: 544.9 2.2 % 33 -> 535.9 .5 % 28; 6:
             293.2 .8 % 38 -> 294.2 1.1 % 25. From all patterns 5 to 11 s a try, from 24 a post .3 s. The
             whole program's root takes 7 to 12 s there (1,400 ways to begin), .1 s in small and tight (200)
    dropped  the whole program once after these (real 1, 6): nothing cheaper for 2 and 19 s; twenty idle tries
             in place of ten: the same plans, 2 to 4 s more
    dropped  prices asked again where a dive leaves posts out (real 1, 6): as many left out, 6.2 s for 1.6
    dropped  these tries first in small: 1: .7 -> 2.5 s, 6: 1.3 -> 3.3; tight 0: .24 -> .49 %
    left     1 of real: 269.34 by 3,000 nodes over 120 patterns a post, 36 s more
    dropped  opening steps with lifts (real): they do not climb; a price for each piece to begin from: 7.8 s,
             7.9 without; duals never held: 7.1 s, 7.9 held; smoothing .8: 7.6 and 8.8 s (16 to 18 at .5), .9
             with none held 19: which is better goes by the draw
    kept     stretches that begin behind others' cuts, in the rounds' own prices (rows of Hall), up to 30
             posts; middle, worst: gap of small .74, 2.8 -> .01, 1.1 %, tight .68, 4.0 -> .03, .65 %, CPU s
             .68, 3.0 -> .78, 9.9 and 1.6, 3.4 -> 1.2, 6.5
    dropped  who begins behind whom in a second program alone, and the bound of all tips off: gaps of 1.2 to
             3.2 % stay in seven of twenty draws, for three times the work
    left     the second enrichment: not reached in ten large, four tight and four medium draws
    dropped  strips mended among the posts that take from them: taken in none of twenty large or scarce draws
    kept     a long run's first choice, with all saw settings to pay for, good enough at 1 %: the settings are
             chosen next anyhow. Scarce 0: 28.3 s, 319 MB -> 8.4 s, 130 MB; 5: 6.3 -> 2.9 s. Twenty nodes at
             most: 19 s; no first choice: 23.5 s, nothing telling what is too dear; free set-ups: 17.9 s
    kept     a gap above .45 % of a short run: all patterns of plans below a goal, cut off there. Tight 7: .55
             -> .45 % for .6 s. Of 120 draws (small, tight, 0 to 59) only small 40 stays above .5, at .55
    dropped  the same with the goal at .35 %: 13 s of HiGHS where nothing is cut off, 5,000 patterns; in place
             of the first enrichment, with 2,000: tight 0 .03, 10 .01 % dearer
    dropped  rows between cuts only as they are broken: tight 0 4.2 -> 6.6 s, 27 10.1 -> 5.3, 40 1.5 -> 2.1
    left     single posts searched once no round finds more: asked in none of 26 draws, but of the tests'
             40 posts with a small box each two at least have no pattern without
    left     what is sure of a long run beside the saw's trims. The linear program does not know these, so
             strips are full and all is chosen anew, branched. Scarce, flats at full depth, 3: 105 s, 232 MB
             -> 28 s, 133 MB; 4: 28.8 -> 8.7; of ten nine cheaper or the same, 9 .004 % dearer. With
             flats 20 mm in 3, 9, 4: 4.1 3.3 3.6 -> 3.5 3.4 3.4; 0, 7: 32, 5.0 -> 42, 23.5 s; 9, 7 .02, .005 %
             dearer. Not taken until branching ends sooner where little is sure

Growth (--growth, three draws, a busy machine): 50, 100, 200, 400, 1,000 posts take 1.1, 2.3, 4.0, 16.9 and
114 CPU s in the middle and 81, 89, 118, 147, 360 MB: exponent 1.5. Draw 2 of 100 posts stayed at a gap of
1.7 % until pieces that two seats of a post want were counted of long runs too, once none is new: .006 %.
"""

import argparse
import json
import math
import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from shimfit.core.packing import Options, Saw, build_tables
from shimfit.core.planning import Earlier, Effort, PlanPost, plan
from shimfit.core.planning import geometry as geometries
from shimfit.core.planning.program import IntegerProgram, Sparse
from shimfit.core.planning.search import ListMaker
from shimfit.core.stock import lots_from_csv
from shimfit.model import Foot, Lean, Lot, Tolerance
from shimfit.solve.highs import Highs
from tests.referee.weights import InWeights, weights_of


def instance(posts, lots, pieces, *, draw=0):
    """A run and box at random for the compact program: leans about a fall outwards, odd offcuts."""
    rng = np.random.default_rng(draw)
    tolerance = Tolerance("1:500", "ratio", 0.002, per_direction=True)
    run = []
    while len(run) < posts:
        lean = Lean(*rng.normal((0.004, 0.006), 0.008))
        if lean.magnitude > tolerance.slope:
            run.append(PlanPost(str(len(run) + 1), Foot(90, 90), 1000.0, lean, tolerance))
    tapers = max(2, lots // 12)
    flats = lots - tapers
    counts = np.maximum(1, rng.multinomial(max(0, pieces - 2 * tapers), rng.dirichlet(np.full(flats, 2.0))))
    box = []
    for k in range(flats):
        thick = round(float(np.clip(rng.lognormal(-0.2, 0.7), 0.15, 6)), 2)
        origin = "bought" if rng.random() < 0.3 else "offcut"
        box.append(Lot(f"F{k + 1}", "flat", int(counts[k]), thickness_mm=thick, origin=origin))
    for k in range(tapers):
        thin = round(float(rng.uniform(0.2, 1.0)), 2)
        box.append(
            Lot(
                f"T{k + 1}", "taper", 3 if rng.random() < 0.5 else 1, length_mm=float(rng.integers(150, 300)),
                thin_mm=thin, thick_mm=round(thin + float(rng.uniform(3, 8)), 2),
                origin="bought" if rng.random() < 0.6 else "offcut",
            )
        )  # fmt: skip
    # The plain weights, which the compact program states too.
    return run, box, InWeights(bearing_point="corner")


# ---------------------------------------------------------------- families

IN = 25.4
FEET = {
    "inch": ((3.5 * IN, 3.5 * IN), (3.5 * IN, 5.5 * IN), (5.5 * IN, 5.5 * IN)),
    "mm": ((90.0, 90.0), (90.0, 140.0), (140.0, 90.0)),
}
SETTINGS = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0)


def tolerance_of(kind, height):
    name, per = kind
    slope = 0.002 if name == "1:500" else {"1/16": IN / 16, "3/32": 3 * IN / 32, "1/8": IN / 8}[name] / height
    return Tolerance(name, "ratio", slope, per_direction=per)


def drawn(posts, lots, pieces, draw):
    """A run and a box drawn anew: feet, tolerance, leans, lots, where packs bear; six saw settings."""
    rng = np.random.default_rng(draw)
    system = ("inch", "mm")[draw % 2]
    height = float(rng.choice([44 * IN, 1000.0, 1100.0]))
    tol = tolerance_of(
        (("1/16", "3/32", "1/8", "1:500")[int(rng.integers(4))], bool(rng.integers(2))), height
    )
    mixed = rng.random() < 0.7
    feet = FEET[system]
    one = int(rng.integers(len(feet)))
    spread, fall = (
        float(rng.uniform(0.005, 0.012)),
        (float(rng.uniform(0, 0.006)), float(rng.uniform(0, 0.01))),
    )
    middle = float(rng.uniform(-0.7, 0.1))
    run = []
    while len(run) < posts:
        lean = Lean(*rng.normal(fall, spread))
        size = max(abs(lean.slope_along), abs(lean.slope_across)) if tol.per_direction else lean.magnitude
        if size > tol.slope:
            along, across = feet[int(rng.integers(len(feet))) if mixed else one]
            run.append(PlanPost(str(len(run) + 1), Foot(along, across), height, lean, tol))
    tapers, strips = max(2, lots // 12), max(1, lots // 60)
    flats = lots - tapers - strips
    most = int(rng.integers(1, 21))
    taper_counts = np.minimum(rng.integers(1, most + 1, tapers), max(1, pieces // (4 * tapers)))
    bought = float(rng.uniform(0.1, 0.6))
    counts = np.maximum(
        1,
        rng.multinomial(
            max(0, pieces - int(taper_counts.sum()) - strips), rng.dirichlet(np.full(flats, 2.0))
        ),
    )
    box = []
    for k in range(flats):
        thick = round(float(np.clip(rng.lognormal(middle, 0.7), 0.15, 6)), 2)
        box.append(
            Lot(
                f"F{k + 1}",
                "flat",
                int(counts[k]),
                thickness_mm=thick,
                origin="bought" if rng.random() < bought else "offcut",
            )
        )
    for k in range(tapers):
        thin = round(float(rng.uniform(0.2, 1.0)), 2)
        box.append(
            Lot(
                f"T{k + 1}",
                "taper",
                int(taper_counts[k]),
                length_mm=float(rng.integers(150, 300)),
                thin_mm=thin,
                thick_mm=round(thin + float(rng.uniform(3, 8)), 2),
                origin="bought" if rng.random() < 0.6 else "offcut",
            )
        )
    box += [
        Lot(
            f"S{k + 1}", "strip", int(rng.integers(1, 4)), length_mm=float(rng.integers(400, 900)),
            width_mm=float(rng.integers(30, 45)), thickness_mm=20.0,
            origin="bought" if rng.random() < 0.3 else "offcut",
        )
        for k in range(strips)
    ]  # fmt: skip
    return run, box, Options(bearing_point="corner" if rng.random() < 0.3 else "auto", saw=Saw(SETTINGS))


def real(draw):
    """A stretch of boardwalk read on site and one crew's small box, which can't serve it all; no saw.

    10 to 40 posts, 1:300 to 1:500, read at 900 to 1,100 mm in whole mm or at 44 in in eighths; the box of
    fixtures/stock, its lots more or fewer as the run is long.
    """
    rng = np.random.default_rng(draw)
    posts, inch = int(rng.integers(10, 41)), bool(draw % 2)
    unit, height = (IN / 8, 44 * IN) if inch else (1.0, float(rng.choice([900.0, 1000.0, 1100.0])))
    per = int(rng.choice([300, 400, 500]))
    tol = Tolerance(f"1:{per}", "ratio", 1 / per)
    side = 3.5 * IN if inch else 90.0
    run = []
    while len(run) < posts:
        size = rng.integers(1, 4, 2) if inch else rng.integers(2, 10, 2)
        lean = Lean(*(size * rng.choice([-1, 1], 2) * unit / height).tolist())
        if lean.magnitude > tol.slope:
            run.append(PlanPost(str(len(run) + 1), Foot(side, side), height, lean, tol, u_take_up=0.09))
    file = Path(__file__).parents[2] / "fixtures/stock/boardwalk_box.csv"
    box = lots_from_csv(file.read_text(encoding="utf-8"), file.name)
    share = posts / 28 * float(rng.uniform(0.8, 1.2))
    return run, [replace(lot, count=max(1, round(share * lot.count))) for lot in box], Options()


FEW_FLATS = (0.5, 1.0, 2.0, 0.8, 1.6), ("bought", "bought", "bought", "offcut", "offcut")


def short(draw):
    """A run of 4 to 12 posts, and so little to pack them from that most of it is cut from a few tapers."""
    rng = np.random.default_rng(draw)
    slope = 1 / (500, 300)[draw % 2]
    tol, run = Tolerance(f"1:{1 / slope:.0f}", "ratio", slope), []
    while len(run) < 4 + draw % 9:
        lean = Lean(*rng.normal((0.003, 0.005), 0.007))
        if lean.magnitude > slope:
            run.append(PlanPost(str(len(run) + 1), Foot(90, 90), 1000.0, lean, tol))
    box = [
        Lot(f"F{k}", "flat", int(n), thickness_mm=mm, origin=origin)
        for k, (mm, origin, n) in enumerate(zip(*FEW_FLATS, rng.integers(0, 4, 5), strict=True), 1)
        if n
    ]
    sizes = ((200.0, 0.5, 6.0), (160.0, 1.0, 7.0), (120.0, 0.8, 4.0))
    for k, (length, thin, thick) in enumerate(sizes, 1):
        count = 1 + int(rng.integers(0, 1 + len(run) // 4))
        box.append(Lot(f"T{k}", "taper", count, length_mm=length, thin_mm=thin, thick_mm=thick))
    return run, box, Options()


GROWTH = (50, 100, 200, 400, 1000)
FAMILIES = {
    "short": (0, 0, 1),
    "few": (4, 8, 24),
    "eight": (8, 30, 70),
    "small": (20, 60, 130),
    "tight": (20, 60, 75),
    "medium": (20, 120, 400),
    "large": (200, 300, 1000),
    "scarce": (200, 250, 370),
    "huge": (1000, 600, 5000),
    "real": (0, 0, 0),
}
"""(posts, lots, pieces); 0: those of `real`."""


def gap_of(case):
    """(plan - bound) ÷ what the posts served cost, in percent; of a case, or of a plan.

    The price of a post left out would hide the rest, but where one more may be served: then it is in both.
    """
    if isinstance(case, dict):
        best, bound, out = case["best"], case["bound"], int(case["left_out"] or 0)
    else:
        best, bound, out = case.objective, case.bound, len(case.unsolved)
    price = Options().costs.unsolved
    return 100 * (best - bound) / (best - price * max(0, out - int((best - bound) / price))) if best else 0.0


def drawn_cases(name, size, seconds, draws):
    """A line of draws of one size: work, wall time, gap, MB, each middle and worst; posts left out in all.

    Each draw is shown as it ends.
    """
    fine = []
    for draw in range(draws):
        one = apart("shimfit", *size, draw, seconds, False)
        show(f"{name}, draw {draw}", one)
        fine += [one] if "failed" not in one else []
    columns = [
        f"{what} {np.median(values):7.2f} worst {max(values):7.2f}"
        for what, values in (
            ("cpu s", [one["cpu"] for one in fine]),
            ("wall s", [one["seconds"] for one in fine]),
            ("gap %", [gap_of(one) for one in fine]),
        )
    ]
    columns += [
        f"MB {np.median([one['mb'] for one in fine]):4.0f} worst {max(one['mb'] for one in fine):4.0f}"
    ]
    out = sum(int(one["left_out"]) for one in fine)
    print(f"{name:10} {len(fine):2} of {draws:2}  {'  '.join(columns)}  out {out}", flush=True)
    return float(np.median([one["cpu"] for one in fine]))


def growth(seconds, draws):
    """Runs of more and more posts with like stock a post, and the exponent of the seconds of work."""
    took = [
        drawn_cases(f"{posts} posts", (posts, posts + 100, 5 * posts), seconds, draws) for posts in GROWTH
    ]
    slope = np.polyfit(np.log(GROWTH), np.log(took), 1)[0]
    print(f"seconds of work grow with posts to the power of {slope:.2f}")


def again(seconds, draws):
    """One post of 200 read anew: work of planning again ÷ of the first time, and the gap of either."""
    shares, firsts, seconds_ones = [], [], []
    for draw in range(draws):
        run, box, options = drawn(*FAMILIES["large"], draw)
        known, took, gaps = Earlier(), [], []
        for _ in range(2):
            began = time.process_time()
            gaps.append(gap_of(plan(run, box, options, Highs(), seconds=seconds, earlier=known)))
            took.append(time.process_time() - began)
            lean = run[17].lean
            lean = Lean(1.1 * lean.slope_along + 0.0004, 0.9 * lean.slope_across - 0.0003)
            run = [*run[:17], replace(run[17], lean=lean), *run[18:]]
        shares.append(took[1] / took[0])
        firsts.append(gaps[0])
        seconds_ones.append(gaps[1])
        print(
            f"draw {draw}: {took[0]:.2f} s, again {took[1]:.2f} s  gaps % {gaps[0]:.3f} {gaps[1]:.3f}",
            flush=True,
        )
    print(
        f"again ÷ first: middle {np.median(shares):.2f} worst {max(shares):.2f}; "
        f"gap % middle {np.median(firsts):.3f}, again {np.median(seconds_ones):.3f}"
    )


# ---------------------------------------------------------------- the compact program


def compact(run, box, options):
    """Rows and columns of the compact program: (cost, upper, whole, row low, row high, entries by column)."""
    made = geometries.build(run, options)
    window = ListMaker(made, options)
    tables = build_tables(box, options)
    q, weights = options.quantum_mm, weights_of(options)
    cost, upper, whole, columns, low, high = [], [], [], [], [], []

    def column(price, top=1.0, integer=True):
        cost.append(price)
        upper.append(top)
        whole.append(integer)
        columns.append({})
        return len(cost) - 1

    def row(least, most, entries):
        for at, value in entries.items():
            columns[at][len(low)] = columns[at].get(len(low), 0.0) + value
        low.append(least)
        high.append(most)

    in_lot, covers = {}, {}
    for p in range(len(run)):
        left_out = column(weights.unsolved)
        rest = [column(0.0, 50, False) for _ in range(6)]
        made_by_seat = []
        for s in range(3):
            flats, total = {}, {}
            for rank, lot in enumerate(tables.lots):
                if lot.form != "flat" or tables.steps(lot.thickness_mm) * q > (window.longest + 1) * q:
                    continue
                price = weights.piece + (
                    weights.new_material * weights.new_flat_share if lot.origin == "bought" else 0
                )
                at = column(price, min(lot.count, 3))
                flats[at] = 1.0
                total[at] = tables.steps(lot.thickness_mm) * q
                in_lot.setdefault(rank, {})[at] = 1.0
            first, width = int(window.first[p, s, 0]), int(window.width[p, s, 0])
            tapers = {}
            for index, kind in enumerate(tables.rows):
                for tail in kind.runs:
                    lot = tables.lots[tail.rank]
                    for steps in range(max(1, tail.lo), min(tail.hi, first + width) + 1):
                        at = column(tail.cost)
                        tapers[at] = 1.0
                        total[at] = steps * q
                        covers.setdefault(tail.rank, []).append((*tables.stretch(tail.rank, steps, None), at))
                assert index >= 0
            only_flats = column(0.0)
            row(-np.inf, options.max_pieces, {**flats, **tapers})
            row(-np.inf, 1.0, tapers)
            for at in flats:
                row(-np.inf, 0.0, {at: 1.0, only_flats: -3.0, **dict.fromkeys(tapers, -3.0)})
            made_by_seat.append(total)
        for k in range(3):
            entries, offset = {}, float(made.constant[p, 0, k])
            for s in range(3):
                for at, thick in made_by_seat[s].items():
                    entries[at] = entries.get(at, 0.0) + made.linear[p, 0, k, s] * thick
                offset -= made.linear[p, 0, k, s] * made.gap_mm[p, s, 0]
            plus, minus = rest[2 * k], rest[2 * k + 1]
            row(-offset, -offset, {**entries, plus: -1.0, minus: 1.0})
            row(-np.inf, 1.0, {plus: 1.0, minus: 1.0, left_out: -100.0})
    for rank, entries in in_lot.items():
        row(-np.inf, tables.lots[rank].count, entries)
    for rank, uses in covers.items():
        for point in sorted({start for start, _, _ in uses}):
            entries = {at: 1.0 for start, end, at in uses if start <= point < end}
            if len(entries) > tables.lots[rank].count:
                row(-np.inf, tables.lots[rank].count, entries)
    starts, index, value = [], [], []
    for entries in columns:
        starts.append(len(index))
        for at in sorted(entries):
            index.append(at)
            value.append(entries[at])
    return IntegerProgram(
        np.array(cost), np.array(upper, float), np.array(whole, bool),
        np.array(low, float), np.array(high, float),
        Sparse(np.array(starts, np.int32), np.array(index, np.int32), np.array(value, float)),
    )  # fmt: skip


def by_cp_sat(program, seconds):
    """The same program for CP-SAT: coefficients as whole ten-thousandths."""
    from ortools.sat.python import cp_model

    scale = 10_000
    model = cp_model.CpModel()
    x = [
        model.new_int_var(0, int(top if whole else top * scale), f"x{k}")
        for k, (top, whole) in enumerate(zip(program.column_upper, program.whole, strict=True))
    ]
    factor = np.where(program.whole, scale, 1)
    rows = [[] for _ in program.row_lower]
    ends = [*program.entries.starts[1:], program.entries.index.size]
    for k, (start, end) in enumerate(zip(program.entries.starts, ends, strict=True)):
        for at in range(start, end):
            rows[program.entries.index[at]].append((k, round(program.entries.value[at] * factor[k])))
    for entries, least, most in zip(rows, program.row_lower, program.row_upper, strict=True):
        total = sum(x[k] * value for k, value in entries)
        # One ten-thousandth of a share per entry is given away to rounding.
        if math.isfinite(least):
            model.add(total >= math.floor(least * scale) - len(entries))
        model.add(total <= math.ceil(most * scale) + len(entries))
    model.minimize(sum(round(c * factor[k]) * x[k] for k, c in enumerate(program.cost)))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    status = solver.solve(model)
    found = status in (cp_model.OPTIMAL, cp_model.FEASIBLE)
    return (solver.objective_value / scale if found else None), solver.best_objective_bound / scale


# ---------------------------------------------------------------- cases


def run_case(how, posts, lots, pieces, draw, seconds, is_compact):  # noqa: PLR0917 - a case as JSON
    if is_compact:
        run, box, options = instance(posts, lots, pieces, draw=draw)
    else:
        run, box, options = drawn(posts, lots, pieces, draw) if lots else (real, short)[pieces](draw)
    began, cpu = time.perf_counter(), time.process_time()
    left_out = ""
    if how == "shimfit":
        done = plan(run, box, options, Highs(), seconds=seconds, effort=Effort(clock=time.process_time))
        best, bound, left_out = done.objective, done.bound, str(len(done.unsolved))
    else:
        program = compact(run, box, options)
        if how == "HiGHS":
            answer = Highs().integer(program, seconds=seconds)
            best, bound = answer.objective, answer.bound
        else:
            best, bound = by_cp_sat(program, seconds)
    return {
        "how": how,
        "seconds": time.perf_counter() - began,
        "cpu": time.process_time() - cpu,
        "best": best,
        "bound": bound if math.isfinite(bound) else None,
        "left_out": left_out,
        "mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def apart(*case):
    """A case in a process of its own, so that its peak memory is its own."""
    done = subprocess.run(
        [sys.executable, __file__, "--case", json.dumps(case)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        return {"how": case[0], "failed": done.stderr.strip().splitlines()[-1:]}
    return json.loads(done.stdout)


def show(name, answer):
    if "failed" in answer:
        print(f"{name:34} {answer['how']:8} failed: {answer['failed']}", flush=True)
        return
    best, bound = answer["best"], answer["bound"]
    gap = f"{gap_of(answer):8.3f}" if best and bound is not None else "       -"
    cost = f"{best:11.2f}" if best is not None else "          -"
    low = f"{bound:11.2f}" if bound is not None else "          -"
    print(
        f"{name:34} {answer['how']:8} {answer['seconds']:8.2f} {cost} {low} {gap} {answer['left_out']:>5} "
        f"{answer['mb']:7.0f}",
        flush=True,
    )


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--case")
    parser.add_argument("--family", action="append", choices=FAMILIES, help="only these; huge takes long")
    parser.add_argument("--growth", action="store_true", help="only how seconds grow with posts")
    parser.add_argument("--again", action="store_true", help="only a run planned again after one reading")
    parser.add_argument("--draws", type=int, default=10)
    parser.add_argument("--peer-seconds", type=float, default=20.0)
    parser.add_argument("--seconds", type=float, default=120.0)
    args = parser.parse_args()
    if args.case:
        print(json.dumps(run_case(*json.loads(args.case))))
        return
    if args.growth:
        growth(args.seconds, args.draws)
        return
    if args.again:
        again(args.seconds, args.draws)
        return
    if args.family:
        for name in args.family:
            drawn_cases(name, FAMILIES[name], args.seconds, args.draws)
        return
    print(
        f"{'case':34} {'how':8} {'seconds':>8} {'cost':>11} {'bound':>11} {'gap %':>8} {'out':>5} {'MB':>7}"
    )
    for how in ("shimfit", "HiGHS", "CP-SAT"):
        limit = args.seconds if how == "shimfit" else args.peer_seconds
        show("6 posts, 20 lots, compact form", apart(how, 6, 20, 60, 0, limit, True))
    for how in ("shimfit", "HiGHS", "CP-SAT"):
        limit = args.seconds if how == "shimfit" else args.peer_seconds
        show("20 posts, 120 lots, compact form", apart(how, 20, 120, 400, 0, limit, True))
    for name in ("few", "eight", "small", "tight", "medium", "large", "scarce"):
        drawn_cases(name, FAMILIES[name], args.seconds, args.draws)


if __name__ == "__main__":
    main()
