"""A sheet's table is declared once: what stands on paper is said at a terminal, but for boxes to tick."""

import io

import pypdf

from shimfit.model import Foot
from shimfit.quantities.typed import parse_tolerance
from shimfit.report.sheets import sheet_pdf
from shimfit.report.tables import TICK, Column, Section, SheetFacts, lines
from shimfit.standing import RunState

FACTS = SheetFacts(RunState("lake", "walk", Foot(90.0, 90.0), 1000.0, parse_tolerance("1:500")))
COLUMNS = [
    *(Column(""), Column("between", words="{:^11} ")),
    *(Column("cut", bold=True, words="cut {}"), Column("what else", words="; {}")),
]


def test_a_row_is_said_by_its_columns_and_an_empty_cell_says_nothing():
    rows = [(TICK, "1 – 2", "1110 mm", "do not cut yet"), ("", "2 – 3", "1112 mm", "")]
    sections = [Section("Rails", COLUMNS, rows, "Cut square."), Section("None", COLUMNS, [])]
    assert list(lines(sections)) == ["   1 – 2    cut 1110 mm; do not cut yet", "   2 – 3    cut 1112 mm"]
    page = sheet_pdf("Rails", FACTS, sections, lead="2 rails.", cautions=("Mind.",))
    text = " ".join(pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text().split())
    for cell in (cell for row in rows for cell in row):
        assert cell in text
    assert "None" not in text


def test_a_column_is_as_wide_as_what_stands_in_it_and_only_the_widest_is_broken():
    short = ("North-East-Stair-12", "1110.5 mm", "2 pressures over the allowable")
    heads = [Column("post", bold=True), Column("cut square"), Column("what else")]

    def lines_of(*rows):
        page = sheet_pdf("Rails", FACTS, [Section("Rails", heads, rows)], lead="A lead.", cautions=())
        return pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text().splitlines()

    assert " ".join(short) in lines_of(short)
    long = ("12", "1112.0 mm", "a sentence " * 40)
    both = lines_of(short, long)
    assert " ".join(short) in both
    assert sum("sentence a" in line for line in both) > 2
