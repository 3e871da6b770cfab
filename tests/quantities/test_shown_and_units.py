"""The one registry, and lengths as they are shown."""

from __future__ import annotations

import csv
import math
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.core.objective import Scatter
from shimfit.core.packing import Options
from shimfit.entry import EntrySettings, parse_reading
from shimfit.errors import EntryError, InternalError
from shimfit.quantities import shown, typed
from shimfit.quantities.typed import read_length

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"


def rows(name):
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# ---------------------------------------------------------------- pint


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("0.9 m", 900.0),
        ("2 ft", 609.6),
        ("12 thou", 0.3048),
        ("3/8 in", 9.525),
        ('3.5"', 88.9),
        ("1-1/4 inch", 31.75),
        ("1e-3 km", 1000.0),
        ("2 yards", 1828.8),
        ("5 µm", 0.005),
        ("-5 mm", -5.0),
        # NIST SP 811, B.8 (second-hand): 0.001 in = 2.54 E-02 mm
        ("0.001 in", 0.0254),
        ("5", 5.0),  # a bare number is in the unit already
    ],
)
def test_lengths_of_files_and_settings(text, mm):
    assert typed.to_unit(text, "mm", "length") == mm


@pytest.mark.parametrize(
    ("text", "slope"),
    [
        ("2 mm/m", 0.002),
        ("0.2 percent", 0.002),
        ("0.2 %", 0.002),
        ("0.0005", 0.0005),
        ("1/8 in/ft", 0.125 / 12),
        ("1½ mm/m", 0.0015),
        ("¼ in/ft", 0.25 / 12),
        ("0.1 deg", math.tan(math.radians(0.1))),
        ("0.1°", math.tan(math.radians(0.1))),
        ("6 arcmin", math.tan(math.radians(0.1))),
        ("1.7453292519943295 mrad", math.tan(1.7453292519943295e-3)),
    ],
)
def test_slopes_of_files_and_settings(text, slope):
    assert typed.to_slope(text) == pytest.approx(slope, rel=1e-14)


def test_a_survey_vial_division():
    # US Navy Engineering Aid manual 14069, chapter 11 (read): 20 arc seconds; recomputed 0.0970 mm/m
    assert typed.to_slope("20 arcsec") * 1000 == pytest.approx(0.0970, abs=5e-5)


@pytest.mark.parametrize("text", ["30 ft-lb", "30 lbf ft", "360 in-lb", "30 ft·lbf"])
def test_torques_in_pounds(text):
    assert typed.to_torque_nm(text) == pytest.approx(
        40.674538, abs=5e-7
    )  # 1 lbf ft = 1.3558179 N m (exact g)


@pytest.mark.parametrize(("text", "nm"), [("40", 40.0), ("40Nm", 40.0), ("40 N·m", 40.0), ("4 kN mm", 4.0)])
def test_torques(text, nm):
    assert typed.to_torque_nm(text) == pytest.approx(nm, abs=5e-7)


@pytest.mark.parametrize(
    "text",
    [
        *("", "abc", "1 kg", "nan mm", "1e999 m", "3**9**9 mm", "__import__('os')", "2 mm)", "2 mm//m"),
        *("2 degC", "2 import os", "3/7 in", "9" * 50 + " mm", "2 m**3", "1 /m"),
    ],
)
def test_what_is_no_length_is_one_sentence(text):
    with pytest.raises(EntryError) as refusal:
        typed.to_unit(text, "mm", "length")
    assert str(refusal.value)


@pytest.mark.parametrize("text", ["5 mm", "95 deg", "", "abc", "2 degC", "1 mm/s", "3 mm/½", "1.5 ½"])
def test_what_is_no_slope(text):
    with pytest.raises(EntryError):
        typed.to_slope(text)


@pytest.mark.parametrize("text", ["-3 Nm", "0", "2 m", "tight", "30 lb/ft"])
def test_what_is_no_torque(text):
    with pytest.raises(EntryError):
        typed.to_torque_nm(text)


