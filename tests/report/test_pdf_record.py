import hashlib
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path

import pypdf
import pytest

from shimfit.errors import UsageError
from shimfit.model import Instrument
from shimfit.quantities import shown
from shimfit.report.asbuilt import record_pdf
from shimfit.report.page import Sheet
from shimfit.report.pictures import charts_of
from shimfit.report.record import LogStamp, record_csv, record_json, record_lines, run_record
from shimfit.standing import Issue
from shimfit.store.events import Head

JOB = Head(257, "1f0c" * 16, "9a2e" * 16)
LOG = LogStamp(312, "9f3c51" + "0a" * 29, JOB)
# ISO 216 and ANSI/ASME Y14.1 sizes in points (210 x 297 mm; 8.5 x 11 in): from memory.
MEDIA_BOX = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}


def read_back(data):
    return pypdf.PdfReader(io.BytesIO(data))


def words_of(data):
    return " ".join(" ".join(page.extract_text().split()) for page in read_back(data).pages)


def lines_of(data):
    return [line for page in read_back(data).pages for line in page.extract_text().splitlines()]


def sizes_of(data):
    """Every type size that the pages set text in, points."""
    found = set()
    for page in read_back(data).pages:
        content = page.get_contents().get_data()
        found |= {float(size) for size in re.findall(rb"/F\d+ ([\d.]+) Tf", content)}
    return found


@pytest.fixture
def record_of(boardwalk, toolbox):
    return lambda n, **other: run_record(boardwalk(n, **other), LOG, toolbox)


@pytest.fixture(scope="module")
def drawn(boardwalk, toolbox):
    """PDF of a run of n posts on a paper, drawn once for all tests."""

    @cache
    def draw(posts, paper="a4", units="mm"):
        return record_pdf(run_record(boardwalk(posts, units=units), LOG, toolbox), paper)

    return draw


LAST_ONLY = (
    *("To check this paper", "Read and packed by", "How sure", "Cautions", "the end of this record"),
)


@pytest.mark.parametrize(
    ("paper", "posts", "pages"),
    [("a4", 1, 1), ("a4", 21, 2), ("a4", 60, 3), ("letter", 15, 2), ("letter", 40, 3)],
)
def test_every_page_of_a_paper(drawn, paper, posts, pages):
    """Its size, its number, each post once; what checks the paper and the signatures on the last alone."""
    document = read_back(drawn(posts, paper))
    assert len(document.pages) == pages
    for page in document.pages:
        assert [float(side) for side in page.mediabox[2:]] == pytest.approx(MEDIA_BOX[paper], abs=0.5)
    text = [page.extract_text() for page in document.pages]
    assert all(f"page {i} of {pages}" in page for i, page in enumerate(text, 1))
    assert sum(page.count("Rowan, long level") for page in text) == posts
    for said in LAST_ONLY:
        assert said in text[-1]
        assert not any(said in page for page in text[:-1])


def test_what_quality_control_looks_for_is_there(drawn):
    text = words_of(drawn(21))
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
    note = "Brett gewölbt → gehobelt, ключ 24 Nm, 板"
    post = replace(run.posts[0], notes=(note,), photos=("IMG_7.jpg",), packed_as_prescribed=False)
    text = words_of(record_pdf(run_record(replace(run, posts=(post, *run.posts[1:])), LOG, toolbox)))
    assert "Brett gewölbt → gehobelt, ключ 24 Nm, ▯" in text
    assert "photo IMG_7.jpg: not at hand" in text
    assert "packed with something else than prescribed" in text
    assert "a letter that this print lacks" in text


def test_a_flood_of_notes_goes_on_the_next_page_and_none_is_lost(boardwalk, toolbox):
    run = boardwalk(20)
    posts = tuple(replace(post, notes=(f"note-{post.name}-end " + "word " * 120,)) for post in run.posts)
    document = read_back(record_pdf(run_record(replace(run, posts=posts), LOG, toolbox)))
    assert len(document.pages) > 1
    text = " ".join(page.extract_text() for page in document.pages)
    assert all(f"note-{post.name}-end" in text for post in run.posts)


def test_a_posts_name_is_never_broken_in_the_table(boardwalk, toolbox):
    run = boardwalk(4)
    posts = (replace(run.posts[0], name="East-Stair-12"), *run.posts[1:])
    record = run_record(replace(run, posts=posts), LOG, toolbox)
    for paper in ("a4", "letter"):
        assert any("East-Stair-12" in line for line in lines_of(record_pdf(record, paper)))


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
        "from shimfit.report.asbuilt import record_pdf\n"
        "from shimfit.report.record import LogStamp\n"
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
    for page in read_back(drawn(21)).pages:
        colours = re.findall(rb"([\d.]+) ([\d.]+) ([\d.]+) (?:rg|RG)\b", page.get_contents().get_data())
        assert all(red == green == blue for red, green, blue in colours)


