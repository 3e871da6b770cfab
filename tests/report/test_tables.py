"""A sheet's table is declared once: what stands on paper is said at a terminal, but for boxes to tick."""

import io

import pypdf

from shimfit.report.sheets import sheet_pdf
from shimfit.report.tables import TICK, Column, Section, SheetFacts, lines

COLUMNS = [
    *(Column("", 7.0), Column("between", 30.0, words="{:^11} ")),
    *(Column("cut", 30.0, bold=True, words="cut {}"), Column("what else", words="; {}")),
]


def test_a_row_is_said_by_its_columns_and_an_empty_cell_says_nothing():
    rows = [(TICK, "1 – 2", "1110 mm", "do not cut yet"), ("", "2 – 3", "1112 mm", "")]
    sections = [Section("Rails", COLUMNS, rows, "Cut square."), Section("None", COLUMNS, [])]
    assert list(lines(sections)) == ["   1 – 2    cut 1110 mm; do not cut yet", "   2 – 3    cut 1112 mm"]
    page = sheet_pdf("Rails", SheetFacts("lake", "walk"), sections, lead="2 rails.", cautions=("Mind.",))
    text = " ".join(pypdf.PdfReader(io.BytesIO(page)).pages[0].extract_text().split())
    for cell in (cell for row in rows for cell in row):
        assert cell in text
    assert "None" not in text
