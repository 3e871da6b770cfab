import hashlib
import io
import json
import os
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pypdf
import pytest

from shimfit.errors import UsageError
from shimfit.report.pdf import record_pdf
from shimfit.report.pdf.charts import charts_of
from shimfit.report.pdf.page import Sheet, paper_named
from shimfit.report.pdf.table import PostTable
from shimfit.report.record import LogStamp, ZeroCheck, record_csv, record_json, run_record
from shimfit.standing import Note
from shimfit.store.events import Head

JOB = Head(257, "1f0c" * 16, "9a2e" * 16)
LOG = LogStamp(312, "9f3c51" + "0a" * 29, JOB)
# ISO 216 and ANSI/ASME Y14.1 sizes in points (210 x 297 mm; 8.5 x 11 in): from memory.
MEDIA_BOX = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}


def read_back(data):
    return pypdf.PdfReader(io.BytesIO(data))


def words_of(data):
    return " ".join(" ".join(page.extract_text().split()) for page in read_back(data).pages)


@pytest.fixture
def record_of(boardwalk, toolbox):
    return lambda n, **other: run_record(boardwalk(n, **other), LOG, toolbox)


@pytest.fixture(scope="module")
def drawn(boardwalk, toolbox):
    """PDF of a run of n posts on a paper, drawn once for all tests."""

    @cache
    def draw(posts, paper="a4"):
        return record_pdf(run_record(boardwalk(posts), LOG, toolbox), paper)

    return draw


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(("posts", "pages"), [(1, 1), (20, 1), (21, 1), (200, 6)])
def test_pages_and_paper(drawn, paper, posts, pages):
    document = read_back(drawn(posts, paper))
    assert len(document.pages) == pages
    for page in document.pages:
        assert [float(side) for side in page.mediabox[2:]] == pytest.approx(MEDIA_BOX[paper], abs=0.5)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("posts", [20, 21, 36])
def test_every_post_stands_in_it_once_and_the_pages_are_numbered(drawn, paper, posts):
    document = read_back(drawn(posts, paper))
    total = len(document.pages)
    text = [page.extract_text() for page in document.pages]
    assert all(f"page {i} of {total}" in page for i, page in enumerate(text, 1))
    assert sum(page.count("Rowan, long level") for page in text) == posts


def test_what_quality_control_looks_for_is_there(drawn):
    text = words_of(drawn(20))
    for said in (
        "North shore boardwalk / Lake side",
        "1:500 on the lean's magnitude: 2.0 mm at 1000 mm",
        "AISC 303-16, 7.13.1.1",
        "one-sided 95 % guard band",
        "stated accuracy ±0.5 mm/m",
        "turned end for end 2026-05-12 07:00",
        "(k = 2)",
        "Plumb at first try",
        "Cautions",
        "does not design the connection",
        "Read and packed by",
        "Checked by",
        LOG.hash,
        str(JOB),
        "shimfit record verify",
        "not who wrote it, nor what was never logged",
        "pack stands on the side that the top leans to",
    ):
        assert said in text, said


def test_figures_of_a_post_are_printed_with_direction_and_doubt(boardwalk, toolbox):
    run = boardwalk(1)
    post = run.posts[0]
    before = replace(post.before, slope_along=-0.0082, slope_across=0.0061)
    after = replace(post.after, slope_along=0.0004, slope_across=-0.0007)
    row = replace(post, before=before, after=after, readings=(before, after))
    text = words_of(record_pdf(run_record(replace(run, posts=(row,)), LOG, toolbox)))
    for said in ("prev 8.2", "out 6.1", "next 0.4 ±0.6", "house 0.7 ±0.6"):
        assert said in text, said


def test_notes_photos_and_substitutions_are_printed(boardwalk, toolbox):
    run = boardwalk(3)
    note = Note("Brett gewölbt → gehobelt, ключ 24 Nm, 板", run.posts[0].last_time)
    post = replace(run.posts[0], notes=(note,), photos=("IMG_7.jpg",), packed_as_prescribed=False)
    text = words_of(record_pdf(run_record(replace(run, posts=(post, *run.posts[1:])), LOG, toolbox)))
    assert "Brett gewölbt → gehobelt, ключ 24 Nm, ▯" in text
    assert "photo IMG_7.jpg" in text
    assert "packed with something else than prescribed" in text
    assert "a letter that this print lacks" in text


def test_a_flood_of_notes_goes_on_the_next_page_and_none_is_lost(boardwalk, toolbox):
    run = boardwalk(20)
    posts = tuple(
        replace(post, notes=(Note(f"note-{post.name}-end " + "word " * 120, post.last_time),))
        for post in run.posts
    )
    document = read_back(record_pdf(run_record(replace(run, posts=posts), LOG, toolbox)))
    assert len(document.pages) > 1
    text = " ".join(page.extract_text() for page in document.pages)
    assert all(f"note-{post.name}-end" in text for post in run.posts)