def test_the_lean_along_the_run_and_the_zero_over_time_are_drawn(record_of):
    record = record_of(9)
    name = next(iter(record.instruments))
    checks = tuple(
        Instrument(
            name,
            "level",
            zero_along=zero,
            zero_across=-zero,
            u_zero=0.0001,
            checked=f"2026-05-{day}T08:00:00+00:00",
        )
        for day, zero in (("10", 0.0004), ("20", 0.0012))
    )
    text = words_of(record_pdf(replace(record, zeros=checks)))
    assert "Lean before packing, mm/m: solid + next, dashed + out" in text
    assert f"Zero of {name}" in text
    assert "+1.2" in text
    assert "-1.2" in text
    # One check is no course of time.
    assert f"Zero of {name}" not in words_of(record_pdf(replace(record, zeros=checks[:1])))


def test_charts_hold_the_readings_before_packing(record_of):
    record = record_of(9)
    fall = charts_of(replace(record, zeros=()))[0]
    reported = [(post.station_mm, post.before.slope_along) for post in record.run.posts if post.before.lean]
    assert list(fall.along) == reported
    assert charts_of(replace(record, run=replace(record.run, posts=record.run.posts[:2]), zeros=())) == []


@pytest.mark.parametrize(("posts", "paper", "units"), [(3, "a4", "mm"), (34, "letter", "inch")])
def test_nothing_is_smaller_than_seven_points(drawn, posts, paper, units):
    # 1 pt is the size that fpdf2 is left at between pages; nothing is written in it.
    assert min(sizes_of(drawn(posts, paper, units)) - {1.0}) >= 7.0


def test_the_run_is_drawn_once_to_one_scale(drawn):
    text = words_of(drawn(60))
    assert len(re.findall("a lean is drawn", text)) == 1


def test_what_was_not_given_says_so(record_of):
    text = words_of(record_pdf(record_of(2)))
    for name in ("Record number", "Firm", "Customer", "Site", "Weather", "Temperature", "Timber's moisture"):
        assert f"{name} not given" in text, name
    assert "Date of issue not given, logged up to 2026-05-12" in text
    assert "serial not given" in text
    assert "Rowan" in text


def test_who_reads_is_not_given_where_nobody_is_named(boardwalk, toolbox, stands_by):
    run = boardwalk(1)
    post = stands_by(run.posts[0], replace(run.posts[0].after, by=None))
    post = replace(post, before=replace(post.before, by=None))
    text = words_of(record_pdf(run_record(replace(run, posts=(post,)), LOG, toolbox)))
    assert "Read by not given" in text
    assert "not given, long level" in text


def test_a_re_issue_names_what_it_replaces_why_and_which_posts_changed(record_of):
    old = f"41:{'ab' * 8}:{'cd' * 32}"
    issue = Issue("2026-05-14T09:00:00+02:00", "2026-014", None, "nut tightened again", old, ("7", "9"))
    made = record_of(2)
    text = words_of(record_pdf(replace(made, run=replace(made.run, issues=(issue,)), issued=True)))
    assert "Record number 2026-014" in text
    assert "Date of issue 2026-05-14 09:00 UTC+02:00" in text
    assert f"the record of {old}, because: nut tightened again; posts changed: 7, 9" in text
    assert "record 2026-014, North shore boardwalk / Lake side" in text  # at each page's foot


def test_headline_exceptions_and_rows_agree(boardwalk, toolbox, stands_by):
    run = boardwalk(6)
    out = stands_by(run.posts[0], replace(run.posts[0].after, slope_along=0.004))
    close = stands_by(run.posts[1], replace(run.posts[1].after, slope_along=0.0021, slope_across=0.0))
    unpacked = replace(stands_by(run.posts[2]), packs_in_place=(), rounds=0)
    posts = (out, close, unpacked, *run.posts[3:])
    record = run_record(replace(run, posts=posts), LOG, toolbox)
    assert {one: record.run.tally[one] for one in ("plumb", "out", "too-close")} == {
        "plumb": 3,
        "out": 2,
        "too-close": 1,
    }
    text = words_of(record_pdf(record))
    assert "3 of 6 posts proven plumb; 2 out of plumb, 1 too close to call." in text
    # Each exception twice, in the list with its reason and in its row; each plumb post once.
    assert text.count("✗ out of plumb") == 4
    assert text.count("≈ too close to call") == 2
    assert text.count("✓ plumb") == 3
    assert text.index("Not proven plumb, and why") < text.index("The run 1")
    assert "4.0 mm off plumb, 2.0 mm allowed" in text


