"""What shimfit makes of each published check, by its number. Sources and values stand in checks.csv."""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from shimfit.core import bearing, lean
from shimfit.core.foot import gap_plane
from shimfit.core.packing.options import Options
from shimfit.core.packing.tables import Tables
from shimfit.core.planning.program import IntegerProgram, Sparse
from shimfit.core.resting import Support, rest, shares_of_pull
from shimfit.core.sensing import statistics
from shimfit.core.sensing.mounting import FaceReading, reversal
from shimfit.core.uncertainty.budget import Budget, Term, combine, of_step, rectangular
from shimfit.core.uncertainty.decision import FACTORS, decide_lean
from shimfit.core.uncertainty.disk import inside_interval, normal_below
from shimfit.model import CORNERS, Foot, Lean, Lot, Seat, Tolerance
from shimfit.quantities import shown, typed
from shimfit.quantities.typed import parse_foot, parse_length
from shimfit.report.statistics import LineFit, fit_line, students_t95
from shimfit.solve.highs import Highs
from shimfit.wire import frames, lines
from shimfit.wire.formats import Xdr
from shimfit.wire.lines import XdrReader
from shimfit.wire.samples import Refusal, Tally
from tests.referee import printed

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"
MM_PER_IN = 25.4
N_PER_LBF = 4.4482216152605
Value = float | str


def table(name: str) -> list[dict[str, str]]:
    """Rows of one of the published tables."""
    with (PUBLISHED / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# ---------------------------------------------------------------- 1 tolerances and instruments


def per_m(text: str) -> float:
    """A tolerance as typed, in mm/m."""
    return typed.parse_tolerance(text).slope * 1000


def per_foot(text: str) -> float:
    """A slope as typed, as a ratio, by way of the units that files name."""
    return typed.to_slope(text)


def verdict(text: str, off_mm: float, height_mm: float) -> str:
    """Whether a lean is within a tolerance, without any margin."""
    allowed = typed.parse_tolerance(text)
    return "within" if allowed.holds(Lean(off_mm / height_mm, 0.0), height_mm) else "over"


def presets_about(*words: str) -> str:
    """Presets whose name, use or source has one of the words; none when there is none."""
    reported = [f"{one.name} {one.what} {one.source}".lower() for one in typed.PRESETS]
    return ", ".join(one for one in reported if any(word.lower() in one for word in words)) or "none"


# ---------------------------------------------------------------- 3, 4 timber and bolts


def psi(mpa: float) -> float:
    """Pressure in pounds per square inch."""
    return mpa / bearing.MPA_PER_PSI


def short_bearing(inches: float) -> float:
    """Cb away from a member's end."""
    return printed.bearing_area_factor(inches * MM_PER_IN, at_end=False)


def torque_lbf_in() -> float:
    """25 kip on a 3/4 in thread with K = 0.2."""
    newton_m = printed.torque_for_force_nm(25_000 * N_PER_LBF, 0.75 * MM_PER_IN, 0.2)
    return newton_m * 1000 / MM_PER_IN / N_PER_LBF


def preload_kpsi() -> float:
    """Stress of 25 kip on our area of 3/4-16."""
    area_in2 = printed.stress_area_mm2(0.75 * MM_PER_IN, MM_PER_IN / 16, "unified") / MM_PER_IN**2
    return 25 / area_in2


# ---------------------------------------------------------------- 5 measurement


def two_faces(direct_deg: float, reverse_deg: float) -> tuple[float, float]:
    """(corrected zenith angle, index error); a zenith angle on face two counts down from 360."""
    found = reversal(FaceReading(direct_deg, 0, 0.01, 0.01), FaceReading(reverse_deg - 360, 0, 0.01, 0.01))
    return found.lean.slope_along, -found.zero.along


def decision(in_u: float, rule: str) -> str:
    """Decision on a lean that lies `in_u` standard uncertainties beyond the limit (below 0: within)."""
    u, limit = 0.0001, Tolerance("1:500", "ratio", 0.002)
    return decide_lean(Lean(0.002 + in_u * u, 0.0), u, 0.0, limit, 1000.0, rule=rule).decision


def probability(in_u: float) -> float:
    """One-sided probability of conformance at that many standard uncertainties below the limit."""
    return inside_interval(1.0 - in_u * 0.001, 0.001, 1.0)


def mean_and_deviation(values: Sequence[float]) -> tuple[float, float]:
    """Mean and sample deviation, as readings of one lean are combined."""
    found = combine(values, [1.0] * len(values))
    return found.slope, found.spread


TEN_PRELOADS_KN = (30.3, 32.5, 32.5, 32.9, 32.9, 33.8, 34.3, 34.7, 37.4, 40.5)
NBS_14 = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])