def test_a_posts_name_is_never_broken_in_the_table(boardwalk, toolbox):
    run = boardwalk(4)
    posts = (replace(run.posts[0], name="East-Stair-12"), *run.posts[1:])
    record = run_record(replace(run, posts=posts), LOG, toolbox)
    with Sheet(paper_named("letter"), title="", subject="", made=None) as sheet:
        rows = PostTable(sheet, record, 10.0, 195.9).rows()
        assert rows[0].cells[0][0] == "East-Stair-12"


def test_an_endless_name_is_broken_not_lost(boardwalk, toolbox):
    run = boardwalk(2)
    long = replace(run.posts[0], name="P" + "9" * 60)
    text = words_of(record_pdf(run_record(replace(run, posts=(long, run.posts[1])), LOG, toolbox)))
    assert text.replace(" ", "").count("9" * 60) >= 1


def test_a_run_without_posts_or_readings_still_makes_a_page(boardwalk, stands_by):
    run = boardwalk(2)
    bare = replace(stands_by(replace(run.posts[0], before=None)), packs_in_place=(), rounds=0)
    for posts in ((), (bare,)):
        text = words_of(record_pdf(run_record(replace(run, posts=posts), LOG)))
        assert "none verified as they stand" in text


def test_same_record_same_bytes(record_of, drawn):
    assert record_pdf(record_of(21)) == drawn(21)
    assert record_pdf(record_of(21, seed=8)) != drawn(21)


def test_other_processes_draw_the_same_bytes(drawn):
    script = (
        "import hashlib, importlib.util, pathlib, sys\n"
        "spec = importlib.util.spec_from_file_location('boardwalk', sys.argv[1])\n"
        "demo = importlib.util.module_from_spec(spec); spec.loader.exec_module(demo)\n"
        "from shimfit.report.record import run_record\n"
        "from shimfit.report.pdf import record_pdf\n"
        "from shimfit.report.record import LogStamp, ZeroCheck\n"
        "from shimfit.store.events import Head\n"
        "stamp = LogStamp(312, sys.argv[2], Head(257, '1f0c' * 16, '9a2e' * 16))\n"
        "record = run_record(demo.run_of(21), stamp, demo.box())\n"
        "print(hashlib.sha256(record_pdf(record)).hexdigest())\n"
    )
    other = subprocess.run(
        [sys.executable, "-c", script, str(Path(__file__).with_name("conftest.py")), LOG.hash],
        env=os.environ | {"PYTHONHASHSEED": "77", "TZ": "Asia/Tokyo"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert other.stdout.strip() == hashlib.sha256(drawn(21)).hexdigest()


def test_csv_and_json_are_attached(record_of):
    record = record_of(3)
    files = read_back(record_pdf(record)).attachments
    assert files["record.csv"] == [record_csv(record).encode()]
    assert json.loads(files["record.json"][0]) == record_json(record)


def test_creation_date_is_the_records_own(record_of):
    record = record_of(2)
    made = read_back(record_pdf(record)).metadata.creation_date
    assert made.isoformat() == record.made


def test_sample_is_marked(record_of):
    assert "SAMPLE" in words_of(record_pdf(record_of(1, sample=True)))


def test_unknown_paper_is_refused(record_of):
    with pytest.raises(UsageError, match="a4 and letter"):
        record_pdf(record_of(1), "foolscap")


def test_only_black_white_and_grey_ink(drawn):
    import re

    for page in read_back(drawn(20)).pages:
        colours = re.findall(rb"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)\b", page.get_contents().get_data())
        assert all(red == green == blue for red, green, blue in colours)


def test_the_lean_along_the_run_and_the_zero_over_time_are_drawn(record_of):
    record = record_of(9)
    name = record.instruments[0].name
    checks = tuple(
        ZeroCheck(name, f"2026-05-{day}T08:00:00+00:00", zero, -zero, 0.0001)
        for day, zero in (("10", 0.0004), ("20", 0.0012))
    )
    text = words_of(record_pdf(replace(record, zeros=checks)))
    assert "Lean before packing along the run" in text
    assert f"Zero of {name}" in text
    assert "+1.2" in text
    assert "-1.2" in text
    # One check is no course of time.
    assert f"Zero of {name}" not in words_of(record_pdf(replace(record, zeros=checks[:1])))


def test_charts_hold_the_readings_before_packing(record_of):
    record = record_of(9)
    fall = charts_of(replace(record, zeros=()))[0]
    told = [(post.station_mm, post.before.slope_along) for post in record.posts if post.before.lean]
    assert list(fall.traces[0].points) == told
    assert charts_of(replace(record, posts=record.posts[:2], zeros=())) == []
