"""The stock file: what is taken, and one sentence for everything that is not."""

import pytest

from shimfit.core.stock import lot_from_row, lots_from_csv, lots_from_rows, lots_to_csv, natural_key
from shimfit.errors import FileError
from shimfit.model import Lot

HEADER = "lot,form,material,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm,origin,note\n"
GOOD = (
    HEADER
    + "F1,flat,oak,4,,,0.8,,,offcut,\n"
    + "T1,taper,HDPE,2,203.2,40,,0.8,7.9,bought,long one\n"
    + "S1,strip,oak,1,600,40,20,,,offcut,\n"
)


def test_every_form_is_read() -> None:
    flat, taper, strip = lots_from_csv(GOOD, "box.csv")
    assert flat == Lot("F1", "flat", 4, "oak", thickness_mm=0.8)
    assert taper.taper_slope == pytest.approx((7.9 - 0.8) / 203.2)
    assert (taper.origin, taper.note, taper.width_mm) == ("bought", "long one", 40.0)
    assert (strip.length_mm, strip.width_mm, strip.thickness_mm) == (600.0, 40.0, 20.0)


def test_inch_columns_take_fractions_exactly() -> None:
    lots = lots_from_csv(
        "lot,form,count,thickness_in,thin_in,thick_in,length_in\n"
        "A,flat,1,3/8,,,\nB,flat,1,1-1/4,,,\nC,flat,1,1 1/4,,,\nD,flat,1,.031,,,\nE,taper,1,,1/32,5/16,8\n",
        "inch.csv",
    )
    # 1 in = 25.4 mm exactly (NIST SP 811, Appendix B.8; read second-hand).
    assert [lot.thickness_mm for lot in lots[:4]] == [9.525, 31.75, 31.75, 0.7874]
    assert (lots[4].thin_mm, lots[4].thick_mm, lots[4].length_mm) == (0.79375, 7.9375, 203.2)


def test_what_is_written_is_read_back() -> None:
    lots = lots_from_csv(GOOD, "box.csv")
    assert lots_from_csv(lots_to_csv(lots), "again.csv") == lots


