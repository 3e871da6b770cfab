"""One post as one integer program, written down from the definitions: the model that peers are given.

One integer per (seat, flat lot), one binary per (seat, taper lot, thickness); lean, rock and their sizes are
continuous. Everything bears at the seat and the limit is per direction, so that all rows are linear. The
corner that stays down is bare. Nothing of the search is used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from shimfit.model import CORNERS
from tests.referee.weights import weights_of


@dataclass
class Compact:
    """Rows and columns; every row is lo <= a.x <= hi."""

    cost: list[float] = field(default_factory=list)
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    rows: list[tuple[dict[int, float], float, float]] = field(default_factory=list)

    def column(self, cost: float, lower: float, upper: float, *, whole: bool) -> int:
        self.cost.append(cost)
        self.lower.append(lower)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: dict[int, float], lo: float, hi: float) -> None:
        self.rows.append((terms, lo, hi))


def compact(foot, height_mm, lean, tolerance, *, lots, options) -> Compact:
    """The program of one post; `options.bearing_point` must be corner and the tolerance per direction."""
    assert options.bearing_point == "corner"
    assert tolerance.per_direction
    model, weights, q = Compact(), weights_of(options), options.quantum_mm
    allowed = tolerance.allowed_top_mm(height_mm)
    at = {seat: foot.seat_at_mm(seat) for seat in CORNERS}
    height_of = {seat: lean.slope_along * x + lean.slope_across * y for seat, (x, y) in at.items()}
    low = min(height_of.values())
    down = min(CORNERS, key=lambda seat: (round(height_of[seat] - low, 9), CORNERS.index(seat)))
    made = {}
    flat_use: dict[str, list[int]] = {lot.lot: [] for lot in lots}
    stretches: dict[str, list[tuple[float, float, int]]] = {lot.lot: [] for lot in lots}
    for seat in CORNERS:
        if seat == down:
            made[seat] = {}
            continue
        terms: dict[int, float] = {}
        pieces: dict[int, float] = {}
        tails: dict[int, float] = {}
        packed = model.column(0.0, 0.0, 1.0, whole=True)
        for lot in lots:
            new = weights.new_material if lot.origin == "bought" else 0.0
            if lot.form == "flat":
                thickness = round(lot.thickness_mm / q) * q
                if thickness > height_of[seat] - low + 2.0:
                    continue
                price = weights.piece + new * weights.new_flat_share
                most = min(lot.count, options.max_pieces)
                column = model.column(price, 0.0, most, whole=True)
                terms[column], pieces[column] = thickness, 1.0
                flat_use[lot.lot].append(column)
            else:
                sigma = lot.taper_slope
                price = weights.piece + weights.cut + new * weights.new_taper_share
                first = math.ceil((lot.thin_mm + sigma * options.min_inside_mm) / q - 1e-9)
                for steps in range(first, math.floor(lot.thick_mm / q + 1e-9) + 1):
                    if steps * q > height_of[seat] - low + 2.0:
                        break
                    mark = (steps * q - lot.thin_mm) / sigma
                    column = model.column(price, 0.0, 1.0, whole=True)
                    terms[column], pieces[column], tails[column] = steps * q, 1.0, 1.0
                    start, end = max(0.0, mark - options.bearing_mm), mark + options.saw.kerf_mm
                    stretches[lot.lot].append((start, min(lot.length_mm, end), column))
        model.row(pieces | {packed: -float(options.max_pieces)}, -math.inf, 0.0)
        if tails:
            model.row(tails, -math.inf, 1.0)
        made[seat] = terms
    for lot in lots:
        if flat_use[lot.lot]:
            model.row(dict.fromkeys(flat_use[lot.lot], 1.0), -math.inf, lot.count)
        for x in sorted({start for start, _, _ in stretches[lot.lot]}):
            covering = [column for start, end, column in stretches[lot.lot] if start <= x < end]
            model.row(dict.fromkeys(covering, 1.0), -math.inf, lot.count)
    need = {seat: height_of[seat] - low for seat in CORNERS}
    _rest(model, foot, height_mm, made=made, need=need, allowed=allowed, options=options)
    return model


def _rest(model, foot, height_mm, *, made, need, allowed, options) -> None:
    """Lean left over and rock of four corners in contact, within their limits."""
    pull = 4.0 * options.preload_mm
    shapes = (
        ([-height_mm * seat.sign_along / (2.0 * foot.along_mm) for seat in CORNERS], allowed),
        ([-height_mm * seat.sign_across / (2.0 * foot.across_mm) for seat in CORNERS], allowed),
        ([float(seat.sign_along * seat.sign_across) for seat in CORNERS], pull),
    )
    for factors, limit in shapes:
        size = model.column(0.0, 0.0, limit, whole=False)
        total: dict[int, float] = {}
        constant = 0.0
        for seat, factor in zip(CORNERS, factors, strict=True):
            constant -= factor * need[seat]
            for column, thickness in made[seat].items():
                total[column] = total.get(column, 0.0) + factor * thickness
        model.row(total | {size: -1.0}, -math.inf, -constant)
        model.row({c: -v for c, v in total.items()} | {size: -1.0}, -math.inf, constant)


def by_scipy(model: Compact, seconds: float = 60.0) -> float | None:
    """Optimum by scipy.optimize.milp with no gap allowed; None when there is none."""
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix

    data = [(i, c, v) for i, (terms, _, _) in enumerate(model.rows) for c, v in terms.items()]
    matrix = csr_matrix(
        ([v for _, _, v in data], ([i for i, _, _ in data], [c for _, c, _ in data])),
        shape=(len(model.rows), len(model.cost)),
    )
    found = milp(
        np.array(model.cost),
        integrality=np.array(model.whole, dtype=int),
        bounds=Bounds(np.array(model.lower), np.array(model.upper)),
        constraints=LinearConstraint(
            matrix, [lo for _, lo, _ in model.rows], [hi for _, _, hi in model.rows]
        ),
        options={"mip_rel_gap": 0.0, "time_limit": seconds},
    )
    if found.status == 1:
        raise TimeoutError
    return None if found.x is None else float(found.fun)


def by_cp_sat(model: Compact, seconds: float = 60.0) -> float | None:
    """Optimum by OR-tools CP-SAT, reals scaled to integers; None when there is none."""
    from ortools.sat.python import cp_model

    scale, money = 10**6, 10**9
    program = cp_model.CpModel()
    columns = []
    for i, whole in enumerate(model.whole):
        factor = 1 if whole else scale
        columns.append(
            program.new_int_var(int(model.lower[i] * factor), math.floor(model.upper[i] * factor), f"x{i}")
        )
    for terms, lo, hi in model.rows:
        # Rows with reals are scaled by the grid of the reals, and let go by one step of it.
        fine = any(not model.whole[c] for c in terms) or any(v != int(v) for v in terms.values())
        factor = scale if fine else 1
        sides = [round(v * (factor if model.whole[c] else 1)) * columns[c] for c, v in terms.items()]
        slack = len(terms) if fine else 0
        if hi < math.inf:
            program.add(sum(sides) <= math.floor(hi * factor + slack))
        if lo > -math.inf:
            program.add(sum(sides) >= math.ceil(lo * factor - slack))
    program.minimize(
        sum(
            round(cost * money / (1 if whole else scale)) * column
            for cost, whole, column in zip(model.cost, model.whole, columns, strict=True)
        )
    )
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    status = solver.solve(program)
    if status in (cp_model.UNKNOWN, cp_model.FEASIBLE):
        raise TimeoutError
    return solver.objective_value / money if status == cp_model.OPTIMAL else None