def test_what_the_log_says_beside_the_posts_stands_on_every_front(boardwalk, toolbox, stands_by):
    run = boardwalk(3)
    two = "two crews lay run A out differently: north: height 900 mm; south: height 1000 mm"
    gone, near = replace(stands_by(run.posts[2]), name="9"), replace(run.posts[1], station_mm=20.0)
    left = "event 41 (leveled, 2026-05-12T09:00:00+02:00) was left out: this version does not know it"
    posts = (run.posts[0], near, run.posts[2])
    run = replace(run, conflict=two, removed=(gone,), unread=(left,), posts=posts)
    record = run_record(run, LOG, toolbox)
    remarks = record_json(record)["remarks"]
    assert remarks == [
        two,
        "no room between the feet of posts 1 and 2: move one, or take it out",
        "post 9 was taken out of the run: read once, left as: pack",
        left,
    ]
    lines, page = record_lines(record), read_back(record_pdf(record)).pages[0].extract_text()
    for remark in remarks:
        assert f"  {remark}" in lines
        assert remark in " ".join(page.split())


def test_photos_stand_with_their_post_and_a_lost_one_is_named(boardwalk, toolbox, tmp_path):
    from PIL import Image

    Image.new("RGB", (640, 480), (120, 130, 90)).save(tmp_path / "IMG_7.jpg")
    (tmp_path / "torn.jpg").write_bytes(b"\xff\xd8 not an image")
    run = boardwalk(3)
    post = replace(run.posts[0], photos=("IMG_7.jpg", "IMG_8.jpg", "torn.jpg", "IMG_8.jpg"))
    record = run_record(replace(run, posts=(post, *run.posts[1:])), LOG, toolbox)
    data = record_pdf(record, photos=(tmp_path,))
    assert len([image for page in read_back(data).pages for image in page.images]) == 1
    text = words_of(data)
    assert "photo: IMG_7.jpg" in text
    assert text.count("photo IMG_8.jpg: not at hand when this was printed") == 1, "named twice"
    assert "photo torn.jpg: not at hand" in text


def test_the_square_holds_job_and_figure(record_of, monkeypatch):
    record, held = record_of(1), []
    monkeypatch.setattr(Sheet, "qr", lambda _sheet, text, _box: held.append(text))
    record_pdf(record)
    assert held == [f"{record.run.job}/{record.run.name}\n{JOB}"]


def test_faces_that_the_run_renamed_stand_in_every_sign(record_of):
    faces = (("next", "gate"), ("prev", "pier"), ("out", "lake"), ("house", "path"))
    text = words_of(record_pdf(record_of(24, face_names=faces)))
    assert not re.search(r"\b(next|prev|out [^of]|house)\b", text.replace("out of plumb", ""))
    for said in (
        "lake ↑ +",
        "gate → +",
        "from the path side, gate to the right",
        "solid + gate, dashed + lake",
    ):
        assert said in text, said


def test_a_rows_notes_and_photos_stay_on_its_page(boardwalk, toolbox, tmp_path):
    from PIL import Image

    for name in ("a.jpg", "b.jpg"):
        Image.new("RGB", (640, 480), (120, 130, 90)).save(tmp_path / name)
    run = boardwalk(16)
    posts = tuple(
        replace(post, photos=("a.jpg", "b.jpg"), notes=(f"note of {post.name}.",)) for post in run.posts
    )
    record = run_record(replace(run, posts=posts), LOG, toolbox)
    for page in read_back(record_pdf(record, photos=(tmp_path,))).pages:
        text = page.extract_text()
        drawn = re.findall(rb"/I\d+ Do", page.get_contents().get_data())
        assert 2 * len(re.findall(r"note of \d+\.", text)) == len(drawn)


def test_a_figure_is_never_broken_in_a_narrow_column(boardwalk, toolbox):
    faces = (("next", "gatehouse"), ("prev", "pier"), ("out", "lakeside"), ("house", "boardwalk"))
    run = boardwalk(3, units="inch", face_names=faces)
    posts = tuple(replace(post, name=f"North-East-Stair-{post.name}") for post in run.posts)
    text = lines_of(record_pdf(run_record(replace(run, posts=posts), LOG, toolbox), "letter"))
    made = [shown.plain(pack.made_mm, "inch") for post in posts for pack in post.packs_in_place]
    for figure in made:
        assert any(re.search(rf"(?<![\d.]){figure}(?![\d.])", line) for line in text), figure


def test_many_posts_that_stand_alike_leave_the_reasons_their_room(boardwalk):
    run = boardwalk(12)
    posts = tuple(replace(post, skipped="the bed is wet", verdict=None, after=None) for post in run.posts)
    text = words_of(record_pdf(run_record(replace(run, posts=posts), LOG)))
    assert "12 posts – not verified skipped: the bed is wet" in text
    assert f": {', '.join(post.name for post in posts)}" in text