def test_used_up_lots_and_empty_boxes_are_taken() -> None:
    assert lots_from_csv(HEADER, "box.csv") == ()
    assert lots_from_csv(HEADER + "F1,flat,,0,,,0.8,,,,\n", "box.csv")[0].count == 0
    assert lots_from_csv(HEADER + "F1,flat,,1000000,,,0.8,,,,\n", "box.csv")[0].count == 10**6
    assert lots_from_csv("\ufeff" + HEADER + "\n", "box.csv") == ()


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("", None, None, "empty"),
        ("\n\n", None, None, "empty"),
        ("lot,form,thickness_mm\nF1,flat,1\n", 1, "count", "missing"),
        ("lot,form,count\nF1,flat,1\n", 1, "thickness_mm", "missing"),
        ("lot,form,count,thin_mm,length_mm\nT,taper,1,1,50\n", 1, "thick_mm", "missing"),
        ("lot,form,count,thickness_mm,colour\n", 1, "colour", "isn't a column"),
        ("lot,form,count,count,thickness_mm\n", 1, "count", "twice"),
        (HEADER + "F1,flat,,1,,,eight,,,,\n", 2, "thickness_mm", "isn't a number"),
        (HEADER + "F1,flat,,1,,,nan,,,,\n", 2, "thickness_mm", "isn't a number"),
        (HEADER + "F1,flat,,1,,,inf,,,,\n", 2, "thickness_mm", "isn't a number"),
        (HEADER + f"F1,flat,,1,,,{'9' * 5000},,,,\n", 2, "thickness_mm", "too long for a number"),
        (HEADER + f"F1,flat,,{'9' * 5000},,,1,,,,\n", 2, "count", "too long for a number"),
        (HEADER + "F1,flat,,1,,,-0.8,,,,\n", 2, "thickness_mm", "more than 0"),
        (HEADER + "F1,flat,,1,,,0,,,,\n", 2, "thickness_mm", "more than 0"),
        (HEADER + "F1,flat,,1,,,1e300,,,,\n", 2, "thickness_mm", "size"),
        (HEADER + "F1,flat,,1,,,3/8,,,,\n", 2, "thickness_mm", "_in columns"),
        (HEADER + "F1,flat,,1,,,,,,,\n", 2, "thickness_mm", "needs it"),
        (HEADER + "F1,flat,,1,,,1,2,,,\n", 2, "thin_mm", "no such dimension"),
        (HEADER + "F1,flat,,-1,,,1,,,,\n", 2, "count", "fewer than 0"),
        (HEADER + "F1,flat,,1.5,,,1,,,,\n", 2, "count", "whole"),
        (HEADER + "F1,flat,,,,,1,,,,\n", 2, "count", "how many"),
        (HEADER + "F1,flat,,2000000,,,1,,,,\n", 2, "count", "slip of the finger"),
        (HEADER + "F1,plate,,1,,,1,,,,\n", 2, "form", "flat, taper or strip"),
        (HEADER + "F1,flat,,1,,,1,,,found,\n", 2, "origin", "offcut or bought"),
        (HEADER + ",flat,,1,,,1,,,,\n", 2, "lot", "needs a name"),
        (HEADER + "F1,flat,,1,,,1,,,,\nF1,flat,,1,,,2,,,,\n", 3, "lot", "line 2"),
        (HEADER + "T1,taper,,1,100,,,5,5,,\n", 2, "thick_mm", "it is a flat"),
        (HEADER + "T1,taper,,1,100,,,6,5,,\n", 2, "thick_mm", "wrong way round"),
        (HEADER + "T1,taper,,1,0,,,1,5,,\n", 2, "length_mm", "more than 0"),
        (HEADER + "T1,taper,,1,,,,1,5,,\n", 2, "length_mm", "needs it"),
        (HEADER + "S1,strip,,1,600,,20,,,,\n", 2, "width_mm", "needs it"),
        (HEADER + "F1,flat,,1,,,1,,,,,,extra\n", 2, None, "comma"),
        ("lot,form,count,thickness_in\nF1,flat,1,1/0\n", 2, "thickness_in", "over 0"),
        ("lot,form,count,thickness_mm,thickness_in\nF1,flat,1,1,1\n", 2, "thickness_in", "both"),
    ],
)
def test_refusals_name_line_column_and_reason(
    text: str, line: int | None, column: str | None, words: str
) -> None:
    with pytest.raises(FileError) as refused:
        lots_from_csv(text, "box.csv")
    assert line is None or f", line {line}" in refused.value.message
    assert refused.value.column == column
    assert words in str(refused.value)
    assert "box.csv" in str(refused.value)
    if line is not None:
        assert f"line {line}" in str(refused.value)


def test_a_bad_last_row_takes_nothing() -> None:
    with pytest.raises(FileError):
        lots_from_csv(GOOD + "F9,flat,,x,,,1,,,,\n", "box.csv")


def test_rows_of_a_problem_are_numbers_and_none() -> None:
    row = {"lot": "F1", "form": "flat", "count": 2, "thickness_mm": 1.5, "thin_mm": None}
    assert lots_from_rows([row]) == (Lot("F1", "flat", 2, thickness_mm=1.5),)
    for bad in (float("nan"), float("inf"), True, [1.5]):
        with pytest.raises(FileError):
            lot_from_row(row | {"thickness_mm": bad})
    with pytest.raises(FileError, match="isn't a column"):
        lots_from_rows([row | {"colour": "red"}])


def test_lots_sort_as_people_count() -> None:
    assert sorted(["F10", "F2", "a1", "F1b", "F1"], key=natural_key) == ["F1", "F1b", "F2", "F10", "a1"]
    assert natural_key(f"F{'9' * 5000}") > natural_key("F007") == natural_key("F7")
