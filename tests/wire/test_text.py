"""Delimited text: descriptions, strict numbers, units against published slopes, triples and device clocks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from receiving import published, receive, receive_three_ways

from shimfit.errors import FileError
from shimfit.wire.formats import Text, parse_description
from shimfit.wire.lines import NUMBER, printed_step


def describe(toml: str) -> Text:
    description = parse_description(toml, "sensor.toml")
    assert isinstance(description, Text)
    return description


XY = describe("columns = ['x:deg', 'y:deg']")
FIRST = b"cut\r\n"


def test_a_plain_pair():
    assert receive_three_ways(FIRST + b"1.5,-2.25\r\n+.5,3\r\n", XY).angles == [(1.5, -2.25), (0.5, 3.0)]


def test_the_first_line_is_dropped_uncounted_however_good_it_looks():
    received = receive_three_ways(b"2.4,1.0\n12.4,1.0\n", XY)
    assert received.angles == [(12.4, 1.0)]
    assert received.refused == {}
    assert received.tally.other == 0


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"nan,1", "not_a_number"),
        (b"inf,1", "not_a_number"),
        (b"1_0,1", "not_a_number"),
        (b" 1,1", "not_a_number"),
        (b"1.,1", "not_a_number"),
        (b",1", "not_a_number"),
        (b"0x10,1", "not_a_number"),
        ("１,1".encode(), "damaged_byte"),
        (b"1,2,3", "column_count"),
        (b"1", "column_count"),
        (b"1,2,", "column_count"),
        (b"46,1", "out_of_range"),
        (b"1,-45.01", "out_of_range"),
        (b"1e999,1", "not_a_number"),
        (b"1,\x002", "damaged_byte"),
        (b"1\t,2", "damaged_byte"),
        (b"1,2\xb0", "damaged_byte"),
    ],
)
def test_each_refusal_has_its_reason(line, reason):
    received = receive_three_ways(FIRST + line + b"\n", XY)
    assert received.refused == {reason: 1}
    assert received.samples == []


def test_comments_and_lines_without_the_prefix_are_other():
    described = describe("columns = ['x:deg', 'y:deg']\nprefix = 'L:'\ncomment = '%'")
    received = receive_three_ways(FIRST + b"% hello \xc3\xa9\nready\nL:1,2\n", described)
    assert received.angles == [(1.0, 2.0)]
    assert received.tally.other == 2


@pytest.mark.parametrize(
    ("toml", "line", "angles"),
    [
        ("separator = ';'\ndecimal = ','\ncolumns = ['x:deg','y:deg']", b"1,5;-2,5", (1.5, -2.5)),
        ("separator = 'tab'\ncolumns = ['x:deg','y:deg','-']", b"1.5\t2.5\tany", (1.5, 2.5)),
        ('separator = "\\t"\ncolumns = ["-", "x:deg", "y:deg"]', b"any\t1.5\t2.5", (1.5, 2.5)),
        ("separator = 'whitespace'\ncolumns = ['x:deg','y:deg']", b"  1.5 \t 2.5 ", (1.5, 2.5)),
        ("separator = ', '\ncolumns = ['x:deg','y:deg']", b"1.5,  2.5", (1.5, 2.5)),
        ("columns = ['y:deg','x:deg']", b"1.5,2.5", (2.5, 1.5)),
        ("columns = ['x:°','y:°']", "1.5°,2.5°".encode(), (1.5, 2.5)),
        ("columns = ['x:°','y:°']", b"1.5\xb0,2.5", (1.5, 2.5)),
        ("columns = ['x:deg','y:deg']\nflip = ['x']", b"1.5,2.5", (-1.5, 2.5)),
        ("columns = ['x:count','y:count']\nscale = 0.01", b"150,-250", (1.5, -2.5)),
    ],
)
def test_separators_decimals_signs_and_counts(toml, line, angles):
    (found,) = receive_three_ways(FIRST + line + b"\n", describe(toml)).angles
    assert found == pytest.approx(angles)


@pytest.mark.parametrize(
    ("unit", "value", "degrees"),
    [
        # 3 deg = 52.408 mm/m = 52.360 mrad (definition: a tangent and an angle)
        ("mm/m", 52.408, 3.0),
        ("mrad", 52.360, 3.0),
        ("rad", 0.052360, 3.0),
        # 1/4 in per ft = 1.193 deg = 2.083 %; 1 in per ft = 4.76 deg (published slope equivalents, read)
        ("in/ft", 0.25, 1.193),
        ("in/ft", 1.0, 4.76),
        ("%", 2.0833, 1.193),
    ],
)
def test_units_come_to_degrees(unit, value, degrees):
    described = describe(f"columns = ['x:{unit}', 'y:{unit}']")
    ((x_deg, y_deg),) = receive([FIRST + f"{value},{-value}\n".encode()], described).angles
    assert x_deg == pytest.approx(degrees, abs=0.005)
    assert y_deg == -x_deg


TRIPLE = describe("columns = ['ax:g', 'ay:g', 'az:g']")


def test_a_triple_at_rest_points_up_so_its_lean_is_minus_its_slope():
    ((x_deg, y_deg),) = receive([FIRST + b"-0.1,0.2,0.97\n"], TRIPLE).angles
    assert x_deg == pytest.approx(math.degrees(math.atan(0.1 / 0.97)))
    assert y_deg == pytest.approx(math.degrees(math.atan(-0.2 / 0.97)))


@pytest.mark.parametrize("row", [r for r in published("tilt_sensitivity.csv") if float(r["deg"]) <= 45])
def test_one_axis_tilt_as_the_data_sheet_tells_it(row):
    """ADXL202/210 data sheet, dual axis tilt section (read): output is the sine of the angle, in g."""
    line = f"-{row['sin_g']},0,{row['cos_g']}\n".encode()
    ((x_deg, _),) = receive([FIRST + line], TRIPLE).angles
    assert x_deg == pytest.approx(float(row["deg"]), abs=1e-4)


def test_gravity_in_other_units_cancels():
    described = describe("columns = ['ax:m/s2', 'ay:m/s2', 'az:m/s2']")
    ((x_deg, y_deg),) = receive([FIRST + b"-0.981,0,9.76\n"], described).angles
    assert (x_deg, y_deg) == (pytest.approx(math.degrees(math.atan(0.981 / 9.76))), 0.0)


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"0,0,0.49", "not_one_g"),
        (b"0,0,1.51", "not_one_g"),
        (b"0,0,-1", "out_of_range"),
        (b"0.8,0,0.6", "out_of_range"),
    ],
)
def test_a_triple_that_is_not_gravity_or_lies_down_is_refused(line, reason):
    received = receive([FIRST + line + b"\n"], TRIPLE)
    assert received.refused == {reason: 1}


def test_more_than_gravity_is_kept_and_marked_moving():
    lines = b"".join(b"0,0,%.3f\n" % norm for norm in [1.0] * 30 + [1.019, 1.021, 1.0])
    received = receive([FIRST + lines], TRIPLE)
    assert [sample.moving for sample in received.samples[-4:]] == [False, False, True, False]


CLOCKED = describe("columns = ['time:ms', 'x:deg', 'y:deg']")


def clocked(rows: list[tuple[int, float]]):
    return receive([FIRST + b"".join(f"{ms},{x},0\n".encode() for ms, x in rows)], CLOCKED)


def test_the_same_line_again_is_data_unless_the_device_says_it_is_the_same_moment():
    assert len(receive([FIRST + b"1,2\n" * 5], XY).samples) == 5
    received = clocked([(10, 1.0), (20, 1.0), (20, 1.0), (20, 1.5), (30, 1.0)])
    assert received.refused == {"repeat": 1}
    assert len(received.samples) == 4


def test_a_device_clock_that_runs_backwards_or_leaps_starts_a_new_time_base_and_keeps_the_value():
    steady = [(20 * k, 1.0 + k) for k in range(20)]
    received = clocked([*steady, (0, 9.0), (20, 9.1)])
    assert [s.clock_jumped for s in received.samples] == [False] * 20 + [True, False]
    received = clocked([*steady, (20 * 19 + 101, 9.0)])
    assert received.samples[-1].clock_jumped
    received = clocked([*steady, (20 * 19 + 99, 9.0)])
    assert not received.samples[-1].clock_jumped
    assert received.refused == {}


@pytest.mark.parametrize(
    ("toml", "says"),
    [
        ("columns = ['x:deg', 'y:deg'", "TOML"),
        ("columns = ['x:deg', 'y:deg']\ndecimal = ','", "decimal"),
        ("columns = ['x:deg']", "columns"),
        ("columns = ['x:deg', 'y:deg', 'az:g']", "columns"),
        ("columns = ['x:deg', 'y:deg', 'x:deg']", "twice"),
        ("columns = ['x:furlong', 'y:deg']", "furlong"),
        ("columns = ['lean:deg', 'y:deg']", "lean"),
        ("columns = ['x:count', 'y:count']", "scale"),
        ("columns = ['x:deg', 'y:deg']\nscale = 2", "scale"),
        ("columns = ['x:deg', 'y:deg']\ncolour = 'red'", "colour"),
        ("columns = ['x:deg', 'y:deg']\nrange_deg = '45'", "range_deg"),
        ("columns = ['x:deg', 'y:deg']\nkind = 'sine'", "kind"),
        ("columns = ['x:deg', 'y:deg']\nflip = ['az']", "flip"),
        ("format = 'morse'", "format"),
        ("columns = 'x:deg,y:deg'", "columns"),
    ],
)
def test_a_wrong_description_names_file_and_key(toml, says):
    with pytest.raises(FileError, match=says) as caught:
        parse_description(toml, "sensor.toml")
    assert "sensor.toml" in caught.value.message


@given(st.text(alphabet="0123456789.,eE+-_ xnaify１٣", max_size=12))
def test_a_number_on_the_wire_is_one_to_everybody(text):
    """Whatever the strict form lets through, float() reads to the same; float() lets more through."""
    data = text.encode()
    if NUMBER.fullmatch(data):
        assert math.isfinite(float(data)) or "e" in text.lower()
        assert text.isascii()


@pytest.mark.parametrize("value", ["9" * 5000, f"0x{'f' * 5000}", "[" * 20_000, "1979-05-27"])
@pytest.mark.parametrize("key", ["scale", "baud", "prefix"])
def test_a_description_with_a_value_beyond_all_bounds_is_refused_in_a_sentence(key, value):
    with pytest.raises(FileError, match=r"^sensor\.toml: \S") as refused:
        describe(f"columns = ['x:count', 'y:count']\n{key} = {value}")
    assert len(refused.value.message) < 120


@pytest.mark.parametrize(
    ("digits", "step"), [(b"-1.23", 0.01), (b"12", 1.0), (b"1.5e-3", 1e-4), (b".5", 0.1)]
)
def test_printed_step(digits, step):
    assert printed_step(digits) == pytest.approx(step)
