"""Numbers and lengths as people write them, exactly; feet of posts."""

from __future__ import annotations

import csv
import math
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.errors import EntryError
from shimfit.quantities.typed import (
    Fault,
    Length,
    Number,
    decimal_number,
    parse_foot,
    parse_length,
    read_length,
    scan_number,
    whole_number,
)

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published"


def rows(name):
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_63_published_decimal_equivalents():
    # Cosgrove, Principles and Practice of Plumbing, Table LXIII (read; the book prints 3/62 for 3/64)
    table = rows("decimal_equivalents.csv")
    assert len(table) == 63
    for row in table:
        inches = Fraction(int(row["sixty_fourths"]), 64)
        assert read_length(row["fraction"] + '"').mm == inches * Fraction(254, 10)
        assert read_length(row["fraction"]).mm == Fraction(row["exact_mm"])
        assert read_length(row["published_decimal_in"] + "in").mm == Fraction(row["exact_mm"])


def test_the_misprint_of_the_book_is_not_on_a_tape():
    with pytest.raises(EntryError, match="/62 is not on a tape"):
        read_length("3/62")


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        # NIST SP 811, Appendix B.8: 1 in = 25.4 mm, 1 ft = 304.8 mm, 0.001 in = 0.0254 mm (second-hand)
        ("1in", "25.4"),
        ("1ft", "304.8"),
        ("0.001in", "0.0254"),
        # NIST SP 811, B.7.2: 36 ft = 10.9728 m (read)
        ("36ft", "10972.8"),
        ("9", "9"),
        ("9mm", "9"),
        ("9.5 mm", "9.5"),
        ("3/8", "9.525"),
        ("3/8in", "9.525"),
        ('3/8"', "9.525"),
        ("1 1/4", "31.75"),
        ('1-1/4"', "31.75"),
        ("1¼", "31.75"),
        ("4ft", "1219.2"),
        ("4'", "1219.2"),
        ("4’", "1219.2"),
        ("4' 6\"", "1371.6"),
        ("4'6-1/2\"", "1384.3"),
        ("4ft 6in", "1371.6"),
        ("4'6", "1371.6"),
        ("0.5m", "500"),
        ("1.2cm", "12"),
        ("12''", "304.8"),
        ("40 inches", "1016"),
        ("2 feet", "609.6"),
        ("  900  ", "900"),
        ("900 Millimetres", "900"),
    ],
)
def test_lengths_are_exact(text, mm):
    assert read_length(text).mm == Fraction(mm)
    assert parse_length(text) == float(Fraction(mm))


def test_a_bare_number_takes_the_setting_and_a_bare_fraction_never_does():
    assert parse_length("9", "inch") == 228.6
    assert parse_length("9", "mm") == 9.0
    assert parse_length("3/8", "mm") == parse_length("3/8", "inch") == 9.525
    assert not read_length("9").unit_was_typed


@pytest.mark.parametrize(
    ("text", "reason", "at"),
    [
        ("", "missing", 0),
        ("abc", "isn't a height", 0),
        ("-5", "no sign", 0),
        ("+5", "no sign", 0),
        ("−5", "no sign", 0),
        ("0", "can't be 0", 0),
        ("0.0mm", "can't be 0", 0),
        ("9 bananas", "unknown length unit 'bananas'", 2),
        ("9 mm tall", "after it mean", 5),
        ("3/8mm", "mm takes no fraction", 3),
        ("3/8 m", "m takes no fraction", 4),
        ("3/7", "not on a tape", 2),
        ("9/8", "more than a whole one", 0),
        ("1 9/8in", "more than a whole one", 2),
        ("9,5mm", "point, not a comma", 1),
        ("1e3", "unknown length unit 'e'", 1),
        ("nan", "isn't a height", 0),
        ("inf", "isn't a height", 0),
        ("1" + 24 * "0", "too long", 0),
        ("9 9", "after it mean", 2),
        ("4' 13\"", "after it mean", 3),
        ("²", "isn't a height", 0),
    ],
)
def test_refusals_say_what_where_and_why(text, reason, at):
    with pytest.raises(EntryError) as refusal:
        parse_length(text, what="height")
    assert reason in str(refusal.value)
    assert "height" in str(refusal.value)
    assert refusal.value.at == at


def test_nothing_is_allowed_where_it_makes_sense():
    assert parse_length("0", zero_ok=True) == 0.0
    with pytest.raises(EntryError, match="no sign"):
        parse_length("-1", zero_ok=True)


