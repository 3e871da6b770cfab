"""Every front says the same of a post: random histories of a small run, told by all that tells of posts.

A history is what crews do: read, half read, pack, cut flush, tighten, move, skip, change options and
settings, fill and empty the box, take back, bring back, merge. Beside it `Post` keeps, without the log, what
somebody who stood there would say of each post. `SHIMFIT_STANDING_HISTORIES=1000` runs the long trial.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import os
import random
import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from shimfit.cli import main
from shimfit.cli.io import Io, words_of
from shimfit.cli.run import post_line, run_json
from shimfit.cli.sheets import rails_json, rails_sections
from shimfit.core.stock import lots_from_csv
from shimfit.errors import UsageError
from shimfit.model import Foot, Lot, PostState
from shimfit.report import tables
from shimfit.report.due import due_json, due_lines, due_list
from shimfit.report.record import WAITS, LogStamp, record_csv, record_json, record_lines, run_record
from shimfit.report.statistics import statistics, statistics_json
from shimfit.report.words import DECISION_WORDS
from shimfit.standing import TWO_MUST_AGREE, standing_json
from shimfit.store.merge import export_text, import_text
from shimfit.text.glyphs import ASCII
from shimfit.text.pictures import strip
from shimfit.tui.plain import run_plain
from shimfit.tui.session import Session
from shimfit.workflow.layout import set_option
from shimfit.workflow.plan import cut_list_of, posts_to_plan
from shimfit.workflow.reading import (
    Asked,
    answer_missing,
    answer_now,
    log_note,
    log_packs,
    log_reading,
    log_skipped,
    log_tightened,
    log_trimmed,
    missing_answers,
)
from shimfit.workflow.runs import rails_of
from shimfit.workflow.site import Place, Site

if TYPE_CHECKING:
    from pathlib import Path

    from shimfit.model import Pack, Prescription
    from shimfit.standing import PostRecord

HISTORIES = int(os.environ.get("SHIMFIT_STANDING_HISTORIES", "80"))
IN_ONE_TEST = 20
BY_COMMAND = 50
"""Every so many histories the command line itself is typed too; what a command answers is checked in all."""
FOUND = (152, 156, 445, 510)
"""Histories beyond the short trial that once found something."""
NAMES = ("1", "2", "3")
BOX = """lot,form,count,thickness_mm
F1,flat,9,0.4
F2,flat,9,0.6
F3,flat,9,1
"""
OPTIONS = (
    ("tolerance", "1:300"), ("tolerance", "1:500"), ("tolerance", "2mm/m"), ("rule", "2u"), ("rule", "95"),
    ("kerf", "3mm"), ("height", "1100mm"), ("height", "1m"), ("layout", "auto"), ("rod", "next=4mm"),
)  # fmt: skip
SETTINGS = (("saw_deg", "1 2"), ("saw_deg", "1"), ("foresight", "no"), ("theme", "dark"))
LEANS = ("8mm n 3mm o", "4mm p 2mm o", "1mm n 1.2mm o", "0.5mm n 0", "0 0", "1.9mm n 0", "25mm n 0")


@dataclass
class Post:
    """One post by what was done at it, in order; nothing here reads the log."""

    read: bool = False
    half: str = ""
    """Direction that a half reading has, while the other is missing."""
    work: set[str] = field(default_factory=set)
    """What was done since it was read."""
    packs: tuple[Pack, ...] = ()
    asked: Prescription | None = None
    """An answer that asks for packs and that nobody has followed, or logged otherwise, yet."""
    skipped: bool = False
    is_done: bool = False
    """Nothing was asked for any more: by another limit or rule it was plumb, or too close to call."""

    def follow(self) -> bool:
        """What is done next at an answered post says that its packs went in."""
        if self.asked is None or self.is_done:
            return False
        self.packs, self.asked = self.asked.packs, None
        return True

    def done(self, what: str) -> None:
        self.work.add(what)
        self.skipped, self.half = False, ""

    def answered(self, answer: Prescription | None) -> None:
        self.asked = None
        if answer is not None and answer.status in ("proven", "found") and (answer.packs or answer.change):
            self.asked = answer


class Trial:
    """One history on a site of its own, and what somebody beside it knows."""

    def __init__(self, folder: Path, number: int) -> None:
        self.chance = random.Random(number)
        self.now = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
        self.site = self.open(folder / f"north{number}.db")
        self.site.add_job("lake")
        rows = [{"name": name, "leg": 1, "station_mm": 1200.0 * int(name)} for name in NAMES]
        self.site.add_run("lake", "walk", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=rows, due_days=30)
        self.site.import_stock(lots_from_csv(BOX, "box"), "box")
        self.other: Site | None = None
        self.other_file = folder / f"south{number}.db"
        self.beside: dict[str, Post] | None = {name: Post() for name in NAMES}
        """None once two crews' logs were merged: then nobody stood by all of it."""
        self.held = Counter(F1=9, F2=9, F3=9)
        """Pieces in the box and under the posts together."""
        self.before: list[dict[str, Post]] = []
        self.back: list[dict[str, Post]] = []

    def open(self, path: Path) -> Site:
        def clock() -> datetime:
            self.now += timedelta(minutes=1)
            return self.now

        return Site.open(path, environment={}, options={"by": path.stem}, clock=clock)

    def close(self) -> None:
        self.site.close()
        if self.other is not None:
            self.other.close()

    def step(self) -> None:
        do = self.chance.choice(
            ["read"] * 6 + ["repeat"] * 2 + ["half"] * 2 + ["pack", "pack_own", "trim", "trim", "tighten"]
            + ["bed", "mid", "skip", "note", "move", "option", "setting", "fill", "empty", "merge"]
            + ["undo", "undo", "redo"]
        )  # fmt: skip
        getattr(self, do)(self.chance.choice(NAMES))

    def logged(self, post: str) -> Post:
        """What is known beside the post that something new is done at."""
        if self.beside is None:
            return Post()
        self.before.append(copy.deepcopy(self.beside))
        self.back.clear()
        known = self.beside[post]
        known.is_done = self.site.post(at(post)).decision in ("plumb", "too-close")
        return known

    def type(self, post: str, text: str, asked: Asked | None = None) -> None:
        known = self.logged(post)
        said = log_reading(self.site, at(post), text, asked or Asked(), sure=True)
        along, across = said.reading.slope_along is not None, said.reading.slope_across is not None
        known.skipped = False
        if asked is not None and asked.bed:
            known.packs, known.asked, known.half = (), None, ""
        whole = (along and across) or known.half == ("across" if along else "along")
        if whole:
            known.follow()
            known.read, known.half, known.work = True, "", set()
            known.answered(said.post.answer)
        else:
            known.read, known.half, known.work = False, "along" if along else "across", set()

    def read(self, post: str) -> None:
        self.type(post, self.chance.choice(LEANS))

    def repeat(self, post: str) -> None:
        readings = self.site.post(at(post)).readings
        texts = [one.text for one in readings if one.stage != "mid"] or ["0 0"]
        self.type(post, texts[-1])

    def half(self, post: str) -> None:
        self.type(post, self.chance.choice(("4mm n", "1mm n", "2mm o", "0.5mm o")))

    def bed(self, post: str) -> None:
        self.type(post, self.chance.choice(LEANS), Asked(bed=True))

    def mid(self, post: str) -> None:
        self.logged(post)
        log_reading(self.site, at(post), "1mm n 0", Asked(mid=True), sure=True)

    def pack(self, post: str) -> None:
        try:
            answer = answer_now(self.site, at(post))
            log_packs(self.site, at(post))
        except UsageError:
            return
        known = self.logged(post)
        assert answer is not None
        known.packs, known.asked = answer.packs, None
        known.done("packed")

    def pack_own(self, post: str) -> None:
        from shimfit.workflow.packs import parse_packs

        lots = self.site.box().lots
        flats = [lot.lot for lot in lots if lot.count]
        if not flats:
            return
        packs = parse_packs([f"next-out={self.chance.choice(flats)}"], Foot(90.0, 90.0), None, lots, "mm")
        known = self.logged(post)
        log_packs(self.site, at(post), packs)
        known.packs, known.asked = tuple(packs), None
        known.done("packed")

    def trim(self, post: str) -> None:
        stands = self.site.post(at(post))
        if not (stands.packs_in_place or stands.implied):
            with pytest.raises(UsageError, match="none to cut flush"):
                log_trimmed(self.site, at(post))
            return
        known = self.logged(post)
        log_trimmed(self.site, at(post))
        known.follow()
        if known.packs:
            known.done("cut flush")

    def tighten(self, post: str) -> None:
        known = self.logged(post)
        log_tightened(self.site, at(post))
        known.follow()
        known.done("tightened")

    def skip(self, post: str) -> None:
        self.logged(post).skipped = True
        log_skipped(self.site, at(post), "wet")

    def note(self, post: str) -> None:
        self.logged(post)
        log_note(self.site, at(post), "knot")

    def move(self, post: str) -> None:
        station_mm = 1200.0 * int(post) + self.chance.choice((-40.0, 25.0, 50.0))
        moves = station_mm != self.site.post(at(post)).station_mm
        known = self.logged(post)
        self.site.append(self.site.draft(at(post), "post-moved", {"station_mm": station_mm}))
        if moves and self.site.post(at(post)).readings:
            verified = self.site.post(at(post)).changed is not None
            if known.packs or known.work or verified:
                known.done("moved")
            else:
                known.read, known.half, known.asked = False, "", None

    def option(self, post: str) -> None:
        """Tolerance, rule, saw and height are the run's: what is changed there holds for every answer."""
        self.logged(post)
        name, text = self.chance.choice(OPTIONS)
        set_option(self.site, "lake", "walk", name, text)
        self.ask()

    def setting(self, _: str) -> None:
        self.site.set(*self.chance.choice(SETTINGS))
        self.ask()

    def fill(self, _: str) -> None:
        self.site.add_stock(Lot("F4", "flat", 3, thickness_mm=1.6))
        self.held["F4"] += 3
        self.ask()

    def empty(self, _: str) -> None:
        lots = self.site.box().lots
        if lots:
            lot = self.chance.choice(lots)
            self.site.out_of(lot.lot)
            self.held[lot.lot] -= lot.count
            self.ask()
            for post in self.site.run("lake", "walk").posts:
                used = {piece.lot for pack in post.awaited or () for piece in pack.pieces}
                there = {piece.lot for pack in post.packs_in_place for piece in pack.pieces}
                assert lot.lot not in used - there, "nothing is asked for that was thrown out"
        self.ask()

    def ask(self) -> None:
        """What every front does after such a change: posts whose answer is none any more get another."""
        answer_missing(self.site)
        assert missing_answers(self.site) == [], "asked once, nothing is missing"
        for name, known in (self.beside or {}).items():
            answer = self.site.post(at(name)).answer
            if answer is not None:  # what is told now is what will be followed
                known.answered(answer)

    def undo(self, _: str) -> None:
        if not self.before:
            return
        self.site.undo("lake")
        if self.beside is not None:
            self.back.append(self.beside)
            self.beside = self.before.pop()
        self.ask()

    def redo(self, _: str) -> None:
        if not self.back:
            return
        self.site.redo("lake")
        if self.beside is not None:
            self.before.append(self.beside)
            self.beside = self.back.pop()
            # An answer goes away with its reading, and is given anew when somebody asks.
            for name, known in self.beside.items():
                known.answered(answer_now(self.site, at(name))) if known.asked is not None else None
        self.ask()

    def merge(self, post: str) -> None:
        if self.chance.random() < 0.6:
            return
        if self.other is None:
            self.other = self.open(self.other_file)
        import_text(self.other.journal, export_text(self.site.journal, "lake"), "north.jsonl")
        if self.chance.random() < 0.7:
            log_reading(self.other, at(post), self.chance.choice(LEANS), sure=True)
            self.read(self.chance.choice(NAMES))
            self.beside, self.before, self.back = None, [], []
            import_text(self.site.journal, export_text(self.other.journal, "lake"), "south.jsonl")