def thousand_points() -> np.ndarray:
    """The 1000-point set of NIST SP 1065, 12.4."""
    values, n = [], 1234567890
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(values)


def anscombe() -> LineFit:
    """Our line through Anscombe's first set."""
    x = [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
    y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]
    fit = fit_line(x, y)
    assert fit is not None
    return fit


NORRIS_X = (
    "0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6",
    "556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5",
)
NORRIS_Y = (
    "0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8",
    "557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2",
)


def norris() -> LineFit:
    """Our line through NIST's 36 ozone readings."""
    x, y = ([float(number) for line in lines for number in line.split()] for lines in (NORRIS_X, NORRIS_Y))
    fit = fit_line(x, y)
    assert fit is not None
    return fit


def numerical_accuracy(which: int) -> tuple[float, float]:
    """(mean, sample deviation) of NIST's sets NumAcc1 to 4: few digits that vary behind many that don't."""
    if which == 1:
        values = [10_000_001.0, 10_000_003.0, 10_000_002.0]
    else:
        middle = {2: 1.2, 3: 1_000_000.2, 4: 10_000_000.2}[which]
        values = [middle] + [middle - 0.1, middle + 0.1] * 500
    return mean_and_deviation(values)


# ---------------------------------------------------------------- 7 sensors


def tilts_apart() -> float:
    """Our slopes turned into AN3461's two angles, against its own formulas: larger difference, degrees."""
    x, y, z = 0.1, 0.2, 0.97
    ours = lean.from_acceleration(x, y, z)
    roll, pitch = math.atan2(y, z), math.atan2(-x, math.hypot(y, z))
    our_roll = math.atan(-ours.slope_across)
    our_pitch = math.atan(ours.slope_along * math.cos(our_roll))
    return math.degrees(max(abs(our_roll - roll), abs(our_pitch - pitch)))


def sentence_heard(sentence: str) -> str:
    """accept or reject, by the checksum."""
    tally = Tally()
    XdrReader(Xdr(), tally).read(sentence.encode(), 0.0)
    return "reject" if tally.refused.get(Refusal.BAD_CHECKSUM) else "accept"


def wire_crc(hex_bytes: str) -> str:
    """CRC of a Modbus frame in wire order, `C5 CD`."""
    return frames.with_crc(bytes.fromhex(hex_bytes))[-2:].hex(" ").upper()


# ---------------------------------------------------------------- 8 packing and cutting


def fewest_bins(capacity: float, items: list[float]) -> float:
    """Fewest bins by the integer program solver: x[i, bin] and used[bin], all 0 or 1."""
    n = len(items)
    starts, index, value = [0], [], []
    for i, size in enumerate(items):
        for bin_ in range(n):
            index += [i, n + bin_]
            value += [1.0, size]
            starts.append(len(index))
    for bin_ in range(n):
        index.append(n + bin_)
        value.append(-capacity)
        starts.append(len(index))
    columns = n * n + n
    program = IntegerProgram(
        cost=np.array([0.0] * (n * n) + [1.0] * n),
        column_upper=np.ones(columns),
        whole=np.ones(columns, dtype=bool),
        row_lower=np.array([1.0] * n + [-np.inf] * n),
        row_upper=np.array([1.0] * n + [0.0] * n),
        entries=Sparse(np.array(starts, np.int32), np.array(index, np.int32), np.array(value)),
    )
    answer = Highs().integer(program, seconds=20)
    assert answer.status == "proven"
    return answer.objective


def stack_from_set(target_in: str) -> str:
    """At most four pieces of the 81-piece set; 0.0001 in stands for our grid of 0.01 mm."""
    lots = [
        Lot(row["block_in"], "flat", 1, thickness_mm=float(row["block_in"]) * 100)
        for row in table("set_81_inch")
    ]
    tables = Tables(lots, Options(max_pieces=4), None, 60_000)
    found = tables.stack(tables.rows[0], int(Fraction(target_in) * 10_000))
    if found is None:
        return "not possible"
    return " + ".join(sorted((tables.lots[rank].lot for rank in found.flats), key=float))