@given(st.integers(0, 999), st.sampled_from([2, 4, 8, 16, 32, 64]), st.data())
def test_every_mixed_number_is_read_exactly(whole, denominator, data):
    numerator = data.draw(st.integers(1, denominator - 1))
    joined = data.draw(st.sampled_from(["-", " ", "  "]))
    text = f"{whole}{joined}{numerator}/{denominator}" if whole else f"{numerator}/{denominator}"
    number = scan_number(text)
    assert isinstance(number, Number)
    assert number.value == whole + Fraction(numerator, denominator)
    assert number.end == len(text)


def length_or_refusal(text):
    try:
        return read_length(text)
    except EntryError as error:
        return error


@given(st.text(max_size=20) | st.from_regex(r"\d{1,2}( \d/\d)?(mm|in|ft|')?", fullmatch=True))
def test_any_text_is_a_length_or_one_sentence(text):
    found = length_or_refusal(text)
    if isinstance(found, Length):
        assert found.mm > 0
    else:
        assert str(found)
        assert found.at is None or 0 <= found.at <= len(text)


@given(st.text(alphabet="0123456789/.- ½", max_size=14), st.integers(0, 5))
def test_a_number_a_fault_or_none(text, pos):
    found = scan_number(text, pos)
    if isinstance(found, Fault):
        assert found.reason
        assert pos <= found.at <= found.end <= len(text)
    elif found is not None:
        assert pos == found.start < found.end <= len(text)


# ---------------------------------------------------------------- feet


@pytest.mark.parametrize(
    ("text", "units", "along", "across"),
    [
        ("90x90mm", "mm", 90.0, 90.0),
        ("90mmx140mm", "mm", 90.0, 140.0),
        ("90 x 140", "mm", 90.0, 140.0),
        ("3.5x3.5in", "mm", 88.9, 88.9),
        ('3-1/2"x3-1/2"', "mm", 88.9, 88.9),
        ("3 1/2 by 5 1/2", "mm", 88.9, 139.7),
        ("3.5x5.5", "inch", 88.9, 139.7),
        ("90mmx140", "inch", 90.0, 140.0),
        ("9cm×14cm", "mm", 90.0, 140.0),
    ],
)
def test_feet_are_along_by_across(text, units, along, across):
    foot = parse_foot(text, units)
    assert (foot.along_mm, foot.across_mm, foot.round) == (along, across, False)


@pytest.mark.parametrize(
    ("text", "diameter"), [("d90mm", 90.0), ("d 3-1/2in", 88.9), ("ø90", 90.0), ("dia 90", 90.0)]
)
def test_round_feet(text, diameter):
    foot = parse_foot(text)
    assert (foot.along_mm, foot.across_mm, foot.round) == (diameter, diameter, True)
    assert parse_foot(foot.text) == foot


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("0x90mm", "no area"),
        ("90x0mm", "no area"),
        ("d0mm", "no area"),
        ("-90x90", "no sign"),
        ("90x", "missing"),
        ("x90", "missing"),
        ("90", "along x across"),
        ("", "along x across"),
        ("90x90x90", "no unit|after it mean"),
        ("90x90 bananas", "after it mean"),
        ("10x10mm", "leaves no foot"),
        ("14x90mm", "leaves no foot"),
    ],
)
def test_feet_that_cannot_stand(text, reason):
    with pytest.raises(EntryError, match=reason):
        parse_foot(text)


def test_a_foot_without_a_rod_may_be_small():
    assert parse_foot("10x10mm", rod_hole_mm=0.0).along_mm == 10.0


@pytest.mark.parametrize(
    ("text", "value"), [("-2.5", -2.5), (" 1e-3 ", 0.001), (".5", 0.5), ("+45", 45.0), ("2.", 2.0)]
)
def test_a_signed_decimal_number(text, value):
    assert decimal_number(text) == value


@pytest.mark.parametrize(
    "text", ["", "nan", "inf", "-inf", "1_000", "٣", "0x10", "1,5", "3/8", "1 2", "12mm", "--1", "9" * 30]
)
def test_what_is_no_decimal_number_passes_no_check_of_a_range(text):
    assert math.isnan(decimal_number(text))


@pytest.mark.parametrize("text", ["", "-1", "1.5", "x", "٣", "1_000", "8" * 13, "8" * 5000])
def test_a_count_is_refused_in_a_sentence_however_many_digits_it_has(text):
    """Python makes no number of more than 4,300 digits (sys.set_int_max_str_digits)."""
    with pytest.raises(EntryError, match=r"how many (is a whole number, not|can't be as much as)") as caught:
        whole_number(text, "how many")
    assert len(str(caught.value)) < 60
    assert whole_number(" 12 ", "how many") == 12