def at(post: str) -> Place:
    return Place("lake", "walk", post)


# ---------------------------------------------------------------- what each front says


def check(trial: Trial, *, by_command: bool) -> None:
    site = trial.site
    run = site.run("lake", "walk")
    posts = {post.name: post for post in run.posts}
    record = run_record(run, LogStamp(*site.journal.head), site.box())
    if trial.beside is not None:
        beside_agrees(trial, posts)
    said = {row["post"]: row for row in json.loads(json.dumps(record_json(record)))["posts"]}
    cells = {row["post"]: row for row in csv.DictReader(io.StringIO(record_csv(record)))}
    paper = "\n".join(record_lines(record, 200, all_readings=True))
    for name, post in posts.items():
        on_paper(post, said[name], cells[name], paper)
    counts = Counter(row["decision"] for row in said.values())
    figures = statistics_json(statistics(record))
    assert (figures["plumb"], figures["verified"]) == (counts["plumb"], 3 - counts["none"])
    assert figures["out"] == sum(row["stands"] == "out" for row in said.values())
    assert figures["first_try"] <= counts["plumb"]
    assert f"Result: {counts['plumb']} of 3 posts proven plumb" in paper
    figured_out(record_json(record), figures, run.tally)
    going_back(record, posts, trial.now)
    answered(site, posts, said)
    on_screen(site, posts)
    planned_and_cut(site, posts)
    if by_command:
        commands(site, posts)