# ---------------------------------------------------------------- 9 geometry


def low_edge_mm(off_mm: float, height_mm: float, foot_mm: float) -> float:
    """Gap at the low edge of a square foot that leans one way."""
    return gap_plane(Foot(foot_mm, foot_mm), Lean(off_mm / height_mm, 0.0)).at_seat_mm(Seat.NEXT)


def rigid_foot_apart_mm() -> float:
    """Our gaps against a foot turned as a rigid body by scipy, the worst corner of 100 random leans."""
    chance, foot, worst = random.Random(4), Foot(90.0, 140.0), 0.0
    for _ in range(100):
        along, across = chance.uniform(-0.05, 0.05), chance.uniform(-0.05, 0.05)
        axis = np.array([along, across, 1.0]) / math.hypot(along, across, 1.0)
        turn, _ = Rotation.align_vectors([axis], [[0.0, 0.0, 1.0]])
        normal = turn.apply([0.0, 0.0, 1.0])  # of the bed that the leaning post stands square on
        points = [foot.seat_at_mm(seat) for seat in CORNERS]
        beds = [-(normal[0] * x + normal[1] * y) / normal[2] for x, y in points]
        plane = gap_plane(foot, Lean(along, across))
        for (x, y), bed in zip(points, beds, strict=True):
            worst = max(worst, abs(plane.gap_mm(x, y) - (max(beds) - bed)))
    return worst


def sine_bar_deg(rise_in: float) -> float:
    """Angle of a 5 in bar whose end stands this much higher."""
    return lean.to_degrees(printed.from_offset_along_post(rise_in * MM_PER_IN, 5 * MM_PER_IN))


def sine_bar_step_deg(at_deg: float) -> float:
    """What 0.0001 in more does at an angle."""
    rise = 5 * math.sin(math.radians(at_deg))
    return sine_bar_deg(rise + 0.0001) - sine_bar_deg(rise)


# ---------------------------------------------------------------- the checks


def square_table(load_at: float) -> tuple[Foot, list[Support]]:
    """A square table of side 1 on four equal legs, its load `load_at` from the middle on a diagonal."""
    at = load_at / math.sqrt(2.0)
    foot = Foot(1.0, 1.0, rod_hole_mm=0.01, rod_at_mm=(at, at))
    return foot, [Support(x, y, 0.0) for x, y in ((0.5, 0.5), (0.5, -0.5), (-0.5, -0.5), (-0.5, 0.5))]


def table_legs(load_at: float) -> tuple[float, float, float]:
    """Share of the load on the nearest leg, on one beside it, on the farthest."""
    nearest, beside, farthest, other = shares_of_pull(*square_table(load_at), preload_mm=0.001)
    assert math.isclose(beside, other, abs_tol=1e-12)
    return nearest, beside, farthest


def table_tilt_in_sides(load_at: float) -> float:
    """Nearest leg's shortening less the farthest's, in shortenings under a load in the middle."""
    resting = rest(*square_table(load_at), preload_mm=0.001)
    assert resting.lean is not None
    return (resting.lean.slope_along + resting.lean.slope_across) / 0.001


