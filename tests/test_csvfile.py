"""Tables as text: what spreadsheets send is understood, what they would execute is defused and read back."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.core.stock import lots_from_csv
from shimfit.csvfile import MOST_LINES, file_bytes, lines, text_of
from shimfit.entry import EntrySettings, Refused, parse_entry
from shimfit.errors import FileError
from shimfit.workflow.tables import posts_from_csv

CELL = st.text(st.characters(codec="utf-8", exclude_characters="\r\n\x00"), max_size=12)


def cells_of(text: str) -> list[list[str]]:
    return [cells for _, cells in lines(text, "table.csv")]


@given(st.lists(CELL, min_size=1, max_size=4).filter(lambda row: any(cell.strip() for cell in row)))
def test_every_text_is_read_back_as_it_was(row: list[str]) -> None:
    header = [f"column {number}" for number in range(len(row))]
    assert cells_of(text_of([header, row])) == [header, row]


@pytest.mark.parametrize(
    "cell", ["=1+1", "+shim", "-lean", "@sum", "\tcell", '=HYPERLINK("x")', "'=1", "''-a"]
)
def test_what_a_spreadsheet_would_execute_begins_with_an_apostrophe(cell: str) -> None:
    text = text_of([["note"], [cell]])
    _, (written,) = csv.reader(io.StringIO(text, newline=""))
    assert written.startswith("'")
    assert cells_of(text)[1] == [cell]


@pytest.mark.parametrize("cell", ["-3", "+0.5", "-.5", "-1e-3", "6n10h", "it's"])
def test_numbers_and_plain_texts_stay_as_they_are(cell: str) -> None:
    assert text_of([[cell]]) == f"{cell}\r\n"


@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_semicolons_and_a_byte_order_mark_are_understood(mark: str) -> None:
    text = f"{mark}lot;form;count;thickness_mm;note\r\nF1;flat;3;1.5;oak, dry\r\n"
    (lot,) = lots_from_csv(text, "box.csv")
    assert (lot.lot, lot.thickness_mm, lot.note) == ("F1", 1.5, "oak, dry")
    (post,) = posts_from_csv(f"{mark}post;station_mm\n1;1200\n", "posts.csv", "mm")
    assert post["station_mm"] == 1200.0


@pytest.mark.parametrize(
    ("read", "text"),
    [
        (lots_from_csv, "lot;form;count;thickness_mm\nF1;flat;3;1,5\n"),
        (lambda text, name: posts_from_csv(text, name, "mm"), "post;station_mm\n1;1,5\n"),
        (
            lambda text, name: posts_from_csv(text, name, "mm"),
            "post;station_mm;foot;rod_along_mm\n1;0;90x90;1,5\n",
        ),
    ],
)
def test_a_decimal_comma_is_told(read, text: str) -> None:
    with pytest.raises(FileError, match=r"line 2.*decimal comma: write 1\.5"):
        read(text, "table.csv")


def test_a_comma_too_many_is_told() -> None:
    with pytest.raises(FileError, match=r"line 2.*decimal comma"):
        lots_from_csv("lot,form,count,thickness_mm\nF1,flat,3,1,5\n", "box.csv")


def test_a_table_of_a_million_lines_is_refused_before_it_is_gone_through():
    text = "lot,count\n" + "A,1\n" * MOST_LINES
    with pytest.raises(FileError, match=r"box\.csv has 50,001 lines, and at most 50,000 are read"):
        next(lines(text, "box.csv"))
    assert len(list(lines(text[:-4], "box.csv"))) == MOST_LINES


@pytest.mark.parametrize(
    ("header", "row", "column"),
    [
        ("count,thickness_mm", "\u0663,1", "count"),
        ("count,thickness_mm", "2,\u0661.\u0665", "thickness_mm"),
        ("count,thickness_in", "2,\u0661/\u0668", "thickness_in"),
    ],
)
def test_digits_of_other_scripts_are_refused_as_in_a_reading(header: str, row: str, column: str) -> None:
    """Arabic-Indic 3, 1.5 and 1/8: the entry line takes none of them, so a box does not either."""
    with pytest.raises(FileError, match="write 0 to 9") as caught:
        lots_from_csv(f"lot,form,{header}\nF1,flat,{row}\n", "box.csv")
    assert caught.value.column == column
    cell = next(cell for cell in row.split(",") if not cell.isascii())
    assert isinstance(parse_entry(f"{cell} next", EntrySettings()), Refused)


@pytest.mark.parametrize("name", ["", "a\0b"])
def test_what_can_not_be_a_files_name_is_refused(name: str) -> None:
    with pytest.raises(FileError, match="can't be the name of a file"):
        file_bytes(name)
