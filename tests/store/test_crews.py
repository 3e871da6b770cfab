"""Crews that log apart and merge: every file that holds what they did says the same of it, and nothing more.

Random histories of three crews on one job, with exchanges of whole, partial and cut exports and clocks that
are up to 48 hours wrong. What each crew knew is worked out here from the order of events in its own file,
which the product never looks at. `SHIMFIT_HISTORIES=1000` runs the long trial.
"""

from __future__ import annotations

import os
import random
import re
from collections import Counter
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import combinations, permutations

import pytest

from shimfit import codec
from shimfit.errors import FileError
from shimfit.model import Lot, PostState
from shimfit.standing import Here
from shimfit.store.box import BoxFold
from shimfit.store.events import canonical, microseconds
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.history import voided
from shimfit.store.journal import Journal, Snapshot
from shimfit.store.merge import export_text, import_text, line_of, what_was_seen

HISTORIES = int(os.environ.get("SHIMFIT_HISTORIES", "8"))
TRUE_TIME = datetime.fromisoformat("2026-05-04T08:00:00+02:00")
WORK = {"reading", "packed", "tightened", "trimmed", "skipped", "post-moved", "post-removed"}
OPTIONS = ({"height_mm": 900.0}, {"height_mm": 1000.0}, {"kerf_mm": 3.0}, {"kerf_mm": None}, {"rule": "2u"})
NAMES = ("north", "south", "dock")


class Site:
    """Three crews, a true time that goes on, and what went wrong or was refused on the way."""

    def __init__(self, make, folder, number, make_answer, packs) -> None:
        self.chance = random.Random(number)
        self.now = TRUE_TIME
        self.make, self.folder, self.answer, self.packs = make, folder, make_answer, packs
        self.seen = Counter()
        self.wrong = {name: timedelta(hours=self.chance.uniform(-48, 48)) for name in NAMES}
        self.crews = {name: self.open(name, self.wrong[name]) for name in NAMES}

    def open(self, name, off=timedelta()):
        def clock():
            self.now += timedelta(seconds=self.chance.choice((1, 1, 60, 3600)))
            return self.now + off

        return self.make(name, path=self.folder / f"{name}.db", clock=clock)

    def go(self, steps):
        self.crews["north"].lay_out(2)
        for _ in range(steps):
            crew = self.crews[self.chance.choice(NAMES)]
            if self.chance.random() < 0.22 or (not crew.journal.jobs() and self.chance.random() < 0.5):
                self.exchange(crew)
            else:
                self.work(crew)
            if self.chance.random() < 0.02:
                self.wrong[crew.by] = timedelta(hours=self.chance.uniform(-48, 48))

    def exchange(self, receiver):
        sender = self.crews[self.chance.choice([name for name in NAMES if name != receiver.by])]
        job = "jetty" if sender.journal.jobs() and self.chance.random() < 0.4 else None
        text = export_text(sender.journal, job)
        if self.chance.random() < 0.3:
            lines = text.splitlines(keepends=True)
            text = "".join(lines[: self.chance.randint(0, len(lines))])
        self.take_in(receiver, text)

    def take_in(self, receiver, text):
        before = receiver.journal.head
        refusal = refused(receiver.journal, text)
        if refusal is not None:
            assert "24 h ahead" in refusal.message
            assert receiver.journal.head == before
            event = receiver.journal.append("setting", {"key": "by", "value": receiver.by})
            assert event.seq == before[0] + 1
            ahead = datetime.fromtimestamp(event.stamp / 1e6, TRUE_TIME.tzinfo) - self.now
            assert ahead < timedelta(hours=73), "the clock is as it was"

    def work(self, crew):
        if not any(job.runs for job in crew.journal.jobs()):
            if self.chance.random() < 0.1:
                crew.lay_out(2, height_mm=self.chance.choice((1000.0, 1100.0)))
            return
        posts = [post.name for post in crew.run().posts]
        post = self.chance.choice([*posts, "1"])
        lean = self.chance.choice((0.0001, 0.004, 0.009))
        match self.chance.choice(
            ["read"] * 6
            + ["answer"] * 4
            + ["pack"] * 3
            + ["tighten", "undo", "undo", "redo", "note", "stock"]
            + ["trim", "skip", "move", "remove", "again", "mid", "change", "bed", "taken"]
        ):
            case "read":
                crew.read(post, lean, stage=self.chance.choice(("stood", "stood", "verify")))
            case "bed" | "mid" as stage:
                crew.read(post, lean, stage=stage)
            case "answer":
                status = self.chance.choice(("proven", "proven", "impossible"))
                crew.prescribe(post, (self.chance.choice(self.packs),), status=status)
            case "pack":
                crew.pack(post, self.chance.choice(self.packs))
            case "tighten":
                crew.log("tightened", {}, post=post)
            case "trim":
                crew.log("trimmed", {}, post=post)
            case "skip":
                crew.log("skipped", {"why": "wet"}, post=post)
            case "note":
                crew.log("noted", {"text": f"by {crew.by}"}, post=post)
            case "move":
                crew.log("post-moved", {"station_mm": self.chance.choice((1150.0, 1250.0))}, post=post)
            case "remove":
                crew.log("post-removed", {}, post=post)
            case "again" if post not in posts:
                row = {"name": post, "leg": 1, "station_mm": self.chance.choice((1200.0, 1300.0))}
                crew.log("post-added", row, post=post)
            case "change":
                crew.log("run-changed", self.chance.choice(OPTIONS))
            case "undo":
                crew.journal.undo("jetty")
            case "redo":
                crew.journal.redo("jetty")
            case "stock":
                lot = {
                    "lot": self.chance.choice(("F2", "F3")),
                    "form": "flat",
                    "count": 2,
                    "thickness_mm": 2.0,
                }
                crew.journal.append("stock-added", lot)
            case "taken":
                crew.log("taken", {"used": [{"lot": "F2", "count": 1}], "back": []}, post=post)