OURS: dict[str, Callable[[], Value]] = {
    "1.1a": lambda: per_m("1:500"),
    "1.1b": lambda: lean.to_degrees(typed.parse_tolerance("1:500").slope),
    "1.1c": lambda: typed.parse_tolerance("1:500").allowed_top_mm(36 * MM_PER_IN) / MM_PER_IN,
    "1.1d": lambda: typed.parse_tolerance("1:500").allowed_top_mm(900),
    "1.2a": lambda: per_m("3/8in/32in"),
    "1.2b": lambda: lean.to_degrees(typed.parse_tolerance("3/8in/32in").slope),
    "1.3": lambda: per_m("1-1/2in/8ft"),
    "1.4": lambda: per_m("5mm/2.4m"),
    "1.5a": lambda: typed.parse_tolerance("4mm/2m").allowed_top_mm(1000),
    "1.5b": lambda: typed.parse_tolerance("4mm/2m").allowed_top_mm(500),
    "1.5c": lambda: typed.parse_tolerance("4mm/2m").allowed_top_mm(3000),
    "1.5d": lambda: verdict("4mm/2m", 3, 1000),
    "1.5e": lambda: verdict("1:500", 3, 1000),
    "1.6": lambda: typed.parse_tolerance("10mm/5m").allowed_top_mm(2500),
    "1.9": lambda: presets_about("guard", "railing", "fence"),
    "1.10": lambda: presets_about("5606", "13670", "NHBC", "Victoria"),
    "1.11a": lambda: lean.to_degrees(0.0005),
    "1.11b": lambda: lean.to_degrees(0.0010),
    "1.12": lambda: lean.to_degrees(0.02 / 1000) * 3600,
    "1.13a": lambda: 1000 * lean.from_degrees(1) / math.hypot(1, lean.from_degrees(1)),
    "1.13b": lambda: 1000 * printed.from_offset_along_post(17.4524064, 1000),
    "1.14": lambda: 1000 * lean.from_degrees(20 / 3600),
    "1.15a": lambda: 1000 * lean.from_offset(0.0005, 12),
    "1.15b": lambda: lean.to_degrees(lean.from_offset(0.0005, 12)) * 3600,
    "1.16a": lambda: per_m("0.1deg"),
    "1.16b": lambda: 1000 * rectangular(lean.from_degrees(0.1)),
    "1.16c": lambda: lean.to_degrees(per_foot("1/8 in/ft")),
    "3.1a": lambda: parse_foot("3-1/2x3-1/2in").along_mm,
    "3.1b": lambda: parse_foot("3/4x5-1/2in").across_mm,
    "3.1c": lambda: parse_foot("1-1/2x3-1/2in").along_mm,
    "3.3": lambda: parse_foot("5.5x5.5in").across_mm,
    "3.3b": lambda: parse_foot("7-1/4x7-1/4in").along_mm,
    "3.4a": lambda: bearing.timber_named("Douglas Fir-Larch").fc_perp_mpa,
    "3.4b": lambda: bearing.timber_named("Southern Pine").fc_perp_mpa,
    "3.4c": lambda: bearing.timber_named("Hem-Fir").fc_perp_mpa,
    "3.4d": lambda: bearing.timber_named("Spruce-Pine-Fir").fc_perp_mpa,
    "3.5": lambda: psi(bearing.timber_named("Western Cedars").fc_perp_mpa),
    "3.6a": lambda: psi(bearing.timber_named("Douglas Fir-Larch").allowed_mpa(wet=True)),
    "3.6b": lambda: psi(bearing.timber_named("Spruce-Pine-Fir").allowed_mpa(wet=True)),
    "3.7": lambda: psi(bearing.timber_named("Douglas Fir-Larch").allowed_mpa(wet=False, half_crushing=True)),
    "3.8a": lambda: short_bearing(1.5),
    "3.8b": lambda: short_bearing(6),
    "3.8c": lambda: printed.bearing_area_factor(1.5 * MM_PER_IN),
    "3.9a": lambda: short_bearing(0.5),
    "3.9b": lambda: short_bearing(1),
    "3.9c": lambda: short_bearing(4),
    "3.11": lambda: 420_000 * bearing.MPA_PER_PSI / 1000,
    "4.1": torque_lbf_in,
    "4.2": preload_kpsi,
    "4.3": lambda: bearing.NUT_FACTORS["zinc plated"],
    "4.3b": lambda: bearing.NUT_FACTORS["lubricated"],
    "4.4": lambda: bearing.TORQUE_SCATTER_LUBRICATED,
    "4.4b": lambda: mean_and_deviation(TEN_PRELOADS_KN)[0],
    "4.4c": lambda: mean_and_deviation(TEN_PRELOADS_KN)[1],
    "4.5a": lambda: bearing.force_from_torque_n(50, 10, 0.2),
    "4.5b": lambda: bearing.force_from_torque_n(50, 10, 0.2) / printed.stress_area_mm2(10, 1.5),
    "4.7": lambda: printed.stress_area_mm2(16, 2),
    "5.1a": lambda: two_faces(66, 286)[0],
    "5.1b": lambda: two_faces(66, 286)[1],
    "5.2": lambda: two_faces(70, 290)[1],
    "5.5": lambda: rectangular(1.5),
    "5.6": lambda: of_step(0.1),
    "5.7a": lambda: printed.from_quoted(1.960, 95),
    "5.7b": lambda: printed.from_quoted(2.576, 99),
    "5.7c": lambda: printed.from_quoted(1, 50),
    "5.8": lambda: rectangular(0.40),
    "5.9": lambda: Budget(tuple(Term("repeat", u) for u in (25, 9.7, 2.9, 16.6))).u,
    "5.10": lambda: decision(-FACTORS["2u"] - 1e-6, "2u"),
    "5.11a": lambda: decision(-0.5, "2u"),
    "5.11b": lambda: decision(0.5, "2u"),
    "5.11c": lambda: decision(2.01, "2u"),
    "5.12a": lambda: probability(0),
    "5.12b": lambda: probability(1.645),
    "5.12c": lambda: probability(2),
    "5.13": lambda: normal_below((-5.40 + 5.47) / 0.05),
    "5.15a": lambda: statistics.overlapping_allan(NBS_14, 1),
    "5.15b": lambda: statistics.overlapping_allan(NBS_14, 2),
    "5.15c": lambda: mean_and_deviation(list(NBS_14))[1],
    "5.16a": lambda: statistics.overlapping_allan(thousand_points(), 1),
    "5.16b": lambda: statistics.overlapping_allan(thousand_points(), 10),
    "5.16c": lambda: statistics.overlapping_allan(thousand_points(), 100),
    "5.16d": lambda: mean_and_deviation(list(thousand_points()))[0],
    "5.16e": lambda: mean_and_deviation(list(thousand_points()))[1],
    "5.17a": lambda: students_t95(3),
    "5.17b": lambda: students_t95(10),
    "5.18a": lambda: anscombe().slope,
    "5.18b": lambda: anscombe().u_slope,
    "5.19": lambda: inside_interval(13.6 - 14.4, 1.8, 1.9),
    "5.20a": lambda: norris().at_zero,
    "5.20b": lambda: norris().slope,
    "5.20c": lambda: norris().u_slope,
    "5.21a": lambda: numerical_accuracy(1)[0],
    "5.21b": lambda: numerical_accuracy(1)[1],
    "5.21c": lambda: numerical_accuracy(2)[1],
    "5.21d": lambda: numerical_accuracy(3)[1],
    "5.21e": lambda: numerical_accuracy(4)[1],
    "6.1a": lambda: parse_length("1in"),
    "6.1b": lambda: parse_length("1ft"),
    "6.2": lambda: parse_length("36ft") / 1000,
    "6.5": lambda: shown.inches(Fraction("0.400") * Fraction("25.4"), 64),
    "6.6a": lambda: float(shown.nearest(Fraction("25.4") / 32, Fraction(1, 10_000))),
    "6.6b": lambda: float(shown.nearest(Fraction("25.4") * 15 / 32, Fraction(1, 10_000))),
    "6.8a": lambda: 1000 * lean.from_degrees(1),
    "6.8b": lambda: lean.to_degrees(0.001),
    "7.4": lambda: f"{lines.checksum(b'GPXDR,A,0.6135744,D,PTCH,A,-0.6135744,D,ROLL'):02X}",
    "7.6": lambda: f"{frames.crc16(b'123456789'):04X}",
    "7.9a": lambda: 1000 * frames.quiet_s(19200, bits=10),
    "7.9b": lambda: 1000 * frames.quiet_s(19200, bits=11),
    "7.9c": lambda: 1000 * frames.quiet_s(115200),
    "7.11": tilts_apart,
    "7.12": lambda: lean.to_degrees(abs(lean.from_acceleration(500e-6, 0, 1).slope_along)),
    "8.1": lambda: fewest_bins(100, [50, 60, 30, 70, 50, 40]),
    "8.2": lambda: fewest_bins(250, [187, 119, 119, 74, 74, 90]),
    "8.3": lambda: stack_from_set("5.0073"),
    "8.4": lambda: stack_from_set("4.3300"),
    "8.5": lambda: len({row["block_in"] for row in table("set_81_inch")}),
    "9.1a": lambda: sine_bar_deg(2.270),
    "9.1b": lambda: sine_bar_deg(1.545),
    "9.1c": lambda: sine_bar_deg(2.5),
    "9.2a": lambda: low_edge_mm(0.25 * MM_PER_IN, 36 * MM_PER_IN, 3.5 * MM_PER_IN) / MM_PER_IN,
    "9.2b": lambda: low_edge_mm(10, 900, 88.9),
    "9.4": rigid_foot_apart_mm,
    "9.6a": lambda: sine_bar_step_deg(30),
    "9.6b": lambda: sine_bar_step_deg(60),
    "9.8a": lambda: table_legs(0.1)[0],
    "9.8b": lambda: table_legs(0.1)[1],
    "9.8c": lambda: table_legs(0.1)[2],
    "9.8d": lambda: table_legs(2**0.5 / 4 - 1e-9)[2],
    "9.8e": lambda: table_legs(2**0.5 / 4 + 0.1)[0],
    "9.8f": lambda: table_legs(2**0.5 / 4 + 0.1)[1],
    "9.8g": lambda: table_legs(2**0.5 / 4 + 0.1)[2],
    "9.8h": lambda: table_tilt_in_sides(0.1),
}