def on_paper(post: PostRecord, said: dict[str, Any], cells: dict[str, str], paper: str) -> None:
    facts = (str(post.state), post.decision, post.stands, post.next_step, post.why)
    assert (said["state"], said["decision"], said["stands"], said["next"], said["why"]) == facts
    assert (cells["state"], cells["decision"], cells["stands"], cells["next"], cells["why"]) == facts
    assert [pack["seat"] for pack in said["packs"]] == [pack.seat for pack in post.packs_in_place]
    assert len(cells["packs"].split("; ")) == max(1, len(post.packs_in_place))
    assert said["mean_of"] == (post.mean_of if post.counts else 0)
    assert cells["mean_of"] == (str(post.mean_of) if post.counts else "")
    counted = [one["text"] for one in said["all_readings"] if one["counts"]]
    assert len(said["all_readings"]) == len(post.readings)
    if post.counts is not None:
        assert "; ".join(counted) == post.counts.text, "what counts is the mean of what is said to count"
    else:
        assert counted == [], "nothing counts once it was changed, skipped or in conflict"
    assert (said["after"] is None) == (cells["after_text"] == "") == (post.decision == "none")
    row = next(line for line in paper.splitlines() if line.split()[:1] == [post.name])
    waits = WAITS[post.next_step] or str(post.state)
    assert (DECISION_WORDS[post.stands] if post.stands != "none" else waits) in row
    if post.decision != "plumb":
        assert "proven plumb" not in row
    if post.counts is not None and post.mean_of > 1:
        assert f"mean of {post.mean_of}" in paper
        assert f"mean of {post.mean_of}" in cells["notes"]