def refused(journal, text):
    """The FileError that an import raises, or None."""
    try:
        import_text(journal, text, "their.jsonl")
    except FileError as error:
        return error
    return None


def said(journal):
    """Everything that a file says of its job and box, to the byte, but for places in the file itself."""

    def plain(run):
        posts, removed = (
            tuple(replace(post, last_seq=0) for post in group) for group in (run.posts, run.removed)
        )
        return replace(run, posts=posts, removed=removed)

    jobs = [replace(job, last_seq=0) for job in journal.jobs()]
    runs = [plain(journal.run(job.name, run)) for job in jobs for run in job.runs]
    # Where the same box and settings are at hand, the same answers are missing.
    here = Here("", {}, (Lot("F2", "flat", 2, thickness_mm=2.0),))
    asks = [post.asks_again(here) for run in runs for post in run.posts]
    return re.sub(r"event \d+ ", "event ", repr((jobs, runs, asks)))


def box_of(journal):
    box = journal.box()
    return repr((box.lots, box.used_up, box.short))


@pytest.mark.parametrize("number", range(HISTORIES))
def test_a_history_of_three_crews(crew, tmp_path, make_answer, packs, number):
    site = Site(crew, tmp_path, number, make_answer, packs[:2])
    site.go(site.chance.randint(10, 60))
    site.now += timedelta(days=5)
    own = {name: list(one.journal.events()) for name, one in site.crews.items()}
    texts = [export_text(one.journal) for one in site.crews.values()]

    answers, boxes = set(), set()
    for turn, order in enumerate(permutations(range(3))):
        name = "".join(map(str, order))
        receiver = site.open(name)
        for which in order:
            import_text(receiver.journal, texts[which], "their.jsonl")
        answers.add(said(receiver.journal))
        boxes.add(box_of(receiver.journal))
        if turn == number % 6:  # another order in each history: they come to the same
            head = receiver.journal.head
            for text in texts:
                assert import_text(receiver.journal, text, "their.jsonl").new == 0
            assert receiver.journal.head == head, "merging again changes nothing"
            assert receiver.journal.verify() is None
        receiver.journal.close()
        if turn == number % 6:
            with Journal.open(tmp_path / f"{name}.db", read_only=True) as again:
                answers.add(said(again))
                nothing_made_up(again, own)
                assert not any(event.kind == "setting" for event in again.events())
    for name, one in site.crews.items():
        site.wrong[name] = timedelta()
        one.journal.close()
        with Journal.open(tmp_path / f"{name}.db", clock=lambda: site.now) as journal:
            for text in texts:
                import_text(journal, text, "their.jsonl")
            answers.add(said(journal))
    assert len(answers) == 1, first_difference(*sorted(answers)[:2])
    assert len(boxes) == 1, boxes


