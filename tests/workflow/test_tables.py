"""Tables of posts and readings: taken whole or not at all, with the line and the column told."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from shimfit.errors import FileError
from shimfit.model import Foot, Lot, PostState
from shimfit.store.events import Event
from shimfit.store.log import Log
from shimfit.workflow.reading import answer_missing, log_reading, missing_answers
from shimfit.workflow.site import Place, Site
from shimfit.workflow.tables import log_readings, posts_from_csv, posts_to_csv

POSTS = "post,station_mm,kind,foot\n1,0,end,140x140mm\n2,1150,line,\n3,2300,end,\n"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site.open(tmp_path / "tables.db", environment={}) as opened:
        opened.add_job("lake")
        posts = posts_from_csv(POSTS, "posts.csv", "mm")
        opened.add_run("lake", "jetty", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=posts)
        yield opened


def test_a_table_of_posts_is_a_run(site: Site) -> None:
    run = site.run("lake", "jetty")
    assert [(post.name, post.station_mm, post.kind) for post in run.posts] == [
        ("1", 0.0, "end"),
        ("2", 1150.0, "line"),
        ("3", 2300.0, "end"),
    ]
    assert run.posts[0].foot.along_mm == 140.0
    assert run.posts[1].foot.along_mm == 90.0


def test_inches_in_a_header_are_inches(site: Site) -> None:
    (post,) = posts_from_csv("post,station_in,height_in\n1,45 1/4,40\n", "posts.csv", "mm")
    assert post["station_mm"] == pytest.approx(45.25 * 25.4)
    assert post["height_mm"] == pytest.approx(1016.0)


def test_what_goes_out_comes_in_again(site: Site) -> None:
    log_reading(site, Place("lake", "jetty", "2"), "6mm n 10mm h")
    text = posts_to_csv(site.run("lake", "jetty"))
    again = posts_from_csv(text, "again.csv", "mm")
    assert [(post["name"], post["station_mm"], post["kind"]) for post in again] == [
        (post.name, post.station_mm, post.kind) for post in site.run("lake", "jetty").posts
    ]
    assert "6mm n 10mm h" in text


def test_a_table_of_readings_is_logged_as_if_typed(site: Site) -> None:
    table = 'post,entry,stage,by\n1,"4mm n, 2mm o",,crew\n2,6mm n 3mm h,bed,\n'
    logged = log_readings(site, "lake", "jetty", table, "r.csv", sure=False)
    assert [one.place.post for one in logged] == ["1", "2"]
    posts = site.run("lake", "jetty").posts
    assert posts[0].readings[0].by == "crew"
    assert posts[1].readings[0].stage == "bed"
    assert posts[2].state is PostState.TO_READ


@pytest.mark.skipif(os.name != "posix", reason="forks and kills")
@pytest.mark.parametrize(("write", "read"), [(1, 0), (3, 0), (4, 3)])
def test_a_table_is_on_disk_whole_or_not_at_all_when_the_program_is_killed(
    site: Site, write: int, read: int
) -> None:
    """Killed at the first and the last of three readings, and when the first answer is about to be logged."""
    site.import_stock([Lot(f"F{mm}", "flat", 30, thickness_mm=mm) for mm in (0.2, 0.4, 0.7)], "box.csv")
    table = "post,entry\n1,4mm n 2mm o\n2,6mm n 3mm h\n3,5mm p 1mm h\n"

    def give(killed_at: int) -> None:
        with Site.open(site.journal.path, environment={}) as own, pytest.MonkeyPatch.context() as patch:
            left = list(range(killed_at))
            really = Log._write

            def killed(log: Log, events: Sequence[Event]) -> object:
                left.pop()
                written = really(log, events) if left or read == 0 else ()
                if not left:
                    os.kill(os.getpid(), signal.SIGKILL)
                return written

            patch.setattr(Log, "_write", killed)
            log_readings(own, "lake", "jetty", table, "r.csv", sure=False)

    child = os.fork()
    if child == 0:
        give(write)
        os._exit(0)
    assert os.waitpid(child, 0)[1] == signal.SIGKILL
    assert [len(post.readings) for post in site.run("lake", "jetty").posts] == [read // 3] * 3
    assert site.journal.verify() is None
    if not read:
        log_readings(site, "lake", "jetty", table, "r.csv", sure=False)
    else:
        assert len(missing_answers(site)) == 3
        answer_missing(site)
    posts = site.run("lake", "jetty").posts
    assert [(len(post.readings), post.answer is not None) for post in posts] == [(1, True)] * 3


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("", "empty"),
        ("post\n1\n", "entry"),
        ("post,entry\n9,1mm n 0\n", "line 2"),
        ("post,entry\n1,1mm n 0\n2,1mm\n", "line 3"),
        ("post,entry\n1,1mm n 0\n2\n", "line 3"),
        ("post,entry,stage\n1,1mm n 0,later\n", "stage"),
        ("post,entry\n1,6/16n 0\n", "--sure"),
    ],
)
def test_a_bad_line_is_named_and_nothing_is_logged(site: Site, table: str, said: str) -> None:
    before = site.journal.head
    with pytest.raises(FileError, match=said):
        log_readings(site, "lake", "jetty", table, "r.csv", sure=False)
    assert site.journal.head == before


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("post,station_mm\n", "no posts"),
        ("post,station_mm\n1,0\n1,100\n", "twice"),
        ("post,station_mm\n1,far\n", "line 2"),
        ("post,station_mm\n1,\n", "station"),
        ("post,station_mm,leg\n1,0,one\n", "leg"),
        (f"post,station_mm,leg\n1,0,{'9' * 20}\n", "line 2, column leg"),
        (f"post,station_mm,leg\n1,0,{'9' * 5000}\n", "line 2, column leg"),
        ("post,station_mm,kind\n1,0,middle\n", "kind"),
        ("post,station_mm,foot\n1,0,90\n", "foot"),
        ("post,station_mm,tolerance\n1,0,1:0\n", "tolerance"),
        ("post,station_mm,height_mm\n1,0,0\n", "height_mm"),
        ("post,station_mm\na/b,0\n", "slash"),
    ],
)
def test_a_bad_table_of_posts_is_refused_by_line_and_column(table: str, said: str) -> None:
    with pytest.raises(FileError, match=said):
        posts_from_csv(table, "posts.csv", "mm")


def test_a_run_goes_out_and_comes_in_without_loss(site: Site) -> None:
    posts = (
        "post,station_mm,kind,leg,foot,height_mm,tolerance,per_direction,turn_deg,rod_hole_mm,rod_along_mm\n"
        "1,0.30000000000000004,end,1,88.899999999999991x90mm,1117.5999999999999,3mm/1m,yes,,12.7,-4.5\n"
        "2,1200.00001,corner,1,d89.5mm,1100,0.1deg,no,-33.333333333333336,0,\n"
    )
    before = site.add_run(
        "lake", "one", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=posts_from_csv(posts, "p.csv", "mm")
    )
    table = posts_from_csv(posts_to_csv(before), "again.csv", "inch")
    after = site.add_run("lake", "two", foot=Foot(50.0, 50.0), height_mm=900.0, posts=table)
    of_post = ("name", "station_mm", "kind", "leg", "foot", "height_mm", "tolerance", "turn_deg")
    for name in of_post:
        assert [getattr(post, name) for post in after.posts] == [getattr(post, name) for post in before.posts]


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("post,entry,instrumnet\n1,1mm n 0,level-A\n", "line 1, column instrumnet: isn't a column"),
        ("post,entry,entry\n1,1mm n 0,0\n", "twice"),
    ],
)
def test_columns_that_nobody_knows_are_refused(site: Site, table: str, said: str) -> None:
    before = site.journal.head
    with pytest.raises(FileError, match=said):
        log_readings(site, "lake", "jetty", table, "r.csv", sure=False)
    assert site.journal.head == before


def test_a_row_read_with_another_instrument_is_no_repeat_of_the_last(site: Site) -> None:
    at = Place("lake", "jetty", "2")
    site.import_stock([Lot(f"F{k}", "flat", 9, thickness_mm=0.2 * k) for k in range(1, 9)], "counted")
    log_reading(site, at, "9mm n 5mm o")
    log_reading(site, at, "0.5mm n 0.5mm o", sure=True)
    table = "post,entry,instrument\n2,0.5mm n 2.4mm o,"
    with pytest.raises(FileError, match=r"nothing was done since.* --sure if so; nothing was taken in"):
        log_readings(site, "lake", "jetty", table, "r.csv", sure=False)
    (logged,) = log_readings(site, "lake", "jetty", f"{table}level-B", "r.csv", sure=False)
    assert logged.reading.instrument == "level-B"


def test_a_bed_is_not_held_against_the_post_that_stood_on_it(site: Site) -> None:
    at = Place("lake", "jetty", "2")
    log_reading(site, at, "1mm n 1mm o")
    table = "post,entry,stage\n2,9mm n 8mm h,bed\n"
    (logged,) = log_readings(site, "lake", "jetty", table, "r.csv", sure=False)
    assert logged.reading.stage == "bed"
    with pytest.raises(FileError, match="which way"):
        log_readings(site, "lake", "jetty", "post,entry,stage\n2,9mm n 8mm,bed\n", "r.csv", sure=False)