def test_nothing_heavy_is_loaded_at_import():
    code = (
        "import sys, shimfit.quantities.typed, shimfit.quantities.shown, shimfit.entry;"
        "import shimfit.entry.grammar, shimfit.core.instruments;"
        "print([m for m in ('pint', 'numpy', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


LENGTHS = st.sampled_from(["mm", "cm", "m", "in", "inch", "inches", "ft", "feet", "foot"])
DECIMALS = st.decimals(min_value="0.001", max_value="9999", places=3).map(lambda d: f"{d:f}")


@given(DECIMALS, LENGTHS)
@settings(max_examples=200, deadline=None)
def test_typed_lengths_agree_with_pint(number, unit):
    assert read_length(f"{number} {unit}").millimetres == typed.to_unit(f"{number} {unit}", "mm")


@given(st.integers(1, 63), st.sampled_from(["mm", "cm", "in", "deg", "mm/m", "in/ft"]), st.floats(300, 3000))
@settings(max_examples=200, deadline=None)
def test_typed_leans_agree_with_pint(n, unit, height_mm):
    number = f"{n / 128:.7f}" if unit in ("in", "in/ft") else f"{n / 25:.2f}"
    parsed = parse_reading(f"{number}{unit} n 0", EntrySettings()).slopes(height_mm)[0]
    if unit in ("mm", "cm", "in"):
        expected = typed.to_unit(f"{number} {unit}", "mm") / height_mm
    else:
        expected = typed.to_slope(f"{number} {unit}")
    assert parsed == pytest.approx(expected, rel=1e-14)


def test_the_published_slope_table():
    # roofonline slope equivalents (read; other columns derived)
    for row in rows("slope_table.csv"):
        slope = typed.to_slope(f"{row['in_per_ft']} in/ft")
        degrees = math.degrees(math.atan(slope))
        places = len(row["published_deg"].partition(".")[2])
        assert round(degrees, places) == float(row["published_deg"])
        assert slope * 1000 == pytest.approx(float(row["mm_per_m"]), rel=5e-6)
        assert slope * 100 == pytest.approx(float(row["percent"]), rel=5e-6)
        assert typed.to_slope(f"{row['deg']} deg") == pytest.approx(slope, rel=1e-6)


def test_one_degree_and_one_mm_per_m():
    # definition (derived): 1 deg = 17.4551 mm/m (tan) = 0.209461 in/ft; 1 mm/m = 0.0572958 deg = 0.012 in/ft
    assert typed.to_slope("1 deg") * 1000 == pytest.approx(17.4551, abs=5e-5)
    assert typed.to_slope("1 deg") * 12 == pytest.approx(0.209461, abs=5e-7)
    assert math.degrees(math.atan(typed.to_slope("1 mm/m"))) == pytest.approx(0.0572958, abs=5e-8)
    assert typed.to_slope("0.012 in/ft") == pytest.approx(0.001)


# ---------------------------------------------------------------- as they are shown


def test_the_63_fractions_are_shown_as_published():
    # Cosgrove, Table LXIII (read; its 3/62 is 3/64)
    for row in rows("decimal_equivalents.csv"):
        mm = Fraction(row["exact_mm"])
        assert shown.inches(mm, 64) == row["fraction"]
        assert shown.inches(float(mm), 64) == row["fraction"]
        assert read_length(shown.inches(mm, 64)).mm == mm


def test_the_nearest_fraction_is_reduced():
    # a workshop forum's worked example (read): 0.400 in × 64 = 25.6, take 26/64 = 13/32
    assert shown.inches(0.400 * 25.4, 64) == "13/32"


def test_ties_go_away_from_zero_on_exact_numbers():
    # Three printed charts differ: 1/32 in = 0.79375 mm is 0.7937 or 0.7938, 15/32 in = 11.90625 mm is 11.9062
    # or 11.9063 (read). Ours: decimal half up on exact fractions.
    fourth = Fraction(1, 10_000)
    assert shown.decimals(0.79375, fourth) == "0.7938"
    assert shown.decimals(11.90625, fourth) == "11.9063"
    assert shown.decimals(Fraction(127, 160), fourth) == "0.7938"
    assert shown.decimals(-0.79375, fourth) == "-0.7938"
    assert f"{0.79375:.4f}" == "0.7937"  # what binary formatting would say: why the rule is needed


def test_only_the_display_is_rounded():
    # NIST LC 1137 (second-hand): 36 in is shown as 91 cm, 40.1 in as 101.9 cm; NIST SP 811, B.7.2 (read):
    # 36 ft = 10.9728 m is reported as 11.0 m
    assert shown.decimals(Fraction(9144, 10), Fraction(10)) == "910"
    assert shown.decimals(Fraction(401, 10) * Fraction(254, 10), Fraction(1)) == "1019"
    assert shown.decimals(read_length("36ft").mm, Fraction(100)) == "11000"
    assert read_length("40in").mm == Fraction(1016)


@pytest.mark.parametrize(
    ("sixty_fourths", "said"),
    [(88, '1 3/8"'), (89, '1 3/8" strong'), (91, '1 7/16" shy'), (92, '1 7/16"'), (0, '0"')],
)
def test_pushes_are_set_with_strong_and_shy(sixty_fourths, said):
    assert shown.tape(Fraction(sixty_fourths, 64) * Fraction(254, 10), "inch") == said


@given(st.integers(0, 4 * 16 * 40))
def test_a_quarter_of_a_graduation_reads_back_as_it_was_typed(quarters):
    # The entry line takes strong and shy for a quarter of a graduation: what it takes is what is shown.
    inches = Fraction(quarters, 64)
    figure, word = shown.on_tape(float(inches * Fraction(254, 10)))
    said = sum(map(Fraction, figure.split()))
    assert said + {"": 0, " strong": 1, " shy": -1}[word] * Fraction(1, 64) == inches
    assert (word == "") == (quarters % 2 == 0 or quarters == 1), "half way is a mark of the finer tape"


@pytest.mark.parametrize(
    ("graduation", "sixty_fourths", "said"),
    [(8, 4, '1/16"'), (8, 2, '1/32"'), (8, 10, '1/8" strong'), (16, 0.3, '0"'), (32, 3, '3/64"'),
     (32, 0.5, 'under 1/32"'), (64, 3.5, '3/64" strong'), (64, 0.3, 'under 1/64"'), (64, 3.8, '1/16" shy')],
)  # fmt: skip
def test_a_tape_of_any_graduation_names_what_lies_between_its_marks(graduation, sixty_fourths, said):
    assert shown.tape(sixty_fourths / 64 * 25.4, "inch", graduation) == said


@pytest.mark.parametrize(
    ("mm", "said"), [(1.0, '3/64"'), (0.1, 'under 1/64"'), (0.0, '0"'), (25.4, '1"'), (-0.92, '1/32"')]
)
def test_what_is_small_is_in_64ths_without_a_word(mm, said):
    assert shown.small(mm, "inch") == said


def test_half_millimetres_are_rounded_away_from_zero():
    assert shown.tape(29.25, "mm") == "29.5 mm"
    assert shown.tape(-29.25, "mm") == "29.5 mm"
    assert shown.tape(29.2, "mm") == "29 mm"


@pytest.mark.parametrize(
    ("part", "places", "down", "text"),
    [
        (0.83, 0, False, "83 %"),
        (0.996, 0, False, "99.6 %"),  # never rounded to all …
        (0.9996, 1, False, "99.96 %"),
        (1.0, 0, False, "100 %"),
        (0.004, 0, False, "0.4 %"),  # … or to none
        (0.0, 0, False, "0 %"),
        (0.005, 1, False, "0.5 %"),
        (1.28, 0, False, "128 %"),
        (0.29, 0, True, "29 %"),  # 100 * 0.29 is 28.999… in binary
        (0.949, 0, True, "94 %"),
    ],
)
def test_a_share_reads_all_or_none_only_where_it_is(part, places, down, text):
    assert shown.share(part, places, down=down) == text


@pytest.mark.parametrize(
    ("mm", "units", "figures"),
    [(0.84, "mm", ("0.8", "0.8 mm")), (9.525, "inch", ('3/8"', '3/8"'))],
)
def test_a_figure_beside_another_leaves_its_unit_out(mm, units, figures):
    assert tuple(shown.fine(mm, units, unit=unit) for unit in (False, True)) == figures


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.996, "99.6 %"),
        (0.9999, "> 99.9 %"),
        (0.9, "90 %"),
        (0.0001, "< 0.1 %"),
        (0.004, "0.4 %"),
        (None, "–"),
    ],
)
def test_nothing_is_wholly_sure(share, said):
    assert shown.percent(share, 0) == said