def figured_out(record: dict[str, Any], figures: dict[str, Any], tally: Counter[str]) -> None:
    """Statistics from nothing but the record's own rows."""
    verified = [row for row in record["posts"] if row["decision"] != "none"]
    first = [row for row in verified if row["decision"] == "plumb"
             and (row["rounds"] <= 1 or row["history"][0]["decision"] == "plumb")]  # fmt: skip
    assert figures["first_try"] == len(first)
    rounds = [row["rounds"] for row in verified]
    assert figures["rounds_mean"] == (pytest.approx(sum(rounds) / len(rounds)) if rounds else None)
    assert sum(one["count"] for one in figures["histogram"]) == len(verified)
    assert tally == Counter(row["stands"] for row in record["posts"])


def going_back(record: Any, posts: dict[str, PostRecord], now: datetime) -> None:
    rows = due_list(record.run, now)
    reported = due_json(record.run, rows)
    ever = {row["post"]: row for row in record_json(record)["posts"]}
    plumb = {name for name, row in ever.items() if any(one["decision"] == "plumb" for one in row["history"])}
    assert {row["post"] for row in reported["due"]} == plumb
    assert {row["post"] for row in reported["not_handed_over"]} == set(posts) - plumb
    lines = "\n".join(due_lines(record.run, rows))
    for row in reported["due"]:
        post = posts[row["post"]]
        assert row["state"] == str(post.state)
        assert row["handed_over"] == (post.stands != "out")
        assert f"post {post.name}: due" in lines.lower()
        assert row["handed_over"] or "was plumb" in lines
        read = datetime.fromisoformat(ever[post.name]["history"][-1]["time"])
        assert datetime.fromisoformat(row["due"]) == read + timedelta(days=30)
        assert row["is_due"] == (now >= read + timedelta(days=30))


