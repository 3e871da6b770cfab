"""What readings after packs teach: the program's own score, and how much the site scatters."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from shimfit.cli import main
from shimfit.cli.io import Io
from shimfit.core.correction.standing import predicted_shift_mm
from shimfit.core.packing import Options, question
from shimfit.core.stock import lots_from_csv
from shimfit.core.takeup import SiteScatter
from shimfit.model import Foot, Instrument, Reading
from shimfit.report.record import LogStamp, run_record
from shimfit.report.statistics import statistics, statistics_json, statistics_lines
from shimfit.standing import Score
from shimfit.store.merge import export_text, import_text
from shimfit.workflow import solving
from shimfit.workflow.packs import parse_packs, reset, scatter_of
from shimfit.workflow.plan import plan_site_run
from shimfit.workflow.reading import Asked, log_packs, log_reading, log_tightened, log_turned
from shimfit.workflow.site import Place, Site
from shimfit.workflow.solving import reads_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BOX = "lot,form,count,thickness_mm\n" + "".join(f"F{k},flat,40,{k / 10}\n" for k in (2, 3, 5, 8, 13, 21))


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site.open(tmp_path / "pier.db", environment={}) as opened:
        opened.add_job("pier")
        posts = [{"name": str(k), "leg": 1, "station_mm": 1200.0 * k} for k in range(1, 5)]
        opened.add_run("pier", "west", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=posts)
        opened.change_run("pier", "west", tolerance={"text": "1:300", "kind": "ratio", "slope": 1 / 300})
        opened.import_stock(lots_from_csv(BOX, "box"), "box")
        yield opened


def at(post: str) -> Place:
    return Place("pier", "west", post)


def score(site: Site) -> Score:
    return site.run("pier", "west").score


def chance(site: Site, post: str) -> float:
    answer = site.post(at(post)).answer
    assert answer is not None
    assert answer.chance is not None
    return answer.chance.plumb


def test_a_change_of_packs_is_judged_by_the_lean_that_the_post_had_bare(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    log_reading(site, at("1"), "9mm n 5mm o")
    log_packs(site, at("1"))
    log_tightened(site, at("1"))
    packed = site.post(at("1")).packs_in_place
    log_reading(site, at("1"), "6mm n 0", sure=True)
    judged, spread = [], question.usual_spread

    def seen(foot: Foot, height_mm: float, stood: Reading, *rest: Any, **more: Any) -> Any:
        judged.append((stood, more["take_up"]))
        return spread(foot, height_mm, stood, *rest, **more)

    monkeypatch.setattr(question, "usual_spread", seen)
    log_reading(site, at("1"), "0 0", sure=True)
    bare, take_up = judged[0]
    moved = predicted_shift_mm(site.post(at("1")).foot, (), packed, 1000.0, Options().preload_mm)
    assert moved[0] < -5.0, "they take the top back from next"
    assert bare.lean is not None
    assert bare.lean.top_mm(1000.0) == pytest.approx(
        (6.0 - take_up * moved[0], 0.0 - take_up * moved[1]), abs=0.3
    )


def test_only_packs_that_went_in_as_prescribed_and_were_read_count_and_each_time(site: Site) -> None:
    log_reading(site, at("1"), "9mm n 5mm o")
    first = chance(site, "1")
    log_packs(site, at("1"))
    log_tightened(site, at("1"))
    assert score(site) == Score(), "nothing was read since"
    log_reading(site, at("1"), "6mm n 0", sure=True)
    assert score(site) == Score(1, first, 0), "read out"
    second = chance(site, "1")
    log_reading(site, at("1"), "0 0", sure=True)  # says by itself that the packs went in
    assert score(site) == Score(2, pytest.approx(first + second), 1)
    log_reading(site, at("1"), "0 1mm o")
    assert score(site).packed == 2, "a repeat is no other try"
    log_reading(site, at("2"), "8mm p 6mm h")
    run = site.run("pier", "west")
    own = parse_packs(["prev-house=F21+F3"], run.foot, None, site.box().lots, "mm")
    log_packs(site, at("2"), own)
    log_reading(site, at("2"), "0 0", sure=True)
    assert score(site).packed == 2, "packs of one's own were never promised anything"
    log_reading(site, at("3"), "0 0", Asked(after=True), sure=True)
    assert score(site).packed == 2, "nothing was packed there"


def test_undo_and_a_merge_follow_since_it_is_read_from_the_log(site: Site, tmp_path: Path) -> None:
    log_reading(site, at("1"), "9mm n 5mm o")
    said = chance(site, "1")
    log_reading(site, at("1"), "0 0", sure=True)
    whole = Score(1, said, 1)
    assert score(site) == whole
    with Site.open(tmp_path / "other.db", environment={}) as other:
        import_text(other.journal, export_text(site.journal, "pier"), "pier.jsonl")
        assert other.run("pier", "west").score == whole
    site.undo("pier")
    assert score(site) == Score()
    site.redo("pier")
    assert score(site) == whole
    site.run("pier", "west")
    tighter = {"text": "1:1000", "kind": "ratio", "slope": 1 / 1000}
    site.change_run("pier", "west", tolerance=tighter)
    assert score(site) == whole, "by the limit that it was said for"


def test_every_front_says_the_same(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    for post in "123":
        log_reading(site, at(post), "9mm n 5mm o")
        log_reading(site, at(post), "4mm n 5mm h" if post == "3" else "0 0", sure=True)
    found = score(site)
    assert (found.packed, found.plumb) == (3, 2)
    assert round(found.said) == 2
    words = "Plumb at the first reading after packing: 2 of 3, about 2 expected (too few posts to judge by)"
    figures = statistics(run_record(site.run("pier", "west"), LogStamp(1, "00"), ()))
    record = run_record(site.run("pier", "west"), LogStamp(1, "00"), ())
    assert f"{words}." in statistics_lines(figures, record)
    said = {"packed": 3, "said": pytest.approx(found.said), "plumb": 2}
    assert statistics_json(figures)["score"] == said
    site.close()
    db = ["--db", str(site.journal.path)]
    assert main(["run", "show", "pier/west", *db], Io()) == 0
    assert words in capsys.readouterr().out
    assert main(["run", "show", "pier/west", "--json", *db], Io()) == 0
    assert json.loads(capsys.readouterr().out)["score"] == said


# ---------------------------------------------------------------- how much the site scatters


def learn_from(site: Site, posts: str, then: str) -> None:
    for post in posts:
        log_reading(site, at(post), "9mm n 5mm o")
        log_reading(site, at(post), then, sure=True)


def test_posts_teach_how_much_the_site_scatters_and_the_next_prescription_counts_it(site: Site) -> None:
    log_reading(site, at("4"), "9mm n 5mm o")
    usual = site.post(at("4")).answer
    assert usual is not None
    assert usual.scatter == 1.0
    assert usual.chance is not None
    site.undo("pier")
    learn_from(site, "123", "3mm n 3mm h")
    learned = scatter_of(site, "pier")
    assert learned.posts == 3
    assert 1.15 < learned.factor < 2.5
    log_reading(site, at("4"), "9mm n 5mm o")
    answer = site.post(at("4")).answer
    assert answer is not None
    assert answer.chance is not None
    assert answer.scatter == learned.factor
    assert answer.chance.plumb < usual.chance.plumb, "though it is known by now what packs give"
    assert f"this deck scatters {learned.factor:.1f} x what is usual: allowed for" in answer.cautions
    planned = plan_site_run(site, "pier", "west").prescriptions
    assert [one.scatter for _, one in planned] == [learned.factor]
    site.undo("pier")  # post 4's reading
    site.undo("pier")  # post 3's second
    assert scatter_of(site, "pier").posts == 2, "taken back with the reading that taught it"
    reset(site, "pier")
    assert scatter_of(site, "pier") == SiteScatter()


def test_only_first_packs_teach_it_and_the_command_says_what_is_known(
    site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    learn_from(site, "1", "5mm n 4mm h")
    log_reading(site, at("1"), "0 0", sure=True)
    assert scatter_of(site, "pier").posts == 1, "what stood on packs before says nothing of rough seats"
    site.close()
    db = ["--db", str(site.journal.path)]
    assert main(["job", "takeup", "pier", "--json", *db], Io()) == 0
    reported = json.loads(capsys.readouterr().out)
    assert (reported["scatter_posts"], len(reported["materials"])) == (1, 1)
    assert main(["job", "takeup", "pier", *db], Io()) == 0
    assert f"this deck scatters {reported['scatter']:.1f} x what is usual" in capsys.readouterr().out


# ---------------------------------------------------------------- how the next reading is taken


@pytest.mark.parametrize(("u", "step"), [(0.0005, 12**0.5 * 0.0004), (0.01, 25.4 / 8 / 1000)])
def test_of_a_reading_without_its_marks_they_are_told_from_its_uncertainty(u: float, step: float) -> None:
    """Logged before marks were kept: 0.5 mm is 0.3 of a hand, 0.4 of steps; at most an eighth of an inch."""
    old = Reading("9mm n 5mm o", 0.009, 0.005, 1000.0, "stood", u_along=u, u_across=u)
    assert solving._step_of(old) == pytest.approx(step)


def test_the_next_reading_is_as_fine_as_the_crew_reads(site: Site) -> None:
    log_reading(site, at("1"), "9mm n 5mm o")
    whole = reads_of(site.post(at("1")), site.run("pier", "west"))
    assert whole.step == pytest.approx(0.001)
    log_reading(site, at("2"), "8.5mm n 3mm o")  # 3 mm of whoever reads halves is 3.0
    halves = reads_of(site.post(at("1")), site.run("pier", "west"))
    assert halves.step == pytest.approx(0.0005)
    assert halves == whole.finer
    log_reading(site, at("3"), "9mm n 5mm o")
    asked = [site.post(at(post)).answer for post in "13"]
    assert asked[1].chance.turned > asked[0].chance.turned, "asked before and after it was known"


def test_a_post_read_on_two_faces_is_packed_by_less_and_read_once_after(site: Site) -> None:
    site.add_instrument(Instrument("level-A", "level", length_mm=600.0, accuracy_slope=0.0005))
    log_turned(site, at("1"), "9mm n 5mm o", "8mm n 5mm o", Asked(instrument="level-A"))
    post = site.post(at("1"))
    reads = reads_of(post, site.run("pier", "west"))
    assert post.reading.step_along == pytest.approx(0.0005), "a mean of two falls on half marks"
    assert reads.turned
    assert reads.step == pytest.approx(0.001), "the next one is one reading"
    assert reads.before == (post.reading.u_along, post.reading.u_across)
    assert reads.own_along == pytest.approx(reads.before[0] * 2.0**0.5)
    assert reads.u_along > reads.own_along, "and has the zero's uncertainty"


def test_repeats_make_what_is_changed_by_better_and_not_the_next_reading(site: Site) -> None:
    log_reading(site, at("1"), "9mm n 5mm o")
    log_reading(site, at("1"), "0 3mm o", sure=True)
    log_reading(site, at("1"), "0 3mm o", sure=True)
    log_reading(site, at("1"), "0 2mm o", sure=True)
    post = site.post(at("1"))
    assert post.mean_of == 3
    reads, last = reads_of(post, site.run("pier", "west")), post.readings[-1]
    assert (reads.u_along, reads.own_along, reads.step) == (last.u_along, last.u_own_along, last.step_along)
    shared2 = last.u_across**2 - last.u_own_across**2
    assert reads.before[1] == pytest.approx((post.reading.u_across**2 - shared2) ** 0.5)
    assert reads.before[1] < last.u_own_across
    assert not reads.turned, "the zero is in all of them"


def test_a_reading_at_half_height_does_not_say_how_the_next_is_taken(site: Site) -> None:
    log_reading(site, at("1"), "9mm n 5mm o")
    for _ in range(3):
        log_reading(site, at("1"), "0 3mm o", sure=True)
    log_reading(site, at("1"), "0 1mm o", Asked(mid=True), sure=True)
    post = site.post(at("1"))
    assert post.mean_of == 3
    counted = [one for one, left_out in post.reported if left_out is None]
    assert post.readings[-1].stage == "mid"
    reads = reads_of(post, site.run("pier", "west"))
    assert (reads.u_along, reads.own_along) == (counted[-1].u_along, counted[-1].u_own_along)
