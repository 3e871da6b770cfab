"""The grammar as a table: what is typed, what is understood, what is refused and where."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from shimfit.entry import EntrySettings, Refused, Understood, parse_entry, parse_reading
from shimfit.entry.result import NotUnderstood
from shimfit.errors import EntryError, UsageError
from shimfit.model import Face
from tests.referee.typed_again import typed_again

INCH = EntrySettings(units="inch")
MM = EntrySettings(units="mm")
IN = Fraction(254, 10)


def understood(text: str, settings: EntrySettings = INCH) -> Understood:
    parsed = parse_entry(text, settings)
    assert isinstance(parsed, Understood), parsed
    return parsed


def refused(text: str, settings: EntrySettings = INCH) -> NotUnderstood:
    """As it is refused when Enter is pressed on it."""
    parsed = parse_entry(text, settings)
    assert isinstance(parsed, NotUnderstood), parsed
    assert 0 <= parsed.at <= len(text)
    return parsed


def offsets(parsed: Understood) -> tuple[Fraction | None, Fraction | None]:
    """Exact offsets in inches, signed."""

    def one(part):
        return None if part is None else part.offset_mm / IN * part.face.sign

    return one(parsed.along), one(parsed.across)


@pytest.mark.parametrize(
    ("text", "along", "across"),
    [
        ("1/4n3/8h", "1/4", "-3/8"),
        ("1/4 next, 3/8 house", "1/4", "-3/8"),
        ("3/8o1/4n", "1/4", "3/8"),
        ("3/8 out; 1/4 next", "1/4", "3/8"),
        ("1 1/4n3/8h", "5/4", "-3/8"),
        ("1-1/4n3/8h", "5/4", "-3/8"),
        ("1/4p3/8h", "-1/4", "-3/8"),
        ("1/4 previous 3/8 house", "-1/4", "-3/8"),
        ("1/4 prev 3/8 outboard", "-1/4", "3/8"),
        ("1/4+n3/8-o", "17/64", "23/64"),
        ("1/4sn3/8o", "17/64", "3/8"),
        ("strong 1/4n shy 3/8o", "17/64", "23/64"),
        ("1/4 heavy n 3/8 scant o", "17/64", "23/64"),
        ("1/4 full n light 3/8 o", "17/64", "23/64"),
        (".25n.375o", "1/4", "3/8"),
        ("0.25n0.375o", "1/4", "3/8"),
        ("1n3/8o", "1", "3/8"),
        ("1/4n0", "1/4", "0"),
        ("0 1/4n", "1/4", "0"),
        ("1/4n0o", "1/4", "0"),
        ("3/8h0", "0", "-3/8"),
        ("plumb", "0", "0"),
        ("ok", "0", "0"),
        ("OK", "0", "0"),
        ("0 0", "0", "0"),
        ("0,0", "0", "0"),
        ("0n0o", "0", "0"),
        ("1/4> 3/8^", "1/4", "3/8"),
        ("1/4< 3/8v", "-1/4", "-3/8"),
        ("1/4→3/8↑", "1/4", "3/8"),
        ("1/4←3/8↓", "-1/4", "-3/8"),
        ("n1/4o3/8", "1/4", "3/8"),
        ("next 1/4, house 3/8", "1/4", "-3/8"),
        ('1/4"n3/8"o', "1/4", "3/8"),
        ("1/4 in n 3/8 inch o", "1/4", "3/8"),
        ("½n1¼o", "1/2", "5/4"),
        ("1 ½ n 3⁄8 o", "3/2", "3/8"),
        ("1/4N3/8O", "1/4", "3/8"),
        ("  1/4 n\t3/8 o ", "1/4", "3/8"),
        ("top leans 1/4 in towards next, 3/8 in out", "1/4", "3/8"),
        ("4/16n6/16o", "1/4", "3/8"),
        ("1/64n63/64o", "1/64", "63/64"),
    ],
)
def test_tape_entries(text, along, across):
    parsed = understood(text)
    assert offsets(parsed) == (Fraction(along), Fraction(across))
    assert not parsed.half
    assert (parsed.second_look is None) == ("6/16" not in text), "a tape says 3/8"


@pytest.mark.parametrize(
    ("text", "along_mm", "across_mm"),
    [
        ("10mm n 5mm o", 10, 5),
        ("6mmn10mmh", 6, -10),
        ("6n10h", 6, -10),
        ("6.5n10o", 6.5, 10),
        ("6 mm+ n 10 mm- h", 6.25, -9.75),
        ("1.2cm n 0.5cm p", None, None),
        ("1.2cmn0.5cmo", 12, 5),
        ("1/4n10o", 6.35, 10),
        ("6 millimetres next, 10 millimeters out", 6, 10),
    ],
)
def test_metric_entries(text, along_mm, across_mm):
    if along_mm is None:
        assert "two readings along" in refused(text, MM).reason
        return
    slopes = understood(text, MM).slopes(1000.0)
    assert slopes == pytest.approx((along_mm / 1000, across_mm / 1000), rel=1e-15)


def test_the_contract_example_is_said_back():
    parsed = understood("10mm n 5mm o", MM)
    assert parsed.words == "top leans 10 mm towards next, 5 mm out"
    assert parsed.slopes(1000.0) == (0.01, 0.005)


@pytest.mark.parametrize(
    ("text", "along", "across"),
    [
        (".6dn.8do", 0.6, 0.8),
        ("0.6° n 0.8° o", 0.6, 0.8),
        ("0.6 deg n 0.8 degrees h", 0.6, -0.8),
        ("0°36'n0°20'30\"o", 0.6, 20.5 / 60),
        ("1d30'p0°6′h", -1.5, -0.1),
        ("0° 36 min n 0", 0.6, 0.0),
    ],
)
def test_degrees_are_tangents_and_need_no_length(text, along, across):
    parsed = understood(text)
    expected = (math.tan(math.radians(along)), math.tan(math.radians(across)))
    assert parsed.slopes(1000.0) == pytest.approx(expected, rel=1e-14)
    assert parsed.slopes(500.0) == parsed.slopes(1000.0)


def test_a_prime_is_minutes_only_behind_degrees():
    assert "unit not for a lean" in refused("1/4'n").reason
    assert "go up to 59" in refused("0°60'n").reason
    assert refused("12 min n").reason


@pytest.mark.parametrize(
    ("text", "along", "across"),
    [
        ("2mm/mn3mm/mo", 0.002, 0.003),
        ("2 mm/m n 3 mm/m h", 0.002, -0.003),
        ("10 mm per m n 0", 0.01, 0.0),
        ("1/4 in per ft n 1/8 in/ft p", None, None),
        ("1/4 in per ft n 1/8in/fto", 0.25 / 12, 0.125 / 12),
        ('1/4"/ft n 0', 0.25 / 12, 0.0),
    ],
)
def test_ratios_stand_as_they_are(text, along, across):
    if along is None:
        assert "two readings along" in refused(text).reason
        return
    assert understood(text).slopes(813.0) == pytest.approx((along, across), rel=1e-15)


@pytest.mark.parametrize(
    ("text", "over_mm"),
    [
        ("3/16n1/8o@4'", 1219.2),
        ("3/16n1/8o @ 48", 1219.2),
        ("3/16n1/8o over 48", 1219.2),
        ("3/16n1/8o per 4ft", 1219.2),
        ("3/16n1/8o@1.2m", 1200.0),
        ("@4' 3/16n1/8o", 1219.2),
        ("3/16n1/8o@4'6\"", 1371.6),
    ],
)
def test_a_gauge_length_is_a_height_for_a_level_held_plumb(text, over_mm):
    parsed = understood(text)
    assert parsed.over_mm == pytest.approx(over_mm, abs=1e-12)
    assert parsed.gauge_mm is None
    # s = offset / L, whatever the post's reading height (trade: a level held plumb is a height)
    expected = (3 / 16 * 25.4 / over_mm, 1 / 8 * 25.4 / over_mm)
    assert parsed.slopes(900.0) == pytest.approx(expected, rel=1e-14)


def test_a_gauge_alone_is_a_setting_from_now_on():
    parsed = understood("@4'")
    assert parsed.is_gauge_only
    assert parsed.gauge_mm == pytest.approx(1219.2, abs=1e-12)
    assert parsed.slopes(900.0) == (None, None)
    back = understood("@height")
    assert back.is_gauge_only
    assert back.gauge_mm is None


def test_the_standing_gauge_counts_until_another_is_typed():
    standing = EntrySettings(units="inch", gauge_mm=1219.2)
    assert understood("1/4n3/8o", standing).over_mm == 1219.2
    assert understood("1/4n3/8o@2'", standing).over_mm == pytest.approx(609.6)
    assert understood("1/4n3/8o@height", standing).over_mm is None
    assert understood("1/4n3/8o@height", standing).slopes(952.5)[0] == pytest.approx(6.35 / 952.5)


@pytest.mark.parametrize(
    ("text", "way"), [("1/4n", "along"), ("1/4p", "along"), ("3/8o", "across"), ("0h", "across")]
)
def test_half_a_reading_is_half_and_never_a_zero(text, way):
    parsed = understood(text)
    assert parsed.half
    along, across = parsed.slopes(1000.0)
    assert (along is None) == (way == "across")
    assert (across is None) == (way == "along")
    assert "not read yet" in parsed.words


@pytest.mark.parametrize(
    ("text", "reason", "meant"),
    [
        ("1/4 3/8", "3/8 which way? n p o h", None),
        ("1/4n3/8", "3/8 which way? n p o h", None),
        ("3/80", "/80 is not on a tape", "3/8o"),
        ("1/4n3/80", "/80 is not on a tape", "1/4n3/8o"),
        ("3/5n", "/5 is not on a tape", None),
        ("1/40", "/40 is not on a tape", "1/4o"),
        ("1/4n3/8p", "two readings along the run", None),
        ("1/4o3/8h", "two readings across the run", None),
        ("5n7o", "5 in is more than a post leans. Meant 5/16?", "5/16n7/16o"),
        ("1/4in", 'in = inches or inboard? use " or h', "1/4h"),
        ("1/4n-3/8o", "minus before a number: shy goes after it, the other way is p / h", "1/4n3/8-o"),
        ("-1/4n3/8o", "minus before a number", "1/4-n3/8o"),
        ("+1/4n3/8o", "plus before a number", "1/4n3/8o"),
        ("1/4mm", "a fraction of a mm", None),
        ("1/4mmn", "a fraction of a mm", None),
        ("1/4mm/mn", "a fraction of a mm/m", None),
        ("1 3/2", "3/2 after a whole number", "2-1/2"),
        ("9/8n", "more than a whole one", "1-1/8n"),
        ("8/8n", "more than a whole one", "1n"),
        ("0/8n", "is nothing: type 0", "0n"),
        ("12d", "12° is too steep", None),
        ("12dn", "12° is too steep", None),
        ("90mm/mn", "too steep", None),
        ("3/8 bubble", "a bubble can't be measured", None),
        ("1/4ft", "ft is a unit not for a lean", '1/4"'),
        ("1/4'n", "' is a unit not for a lean", '1/4"n'),
        ("0.01mn", "m is a unit not for a lean", "0.01mmn"),
        ("1/4b", "'b' is neither a unit nor a direction", None),
        ("1/4n3/8o1/4n", "two directions are read already", None),
        ("1/4n3/8o0", "two directions are read already", None),
        ("plumb 1/4n", "plumb says both directions", None),
        ("1/4n plumb", "says both directions", None),
        ("1/4->", "shy and an arrow in one", "1/4>"),
        ("9,5mmn", "decimal mark is a point", "9.5mmn"),
        ("1/4nn", "how much", None),
        ("1/4++n", "once is enough", None),
        ("strong 1/4 shy n", "once is enough", None),
        ("0-n", "shy of nothing", None),
        ("0+", "which way", None),
        ("0.6d+n", "strong is for a tape", None),
        ("0", "0 which way?", None),
        ("00", "starts with 0", None),
        ("03/8n", "", None),
        ("", "type how far the top leans", None),
        ("   ", "type how far the top leans", None),
        ("3/", "needs the lower number", None),
        (".", "needs a digit", None),
        ("1/4n@", "over what length?", None),
        ("1/4n@4'@4'", "one gauge length", None),
        ("1/4n@4mm", "level", None),
        ("1/4n over 48mm", "level", None),
        ("1/4n@400'", "too long", None),
        ("1/4n@-4'", "no sign", None),
        ("1/4n@n", "isn't a gauge length", None),
        ("1" * 25 + "n", "too long", None),
        ("٣n", "", None),
        ("1/4n\x001/2o", "can't be seen", None),
        ("1/4n3/8o ?", "means nothing here", None),
        ("bananas", "isn't understood here", None),
        ("nan", "", None),
        ("inf n", "", None),
        ("1e3n", "", None),
    ],
)
def test_refused_with_reason_place_and_what_was_meant(text, reason, meant):
    parsed = refused(text)
    assert reason in parsed.reason
    if meant is not None:
        assert parsed.meant == meant
        repaired = parse_entry(meant, INCH)
        assert not isinstance(repaired, Refused), repaired


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("1/4n3/8", 7),
        ("1/4 3/8", 3),
        ("3/80", 2),
        ("1/4n3/8p", 7),
        ("1/4n-3/8o", 4),
        ("1/4b", 3),
        ("1/4n6o", 4),
    ],
)
def test_the_cursor_goes_to_the_bad_spot(text, at):
    assert refused(text).at == at


def test_parse_reading_raises_what_is_refused_or_not_finished():
    with pytest.raises(EntryError) as refusal:
        parse_reading("3/80", INCH)
    assert (refusal.value.at, refusal.value.meant) == (2, "3/8o")
    with pytest.raises(EntryError, match="which way"):
        parse_reading("1/4n3/8", INCH)
    assert parse_reading("1/4n3/8o", INCH).words == "top leans 1/4 in towards next, 3/8 in out"


@pytest.mark.parametrize("text", ["1/4i", "1/4n3/8i", "1/4 inboard", "i1/4"])
def test_inboard_is_understood_but_wants_a_second_enter(text):
    parsed = understood(text)
    assert parsed.across is not None
    assert parsed.across.face is Face.HOUSE
    assert parsed.second_look is not None


def test_degrees_are_said_back_in_the_form_they_were_typed_in():
    # 36 minutes are exactly 0.6 of a degree: the value is one, what the carpenter reads back is two.
    minutes, decimal = parse_reading("0°36'n 0°20'30\"o"), parse_reading("0.6°n 0.5°o")
    assert minutes.words == "top leans 0°36′ towards next, 0°20′30″ out"
    assert decimal.words == "top leans 0.6° towards next, 0.5° out"
    assert minutes.along.number == decimal.along.number
    assert parse_reading(typed_again(minutes)).along == minutes.along


# ---------------------------------------------------------------- typed key by key

TYPED = [
    (INCH, "1/4n3/8h"),
    (INCH, "1/4 next, 3/8 house"),
    (INCH, "1 1/4n3/8h"),
    (INCH, "1-1/4n3/8h"),
    (INCH, "1/4+n3/8-o"),
    (INCH, "strong 1/4n shy 3/8o"),
    (INCH, ".25n.375o"),
    (INCH, ".6dn.8do"),
    (INCH, "0.6° n 0.8° o"),
    (INCH, "3/16n1/8o@4'"),
    (INCH, "3/16n1/8o over 48"),
    (INCH, "3/16n1/8o per 4ft"),
    (INCH, "3/16n1/8o over height"),
    (INCH, "@4'6\""),
    (INCH, "1/4n0"),
    (INCH, "plumb"),
    (INCH, "okay"),
    (INCH, "0 0"),
    (INCH, "1/16n13/16h"),
    (INCH, "11/16n1/32o"),
    (INCH, "3/64p1/64h"),
    (INCH, "next 1/4 out 3/8"),
    (INCH, "top leans 1/4 in towards next, 3/8 in out"),
    (INCH, "0°36'n0°20'30\"o"),
    (INCH, "1/4 in per ft n 1/8 in/ft o"),
    (INCH, "1/4 inches previous 3/8 inch inboard"),
    (MM, "6mmn10mmh"),
    (MM, "6.5 mm strong next 10 millimetres out @ 1.2m"),
    (MM, "2mm/mn3mm/mo"),
    (MM, "6n10h over 1200"),
    (MM, "1/4n3/8o @48in"),
    (MM, "10 mm per m n"),
]


@pytest.mark.parametrize(("settings", "text"), TYPED)
def test_half_typed_text_is_never_scolded(settings, text):
    assert isinstance(parse_entry(text, settings), Understood)
    for end in range(len(text)):
        parsed = parse_entry(text[:end], settings)
        assert not isinstance(parsed, Refused), (text[:end], parsed.reason)


# ---------------------------------------------------------------- a run's own directions

GARDEN = EntrySettings(faces={"next": "lake", "prev": "hill", "out": "street", "house": "garden"})


def test_renamed_faces_are_typed_and_said_by_their_names():
    parsed = understood("6 lake 10 garden", GARDEN)
    assert parsed.slopes(1000.0) == (0.006, -0.010)
    assert parsed.words == "top leans 6 mm towards lake, 10 mm towards garden"
    # street's s is strong, so out keeps its o; hill takes h, which house gave up
    assert GARDEN.all_letters == {Face.NEXT: "l", Face.PREV: "h", Face.OUT: "o", Face.HOUSE: "g"}
    assert understood("6l10g", GARDEN).slopes(1000.0) == parsed.slopes(1000.0)
    assert understood("6h10street", GARDEN).slopes(1000.0) == (-0.006, 0.010)
    assert "l h o g" in refused("6l10", GARDEN).reason


def test_swapped_names_mean_what_the_run_says():
    mirrored = EntrySettings(faces={"next": "prev", "prev": "next", "out": "out", "house": "house"})
    assert understood("9 prev", mirrored).slopes(1000.0) == (0.009, None)
    assert understood("9p", mirrored).slopes(1000.0) == (0.009, None)
    assert understood("9n", mirrored).slopes(1000.0) == (-0.009, None)


def test_letters_are_those_of_the_runs_own_names():
    names = {"next": "right", "prev": "left", "out": "out", "house": "house"}
    letters = EntrySettings(faces=names)
    assert understood("6r10o", letters).slopes(1000.0) == (0.006, 0.010)
    assert understood("6l10o", letters).slopes(1000.0) == (-0.006, 0.010)
    # a one behind a tape fraction was the letter l where l is bound
    inches = EntrySettings(units="inch", faces=names)
    assert refused("1/41", inches).meant == "1/4l"


@pytest.mark.parametrize(
    "bad",
    [
        {"faces": {"next": "lake", "prev": "lake", "out": "out", "house": "house"}},
        {"faces": {"next": "a 1", "prev": "prev", "out": "out", "house": "house"}},
        {"faces": {"next": "p", "prev": "prev", "out": "out", "house": "house"}},
        {"faces": {"next": "po", "prev": "ss", "out": "out", "house": "house"}},  # both would be p
    ],
)
def test_names_that_cannot_be_told_apart_are_refused(bad):
    with pytest.raises(UsageError):
        EntrySettings(**bad)


# ---------------------------------------------------------------- what a reading tells apart


@pytest.mark.parametrize(
    ("text", "settings", "half_step_mm"),
    [
        ("1/4n", INCH, 25.4 / 32),
        ("3/32n", INCH, 25.4 / 64),
        ("1/4+n", INCH, 25.4 / 64),
        (".375n", INCH, 25.4 / 128),
        (".5n", INCH, 25.4 / 32),
        ("9n", MM, 0.5),
        ("9.5n", MM, 0.25),
        ("9.0n", MM, 0.25),
        ("9.6n", MM, 0.125),
        ("9.50n", MM, 0.125),
        ("9+n", MM, 0.25),
        ("2mm/mn", MM, 0.5),
        ("0n", MM, 0.5),
    ],
)
def test_half_the_step_of_what_was_typed(text, settings, half_step_mm):
    along, across = understood(text, settings).resolution_slope(1000.0)
    assert along == pytest.approx(half_step_mm / 1000.0, rel=1e-12)
    assert across is None


@pytest.mark.parametrize("height", [0.0, -1.0, math.nan, math.inf])
def test_a_height_that_is_none_never_gives_a_slope(height):
    with pytest.raises(ValueError, match="height"):
        understood("6n10o", MM).slopes(height)
