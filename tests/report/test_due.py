from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from shimfit.errors import UsageError
from shimfit.model import Foot
from shimfit.report.due import due_json, due_lines, due_list, read_again_lines
from shimfit.report.record import LogStamp, run_record

LOG = LogStamp(1, "00")
READ = datetime(2026, 5, 12, 8, tzinfo=UTC)


@pytest.fixture
def went_back(boardwalk, stands_by):
    """One post handed over, read again 100 days later 3 mm further out; one never gone back to."""
    run = boardwalk(2)
    rows = []
    for post in run.posts:
        first = replace(post.after, slope_along=0.0, slope_across=0.0002, time=READ.isoformat())
        rows.append(stands_by(post, first))
    later = replace(rows[0].after, slope_across=0.0032, time=(READ + timedelta(days=100)).isoformat())
    rows[0] = stands_by(rows[0], rows[0].after, later)
    return run_record(replace(run, posts=tuple(rows), due_days=90), LOG)


def test_due_from_the_last_reading_on_and_the_longest_first(went_back):
    rows = due_list(went_back.run, READ + timedelta(days=101))
    assert [row.post.name for row in rows] == ["2", "1"]
    assert [row.days_over for row in rows] == pytest.approx([11.0, -89.0])
    assert [row.is_due for row in rows] == [True, False]


@pytest.mark.parametrize(("days", "due"), [(89.999, False), (90, True), (90.001, True)])
def test_due_to_the_moment(went_back, days, due):
    row = next(row for row in due_list(went_back.run, READ + timedelta(days=days)) if row.post.name == "2")
    assert row.is_due is due


@pytest.mark.parametrize("days", [36_501, 2**52])
def test_an_interval_that_no_calendar_holds_is_refused_whoever_logged_it(went_back, days):
    assert len(due_list(replace(went_back.run, due_days=36_500), READ)) == 2
    with pytest.raises(UsageError, match=f"can't be due after {days} days"):
        due_list(replace(went_back.run, due_days=days), READ)


def test_before_and_after_stand_side_by_side(went_back):
    row = next(row for row in due_list(went_back.run, READ + timedelta(days=101)) if row.post.name == "1")
    assert row.first.slope_across == 0.0002
    assert row.latest.slope_across == 0.0032
    assert row.moved_mm == pytest.approx(3.0)
    text = "\n".join(due_lines(went_back.run, [row]))
    assert "out of plumb now, was plumb 0.0, out 0.2 mm" in text, "out by now: nobody hands it over like that"
    assert "last read 0.0, out 3.2 mm on 2026-08-20" in text
    assert "moved 3.0 mm" in text


def test_json_carries_both_readings(went_back):
    answer = due_json(went_back.run, due_list(went_back.run, READ + timedelta(days=101)))
    late, soon = answer["due"]
    assert (late["post"], late["moved_mm"]) == ("2", None)
    assert soon["latest"]["top_across_mm"] == pytest.approx(3.2)
    assert answer["due_days"] == 90


def test_posts_never_verified_are_not_in_the_list(boardwalk, stands_by):
    run = boardwalk(1)
    post = stands_by(run.posts[0])
    run = replace(run, posts=(post,))
    assert due_list(run, READ) == []
    assert "none is due" in due_lines(run, [])[0]


def test_a_run_without_interval_says_what_to_set(boardwalk):
    run = boardwalk(1, due_days=None)
    with pytest.raises(UsageError, match="no interval"):
        due_list(run, READ)


def test_what_was_read_again_stands_in_the_record(went_back):
    import io

    import pypdf

    from shimfit.report.asbuilt import record_pdf
    from shimfit.report.record import record_lines

    first = "handed over 0.0, out 0.2 mm on 2026-05-12 08:00"
    said = f"{first}; read again 0.0, out 3.2 mm on 2026-08-20 08:00, moved 3.0 mm"
    page = pypdf.PdfReader(io.BytesIO(record_pdf(went_back))).pages[0].extract_text()
    assert said in " ".join(page.split())
    assert f"Post 1: {said}" in record_lines(went_back)
    assert not any(line.startswith("Post 2") for line in record_lines(went_back))


def test_a_second_try_is_no_going_back(boardwalk, stands_by):
    run = boardwalk(1)
    bad = replace(run.posts[0].after, slope_along=0.004)
    good = replace(run.posts[0].after, slope_along=0.0, slope_across=0.0)
    post = stands_by(run.posts[0], bad, good)
    assert read_again_lines(replace(run, posts=(post,))) == []


@pytest.mark.parametrize(
    ("later", "stage", "reported"),
    [
        (timedelta(minutes=5), "verify", False),
        (timedelta(minutes=5), "rails-on", True),
        (timedelta(days=1), "verify", True),
    ],
)
def test_a_repeat_on_the_spot_is_no_going_back(boardwalk, later, stage, reported, stands_by):
    run = boardwalk(1)
    first = replace(run.posts[0].after, slope_along=0.0, slope_across=0.0, time=READ.isoformat())
    last = replace(first, slope_along=0.0002, stage=stage, time=(READ + later).isoformat())
    post = stands_by(run.posts[0], first, last)
    assert bool(read_again_lines(replace(run, posts=(post,)))) is reported


@pytest.mark.parametrize("days", [-1, 36_501])
def test_one_rule_for_an_interval_wherever_it_is_given(tmp_path, days):
    from shimfit.workflow.site import Site

    row = {"name": "1", "leg": 1, "station_mm": 0.0, "kind": "end"}
    with Site.open(tmp_path / "one.db") as site:
        site.add_job("pier")
        laid_out = {"foot": Foot(90.0, 90.0), "height_mm": 1000.0, "posts": [row]}
        said = f"can't be due after {days} days: give 0 or more, at most 36500"
        with pytest.raises(UsageError, match=said):
            site.add_run("pier", "east", **laid_out, due_days=days)
        site.add_run("pier", "east", **laid_out, due_days=0)
        with pytest.raises(UsageError, match=said):
            site.change_run("pier", "east", due_days=days)
        assert site.run("pier", "east").due_days == 0
