"""Every check against a published source; `python tests/published/table.py` prints them as one page."""

import csv
from dataclasses import replace

import pytest

from tests.published import table

SINGLE = [row["id"] for row in table.ours.table("checks")]
MARKS = {"read", "second-hand", "from memory", "derived"}


@pytest.fixture(scope="module")
def single():
    return {row.number: row for row in table.single_rows()}


@pytest.mark.parametrize("number", SINGLE)
def test_published_value(single, number):
    row = single[number]
    assert row.agrees, (
        f"{row.what}: published {row.published} {row.unit}, ours {row.ours_shown} ({row.source})"
    )


@pytest.mark.parametrize("name", sorted(table.ours.TABLES))
def test_published_table(name):
    rows = list(table.table_rows(name))
    assert rows
    wrong = [(row.what, row.published, row.ours_shown) for row in rows if not row.agrees]
    assert wrong == []


def test_fractions_are_shown_as_the_book_prints_them():
    # Cosgrove, Principles and Practice of Plumbing, Table LXIII (read; the book's 3/62 is 3/64).
    from shimfit.quantities.shown import inches

    for row in table.ours.table("decimal_equivalents"):
        assert inches(float(row["exact_mm"]), 64) == row["fraction"]


def test_wrong_crcs_of_public_pages_are_not_ours():
    wrong = [row for row in table.ours.table("modbus_crc_examples") if row["verdict"] == "WRONG"]
    assert len(wrong) == 3
    assert all(table.ours.wire_crc(row["bytes_hex"]) != row["published"] for row in wrong)


def test_every_check_has_a_source_a_mark_and_one_figure_of_ours():
    rows = table.ours.table("checks")
    assert len(SINGLE) == len(set(SINGLE))
    assert set(SINGLE) == set(table.ours.OURS)
    assert all(row["source"] and row["what"] and row["mark"] in MARKS for row in rows)


def test_tables_carry_source_and_mark():
    for name in table.ours.TABLES:
        with (table.ours.PUBLISHED / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            assert {"source", "mark"} <= set(csv.DictReader(file).fieldnames)


def test_a_difference_is_seen(single):
    row = single["1.1b"]
    assert not replace(row, ours=row.ours + 1e-6).agrees
    assert not replace(single["1.5d"], ours="over").agrees
    assert not replace(single["1.1d"], ours=1.8 + 2e-9).agrees


@pytest.mark.parametrize(("printed", "half"), [("0.114591", 5e-7), ("45", 0.5), ("2.000", 5e-4)])
def test_a_number_agrees_when_it_rounds_to_what_was_printed(printed, half):
    assert table.half_last_digit(printed) == pytest.approx(half)


def test_the_page_is_printed_and_says_all_agree(capsys):
    assert table.main([]) == 0
    page = capsys.readouterr().out
    assert "DIFFERS" not in page
    assert "PLUMB TOLERANCES" in page
    assert "63 agree" in page