DOES = {
    "read": "How far is", "read other way": "Read the other", "pack": "Pack",
    "change packs": "Change",
    "tighten": ("Tighten", "Within"), "turn level": ("Read again, the level", "Too close to call"),
    "no pack": ("No", "This box can't"), "ask": "No answer",
    "read again": ("Read", "Cut", "How far"), "none": ("Plumb", "Skipped"),
}  # fmt: skip
"""How the sentence on screen begins for each next step."""


def on_screen(site: Site, posts: dict[str, PostRecord]) -> None:
    session = Session(site, ASCII)
    typed = "open lake/walk\nrun\n" + "".join(f"go {name}\n" for name in posts) + "q\n"
    printed = io.StringIO()
    run_plain(site, stdin=io.StringIO(typed), stdout=printed, ascii=True)
    text = printed.getvalue()
    for here, name in enumerate(posts):
        signs = [ASCII.states[post.state] for post in posts.values()]
        signs[here] = ASCII.here
        states = [post.state for post in posts.values()]
        assert strip(states, here, glyphs=ASCII, width=40).text().rstrip() == "".join(signs), name
    for name, post in posts.items():
        session.go(at(name))
        view = session.view
        assert view is not None
        assert (view.state, view.word) == (post.state, post.state.value)
        assert view.do.startswith(DOES[post.next_step]), (view.do, post.next_step)
        assert f"post {name}: {post.state}" in text
        assert re.search(rf"post {name}, \d of 3: {re.escape(post.state.value)}\.", text)
        assert view.do.rstrip(".?!") in text
        going_in = () if post.going_in is None else post.going_in.packs
        assert {line.seat for line in view.packs} >= {pack.seat for pack in going_in}
        if post.going_in is None:
            assert view.packs == ()
        if post.next_step == "turn level":
            turns = any("end for end" in remark for remark in view.remarks)
            assert view.do.startswith("Read again, the level turned") == turns
        if post.decision == "plumb" or post.next_step == "turn level":
            assert "packed" not in view.result
            assert view.packs == (), "nothing is to be put in"
        if post.changed is not None:
            assert " now" not in view.result
            row = re.search(rf"^  post {name}: .*$", text, re.MULTILINE)
            assert row is not None
            assert post.reading is None or ", was " in row[0]
            assert "leans" not in view.lean, "that is how it stood before it was changed"
        if post.counts is not None and post.mean_of > 1:
            assert f"mean of {post.mean_of}" in view.result
            assert f"mean of {post.mean_of}" in text
        if post.counts is not None and post.contradicted:
            said = TWO_MUST_AGREE if post.is_contradicted else "left out"
            assert any(said in remark for remark in view.remarks)
            assert ("contradict each other" if post.is_contradicted else "left out: ") in text


def planned_and_cut(site: Site, posts: dict[str, PostRecord]) -> None:
    for one in posts_to_plan(site.run("lake", "walk")):
        post = posts[one.name]
        assert post.counts is not None
        assert (post.counts.lean, post.packs_in_place) == (one.lean, ())
        assert post.decision in ("none", "out")
    try:
        sheet = cut_list_of(site, "lake", "walk")
    except UsageError:
        return
    for row in sheet["posts"]:
        assert posts[row["id"]].next_step == "pack"
    for name in sheet["unsolved"]:
        assert posts[name].next_step == "no pack"


KEYS = ("state", "decision", "probability", "stands", "next", "why", "changed", "mean_of")