@pytest.mark.parametrize("number", range(1000, 1000 + HISTORIES // 2))
def test_crews_that_send_to_each_other_settle_and_agree(crew, tmp_path, make_answer, packs, number):
    site = Site(crew, tmp_path, number, make_answer, packs[:2])
    site.go(site.chance.randint(10, 50))
    site.now += timedelta(days=5)
    for one in site.crews.values():
        one.journal.close()
    files = [site.open(name).journal for name in NAMES]
    heads, before = [one.head for one in files], None
    for _ in range(6):
        pairs = list(permutations(files, 2))
        site.chance.shuffle(pairs)
        for sender, receiver in pairs:
            import_text(receiver, export_text(sender), "their.jsonl")
        heads, before = [one.head for one in files], heads
    assert heads == before, "what one brings back or notes does not go round for ever"
    assert len({said(one) for one in files}) == 1
    assert [one.verify() for one in files] == [None] * 3


def everything(journal):
    """All that a file says, places and all, and the box piece by piece."""
    jobs = journal.jobs()
    box = journal.box()
    runs = [journal.run(job.name, run) for job in jobs for run in job.runs]
    return repr((jobs, runs, box, box.stock.to_rows()))


@pytest.fixture
def site(request, crew, tmp_path, make_answer, packs):
    return Site(crew, tmp_path, request.param, make_answer, packs[:2])


# 18: three crews who had seen like much; whose history came first hung on who had asked.
@pytest.mark.parametrize("site", sorted({*range(HISTORIES), 18}), indirect=True)
def test_from_a_snapshot_is_the_same_as_from_the_whole_log(site, monkeypatch):
    """Closed and opened again at any moment of a history with undo, redo and merges, to the byte."""
    monkeypatch.setattr("shimfit.store.journal.LAG", 4)
    monkeypatch.setattr("shimfit.store.box._HALF", 3)
    taken_up = Counter()
    for fold in (RunFold, BoxFold):
        of = fold.from_snapshot
        monkeypatch.setattr(
            fold, "from_snapshot", lambda *kept, of=of: taken_up.update([of.__self__.__name__]) or of(*kept)
        )
    site.crews["north"].lay_out(2)
    for _ in range(60):
        name = site.chance.choice(NAMES)
        (site.exchange if site.chance.random() < 0.08 else site.work)(site.crews[name])
        if site.chance.random() < 0.4:
            everything(site.crews[name].journal)
            site.crews[name].journal.close()
            site.crews[name] = site.open(name, site.wrong[name])
        if site.chance.random() < 0.3:
            assert_as_from_the_whole_log(site.crews[name].journal, monkeypatch)
    for one in site.crews.values():
        assert_as_from_the_whole_log(one.journal, monkeypatch)
        one.journal.close()
    assert taken_up["RunFold"]
    assert taken_up["BoxFold"]


def assert_as_from_the_whole_log(journal, monkeypatch):
    found = everything(journal)
    with monkeypatch.context() as without:
        without.setattr(Snapshot, "find", lambda *_: None)
        without.setattr(Snapshot, "write", lambda *_: None)
        with Journal.open(journal.path, read_only=True) as whole:
            anew = everything(whole)
    assert found == anew, first_difference(found, anew)


def first_difference(one, other):
    at = next(at for at, (here, there) in enumerate(zip(one, other, strict=False)) if here != there)
    return f"{one[max(0, at - 300) : at + 200]}\n  but\n{other[max(0, at - 100) : at + 200]}"


def nothing_made_up(journal, own):
    """Each fact of the merged state against what each crew's own file holds, in its own order."""
    knew = {}
    ids = {}
    for name, events in own.items():
        log = next((event.log for event in events if event.origin is None), name)
        known = set()
        for event in events:
            if event.log == log:
                knew[event.id] = frozenset(known)
            known.add(event.id)
            ids[event.id] = event
    if not any(job.runs for job in journal.jobs()):
        return
    run = journal.run("jetty", "east")
    all_ = list(journal.events("jetty"))
    void = voided([(event.step, event.data["of"]) for event in all_ if event.kind == "undone"])
    stands = [event for event in all_ if event.run == "east" and event.step not in void]
    at = lambda post, *kinds: [e for e in stands if e.post == post and e.kind in kinds]  # noqa: E731
    for post in (*run.posts, *run.removed):
        work = [e for e in at(post.name, *WORK) if e.data.get("stage") != "mid"]
        unsettled = [
            (one, other)
            for one, other in combinations(work, 2)
            if one.log != other.log
            and one.id not in knew[other.id]
            and other.id not in knew[one.id]
            and not any(
                {one.id, other.id} <= knew[event.id] for event in work if event.kind in ("packed", "reading")
            )
        ]
        undone = [
            (undo, one)
            for undo in all_
            if undo.kind == "undone"
            for step in all_
            if step.step == undo.data["of"] and step.post == post.name
            if step.kind in WORK | {"prescribed", "post-added"}
            for one in all_
            if one.post == post.name
            and one.kind in WORK
            and one.data.get("stage") != "mid"
            and one.log != undo.log
            and step.id in knew[one.id]
            and one.id not in knew[undo.id]
            and undo.id not in knew[one.id]
            and not any(
                {one.id, undo.id} <= knew[event.id] for event in work if event.kind in ("packed", "reading")
            )
        ]
        single = len({event.id for event in at(post.name, "post-added")}) == 1
        if post.conflict is None:
            assert not (single and unsettled), (post.name, unsettled[:1])
            assert not (single and undone), (post.name, undone[:1])
        else:
            assert post.verdict is None
            assert post.reading is None
            assert post.state in (PostState.TO_READ, PostState.SKIPPED)
            assert unsettled or undone or post.packs_in_conflict or not single, post.conflict
        if post.packs_in_place:
            assert any(is_said(post, event, stands, knew) for event in work), "packs that no log holds"
        if post.after is not None:
            logged = ids[post.after.event]
            known = knew[logged.id]
            assert logged.data["stage"] in ("verify", "rails-on") or any(
                event.id in known for event in at(post.name, "packed", "tightened", "prescribed")
            ), "a bare post that is verified"


def is_said(post, event, stands, knew):
    """Whether an event says, by itself or by following an answer that its crew had, what stands at a post."""
    rows = [codec.to_json(pack) for pack in post.packs_in_place]
    if event.kind == "packed":
        return event.data["packs"] == rows
    if event.kind not in ("reading", "tightened", "trimmed"):
        return False
    return any(
        answer.id in knew[event.id] and answer.data["answer"]["packs"] == rows
        for answer in stands
        if answer.kind == "prescribed" and answer.post == post.name
    )


# ---------------------------------------------------------------- one thing at a time


@pytest.fixture
def two(crew):
    """Two crews on one job that have seen each other's layout."""
    north, south = crew("north").lay_out(), crew("south")
    send(north, south)
    south.clock.set("2026-05-04T09:00:00+02:00")
    return north, south


def send(sender, receiver, **more):
    return import_text(receiver.journal, export_text(sender.journal), "their.jsonl", **more)


def test_a_second_reading_of_a_bare_post_by_a_crew_that_knew_of_none_verifies_and_packs_nothing(two):
    north, south = two
    north.read("1", 0.009)
    north.prescribe("1")
    south.read("1", 0.0001)
    send(south, north)
    post = north.post("1")
    assert (post.state, post.verdict, post.packs_in_place, post.rounds) == (PostState.TO_READ, None, (), 0)
    assert post.conflict.startswith(
        "crews worked here that did not know of each other: read it again. north read"
    )
    assert [reading.slope_along for reading in post.readings] == [0.009, 0.0001]
    north.read("1", 0.008)
    post = north.post("1")
    assert (post.state, post.conflict, post.packs_in_place) == (PostState.PACK, None, ())


def test_what_one_crew_packed_is_there_when_the_other_only_read(two, packs):
    north, south = two
    north.read("1", 0.009)
    north.pack("1", packs[0])
    south.read("1", 0.009)
    send(north, south)
    south.read("1", 0.0001)
    post = south.post("1")
    assert (post.state, post.conflict, post.packs_in_place) == (PostState.PLUMB, None, (packs[0],))
    assert len(post.readings) == 3


def test_a_crew_that_has_seen_the_other_goes_on_from_there(two):
    north, south = two
    north.read("1", 0.009)
    north.prescribe("1")
    send(north, south)
    south.read("1", 0.0001)
    send(south, north)
    assert north.post("1").conflict is None
    assert north.post("1").state is PostState.PLUMB, "a reading after an answer says that it was followed"


def test_a_stamp_far_ahead_is_refused_by_name_and_changes_nothing(two):
    north, south = two
    south.clock.set("2026-05-05T08:30:00+02:00")
    south.log("noted", {"text": "from tomorrow"}, post="1")
    before = north.journal.head
    error = refused(north.journal, export_text(south.journal))
    assert "noted of 2026-05-05T08:30:01" in error.message
    assert "more than 24 h ahead of this machine's clock" in error.message
    assert north.journal.head == before
    event = north.log("noted", {"text": "goes on"}, post="1")
    assert event.stamp <= microseconds(event.time)
    north.clock.set("2026-05-04T08:31:00+02:00")
    assert send(south, north).new == 2


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_two_boxes_are_poured_into_an_empty_one_in_any_order(crew, order):
    flat = {"form": "flat", "count": 4, "thickness_mm": 2.0}
    senders = [crew("north").lay_out(), crew("south")]
    for one, lot in zip(senders, ("A1", "B1"), strict=True):
        one.journal.append("stock-added", {**flat, "lot": lot})
    send(senders[1], senders[0])
    receiver = crew("office")
    for turn in order:
        send(senders[turn], receiver)
    assert {lot.lot for lot in receiver.journal.box().lots} == {"A1", "B1"}
    assert not send(senders[1], receiver).box_joined


def test_one_job_brings_no_box_along(crew):
    north, south = crew("north").lay_out(), crew("south")
    north.log("taken", {"used": [{"lot": "F2", "count": 3}]}, post="1")
    done = import_text(south.journal, export_text(north.journal, "jetty"), "their.jsonl")
    assert not done.box_joined
    assert south.journal.box().short == ()


def test_a_piece_that_two_crews_took_from_one_box_is_said(two):
    north, south = two
    for one in two:
        one.journal.append(
            "stock-added", {"lot": f"of {one.by}", "form": "flat", "count": 1, "thickness_mm": 2}
        )
    send(north, south, with_box=True)
    for one in two:
        one.log("taken", {"used": [{"lot": "of north", "count": 1}]}, post="2")
    send(north, south)
    assert south.journal.box().short == (("of north", 1),)


def test_settings_of_a_person_neither_leave_nor_come_in(crew):
    north, south = crew("north").lay_out(), crew("south")
    north.journal.append("setting", {"key": "by", "value": "crew A"})
    text = export_text(north.journal)
    assert "crew A" not in text
    lines = "".join(line_of(event) + "\n" for event in north.journal.events())
    done = import_text(south.journal, lines, "of an older program.jsonl")
    assert done.new == 5
    assert south.journal.box().settings == {}


def test_a_log_that_an_older_program_merged_is_taken_to_have_known_what_came_before(two):
    """It noted what disagreed when it took the other's work in, and nothing of what it had seen."""
    north, south = two
    read = north.read("1", 0.009)
    old = [event for event in (*north.journal.events(), south.read("1", 0.008)) if event.kind != "merged"]
    old[-1] = replace(old[-1], seq=99)
    assert fold_run(old, "jetty", "east").post("1").conflict is not None
    (note,) = what_was_seen([], old, "office", given=[*old[:-1], replace(old[-1], origin=None)])
    assert note.data["by_time"] == {south.journal.log: 99}
    noted = replace(read, id="n", step="n", log="office", kind="merged", post=None, run=None)
    noted = replace(noted, seq=100, stamp=old[-1].stamp + 1, data_text=canonical(note.data))
    assert fold_run([*old, noted], "jetty", "east").post("1").conflict is None