NOT_OURS = {
    "1.7": "a ratio with a cap: no such preset is offered",
    "1.8": "thermal drift of steel frames: nothing here works it out",
    "2.1-2.9": "guards' heights, openings and loads: caution text, nothing here designs the connection",
    "3.2": "green sizes: the foot is typed as measured",
    "3.10, 3.12": "moduli of packs: not asked for; packs are told apart by thickness",
    "4.6, 4.8": "see the table thread_stress_areas.csv",
    "5.3, 5.4, 5.14": "identities and wording; the reversal is checked by 5.1 and 5.2",
    "6.3": "rounding of displayed metres: lengths here are told in mm or fractions of an inch",
    "6.4, 6.7": "see the tables decimal_equivalents.csv and slope_table.csv",
    "7.1-7.3, 7.5": "see the table nmea_examples.csv",
    "7.7, 7.8": "see the table modbus_crc_examples.csv",
    "7.10": "see the table tilt_sensitivity.csv",
    "8.6": "a tie-break, common practice: weights of the packing search",
    "9.3, 9.5": "planes through points and quaternions: the gap plane is checked by 9.4",
    "9.7": "not found with numbers",
}
"""Published facts that no figure of shimfit can be held against, and why."""


def _slope_deg(row: dict[str, str]) -> float:
    return lean.to_degrees(per_foot(f"{row['in_per_ft']} in/ft"))