def answered(site: Site, posts: dict[str, PostRecord], said: dict[str, dict[str, Any]]) -> None:
    """What `run show`, `rails` and every command at a post answer; said: rows of the record."""
    run = site.run("lake", "walk")
    words = words_of(run, site.settings)
    for row in json.loads(json.dumps(run_json(run)))["posts"]:
        post, line = posts[row["post"]], post_line(posts[row["post"]], words)
        assert {key: row[key] for key in KEYS} == {key: said[post.name][key] for key in KEYS}
        assert {key: row[key] for key in KEYS} == standing_json(post)
        assert row["packs_in_place"] == said[post.name]["packs"]
        assert [pack["seat"] for pack in row["prescribed"]] == [
            pack.seat for pack in (post.answer.packs if post.answer else ())
        ]
        assert re.search(rf"^ +{post.name} .* {post.state}\b", line)
        assert (" was " in line) == (post.changed is not None and post.reading is not None)
    rails = rails_of(run, [900.0], limit_mm=1100.0)
    reported = json.loads(json.dumps(rails_json("lake", "walk", rails)))
    lines = "\n".join(tables.lines(rails_sections(rails, run.faces, run.units)))
    ends = {(row["from"], row["to"]): row for row in reported["rails"]}
    for row in reported["posts"]:
        post = posts[row["post"]]
        assert (row["decision"], row["lean"] == "verified") == (post.decision, post.decision != "none")
        assert re.search(rf"^lean {post.lean_known}: post .*\b{post.name}\b", lines, re.MULTILINE)
    for one, other in pairwise(posts.values()):
        to_verify = [post.name for post in (one, other) if said[post.name]["decision"] != "plumb"]
        known = one.lean_now[0] is not None and other.lean_now[0] is not None
        assert ((one.name, other.name) in ends) == known
        if known:
            assert ends[one.name, other.name]["to_verify"] == to_verify
            assert ("do not cut yet" in lines) or not to_verify


def commands(site: Site, posts: dict[str, PostRecord]) -> None:
    """The command line itself says what the functions above say."""

    def run(*words: str) -> str:
        out, err = io.StringIO(), io.StringIO()
        code = main([*words, "--db", str(site.journal.path)], Io(out, err))
        assert code in (0, 1), err.getvalue()
        return out.getvalue()

    state, words = site.run("lake", "walk"), words_of(site.run("lake", "walk"), site.settings)
    shown = json.loads(run("run", "show", "lake/walk", "--json"))["posts"]
    assert shown == json.loads(json.dumps(run_json(state)))["posts"]
    listed = run("run", "show", "lake/walk")
    assert all(post_line(post, words) in listed for post in posts.values())
    record = run_record(state, LogStamp(*site.journal.head), site.box())
    assert (
        json.loads(run("record", "lake/walk", "--json"))["posts"]
        == json.loads(json.dumps(record_json(record)))["posts"]
    )
    rails = json.loads(run("rails", "lake/walk", "--at", "900mm", "--json"))
    assert rails["posts"] == rails_json("lake", "walk", rails_of(state, [900.0]))["posts"]


def beside_agrees(trial: Trial, posts: dict[str, PostRecord]) -> None:
    """The log against what somebody saw who stood beside it."""
    assert trial.beside is not None
    for name, known in trial.beside.items():
        post = posts[name]
        if known.skipped:
            assert post.state is PostState.SKIPPED
        elif known.work:
            assert post.state is PostState.TIGHTEN
            assert set(re.split(r", | and ", post.changed or "")) >= known.work
        elif known.half:
            assert post.state is PostState.HALF_READ
        elif not known.read:
            assert post.state is PostState.TO_READ
        else:
            assert post.counts is not None
        if known.skipped or known.work or not known.read:
            assert (post.decision, post.probability, post.answer) == ("none", None, None)
        assert post.packs_in_place == known.packs
    held = Counter({lot.lot: lot.count for lot in trial.site.box().lots})
    for post in posts.values():
        held.update(piece.lot for pack in post.packs_in_place for piece in pack.pieces)
    # Who skips a post, throws its pieces out and goes on with it all the same is told that the box is short.
    held.subtract(dict(trial.site.box().short))
    assert +held == +trial.held, "a piece is in the box or under a post"


@pytest.mark.parametrize("first", range(0, HISTORIES, IN_ONE_TEST))
def test_every_front_says_the_same_of_a_post(tmp_path: Path, first: int) -> None:
    for number in (*range(first, first + IN_ONE_TEST), *(FOUND if first == 0 else ())):
        trial = Trial(tmp_path, number)
        try:
            for _ in range(trial.chance.randint(4, 12)):
                trial.step()
            check(trial, by_command=number % BY_COMMAND == 0)
        except AssertionError as error:
            raise AssertionError(f"history {number}: {error}") from error
        finally:
            trial.close()
