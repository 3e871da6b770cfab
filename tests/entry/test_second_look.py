"""What asks for a second Enter: a post's history, and what fingers do to a fraction."""

from __future__ import annotations

import pytest

from shimfit.entry import EntrySettings, Understood, parse_entry
from shimfit.model import Reading
from shimfit.workflow.reading import held_against

MM = EntrySettings()
INCH = EntrySettings(units="inch")
HEIGHT = 1000.0


def look(text, previous=None, *, only_tightened=True, settings=MM, height=HEIGHT):
    parsed = parse_entry(text, settings)
    assert isinstance(parsed, Understood), parsed
    last = None if previous is None else Reading("", previous[0], previous[1], HEIGHT)
    return parsed.second_look or held_against(last, parsed, height, tightened=only_tightened)


def test_the_first_reading_has_no_history():
    assert look("6n10h") is None
    assert look("40n40o") is None


def test_a_sense_that_flips_though_only_the_nut_was_turned():
    said = look("6p10h", (0.006, -0.010))
    assert said is not None
    assert "6.0 mm towards next" in said
    assert "towards prev" in said
    assert look("6n10h", (0.006, -0.010)) is None


def test_a_lean_too_small_to_have_a_side_may_change_it():
    assert look("0.5p10h", (0.0005, -0.010)) is None
    assert look("2p10h", (0.002, -0.010)) is not None


@pytest.mark.parametrize(
    ("text", "asks"), [("6n10h", False), ("9n10h", False), ("11n10h", True), ("1n10h", True)]
)
def test_far_from_the_last_reading(text, asks):
    assert (look(text, (0.006, -0.010)) is not None) == asks


def test_a_large_lean_may_move_by_half_of_itself():
    assert look("30n0", (0.040, 0.0)) is None
    assert look("15n0", (0.040, 0.0)) is not None


def test_after_packing_a_lean_gets_smaller_and_may_turn_round():
    assert look("1p0.5o", (0.006, -0.010), only_tightened=False) is None
    assert look("0 0", (0.006, -0.010), only_tightened=False) is None
    assert look("6p10h", (0.006, -0.010), only_tightened=False) is None
    assert "before packing" in look("16n10h", (0.006, -0.010), only_tightened=False)


def test_slopes_are_compared_whatever_length_they_were_read_over():
    assert look("3n5h@500mm", (0.006, -0.010)) is None
    assert look("6n10h@500mm", (0.006, -0.010)) is not None


def test_a_direction_that_was_not_read_is_not_compared():
    assert look("6n", (None, -0.010)) is None
    assert look("6n", (0.006, -0.010)) is None
    assert look("6p", (0.006, -0.010)) is not None


def test_renamed_faces_are_said_by_their_names():
    garden = EntrySettings(faces={"next": "lake", "prev": "hill", "out": "street", "house": "garden"})
    said = look("6 hill 10 garden", (0.006, -0.010), settings=garden)
    assert "towards lake" in said
    assert "towards hill" in said


@pytest.mark.parametrize(
    ("text", "asks"),
    [
        ("1/4n3/8h", None),
        ("6/16n1/4h", "3/8"),  # a neighbouring key out of 5/16
        ("1/4n2/4o", "1/2"),
        ("1 4/8n3/8h", "1 1/2"),
        ("1.2n1/4h", "1/2"),  # the point lies beside the slash
        ("1.16n3/8h", "1/16"),
        ("1.25n.5o", None),
        (".5n.25o", None),
        ("1/4n0", None),
        ("plumb", None),
    ],
)
def test_what_fingers_do_to_a_fraction(text, asks):
    said = look(text, settings=INCH)
    assert (said is None) == (asks is None)
    assert asks is None or asks in said


def test_inboard_asks_whatever_the_history():
    assert "inboard" in look("6n10i", (0.006, -0.010))


def test_a_gauge_length_is_no_reading():
    assert look("@4'", (0.006, -0.010), settings=INCH) is None