def _tilt_deg(row: dict[str, str]) -> Value:
    if float(row["cos_g"]) <= 0:
        return "refused: lies on its side"
    return lean.to_degrees(
        abs(lean.from_acceleration(float(row["sin_g"]), 0, float(row["cos_g"])).slope_along)
    )


def _thread_area(row: dict[str, str]) -> float:
    diameter, pitch = float(row["major_diameter"]), float(row["tpi_or_pitch"])
    if row["unit"] == "in2":
        return printed.stress_area_mm2(diameter * MM_PER_IN, MM_PER_IN / pitch, "unified") / MM_PER_IN**2
    return printed.stress_area_mm2(diameter, pitch)


TABLES: dict[
    str, tuple[str, str, Callable[[dict[str, str]], str], Callable[[dict[str, str]], Value], str]
] = {
    # file: (number, what, name of a row, ours, column published)
    "decimal_equivalents": (
        "6.4",
        "fraction of an inch",
        lambda row: row["fraction"],
        lambda row: parse_length(f"{row['fraction']}in") / MM_PER_IN,
        "published_decimal_in",
    ),
    "slope_table": (
        "6.7",
        "in per ft as degrees",
        lambda row: row["in_per_ft"],
        _slope_deg,
        "published_deg",
    ),
    "thread_stress_areas": (
        "4.6",
        "stress area of a thread",
        lambda row: row["thread"],
        _thread_area,
        "published_area",
    ),
    "fc_perp": (
        "3.4",
        "compression across the grain, psi",
        lambda row: row["species_group"],
        lambda row: psi(bearing.timber_named(row["species_group"]).fc_perp_mpa),
        "fc_perp_psi",
    ),
    "nmea_examples": (
        "7.5",
        "sentence taken or refused by its checksum",
        lambda row: row["sentence"],
        lambda row: sentence_heard(row["sentence"]),
        "verdict",
    ),
    "modbus_crc_examples": (
        "7.7",
        "CRC of a frame in wire order",
        lambda row: f"{row['bytes_hex']} ({row['verdict']})",
        lambda row: wire_crc(row["bytes_hex"]),
        "wire_low_high",
    ),
    "tilt_sensitivity": (
        "7.10",
        "tilt from the sine of an axis",
        lambda row: f"{row['sin_g']} g",
        _tilt_deg,
        "deg",
    ),
}