@given(st.integers(0, 64 * 40), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_shown_fractions_are_the_nearest_and_read_back(sixty_fourths, denominator):
    inches = Fraction(sixty_fourths, 64)
    said = shown.inches(inches * Fraction(254, 10), denominator)
    back = Fraction(0) if said == "0" else read_length(said + '"').mm / Fraction(254, 10)
    assert abs(back - inches) <= Fraction(1, 2 * denominator)
    if abs(back - inches) == Fraction(1, 2 * denominator):
        assert back > inches  # the stated tie rule


def test_how_far_in_a_flat_goes_is_said_by_eye_in_a_sentence_too():
    """Beside a length in the same sentence, and a gauge, neither of which is a depth."""
    said = "it wants 3.18 mm (1.59 mm for a flat, 20 mm in); 3 mm in 1 m"
    assert shown.sentence(said, "inch") == 'it wants 1/8" (1/16" for a flat, 3/4" in); 0.118" in 1 m'
    assert shown.sentence(said, "mm") == said


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_never_shown(bad):
    for show in (shown.decimals, shown.inches, shown.on_tape):
        with pytest.raises(InternalError):
            show(bad)


@pytest.mark.parametrize("units", ["mm", "in"])
def test_how_far_in_is_said_no_coarser_than_it_is_counted_and_than_the_rod_is_kept_clear_of(units):
    """Half an eighth of an inch is 1.5875 mm (25.4 mm to the inch)."""
    for tenths in range(100, 400):
        said = shown.inside(tenths / 10.0, units)
        off_mm = abs(read_length(said).mm - Fraction(tenths, 10))
        assert off_mm <= (Fraction(254, 160) if units == "in" else Fraction(1, 2))
    assert Fraction(254, 160) < min(Options().clearance_mm, Scatter().place_mm)
