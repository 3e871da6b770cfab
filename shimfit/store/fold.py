"""From events to the state of a run: pure, at the end of the log or at any past event.

A fold is fed events in the order they happened and hands out frozen values. A post at which anything happened
is worked out again from its own events, the others stay as they are. Events that can't be understood (a newer
program wrote them, or something damaged them) stand in `unread` and never stop the rest.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain
from operator import attrgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from shimfit import codec
from shimfit.model import Foot, Tolerance
from shimfit.standing import FACTS, Defaults, Issue, Making, PostRecord, RunState, brief_of, from_brief
from shimfit.store.events import (
    RUN_OPTIONS,
    UNDONE,
    Event,
    in_order,
    left_out,
    microseconds,
    read_data,
    said_by,
)
from shimfit.store.history import Knowledge, Move, Reported, Side, Voided, layout_conflict, moves_of
from shimfit.store.post import PostBuilder

if TYPE_CHECKING:
    from shimfit.store.log import Log


def fold_run(events: Iterable[Event], job: str, run: str) -> RunState | None:
    """State of a run from the events that it depends on, in order; None when no standing event adds it."""
    fold = RunFold(job, run)
    for event in events:
        fold.add(event)
    return fold.state()


def facts_of(standing: Iterable[Event], run: str | None) -> tuple[tuple[str, str], ...]:
    """What a run's record states beside readings, (key of FACTS, text): the run's own before the job's.

    standing: the job's events in order, those undone left out; run None: the job's facts alone.
    """
    of_job: dict[str, str | None] = {}
    of_run: dict[str, str | None] = {}
    for event in standing:
        if event.kind == "facts" and event.run in (None, run):
            (of_job if event.run is None else of_run).update(said_by(event))
    return tuple((key, text) for key in FACTS if (text := of_run.get(key) or of_job.get(key)))


class _Part(NamedTuple):
    """What one place in the run gives to the state."""

    standing: PostRecord | None
    removed: tuple[PostRecord, ...]
    unread: tuple[str, ...]


_HEAD = codec.shape(
    {"foot": Foot, "height_mm": float, "tolerance": Tolerance, "sample?": bool, **RUN_OPTIONS}
)
"""What a run says of itself, and its job of it."""


class RunFold:
    """State of one run, brought forward by `add`."""

    def __init__(self, job: str, run: str, void: Voided | None = None) -> None:
        self._job, self._run = job, run
        self._void = void or Voided()
        self._knowledge = Knowledge()
        self._merged: list[Event] = []
        self._of_run: list[Reported] = []
        self._own: list[int] = []
        """Places of the events that belong to no post."""
        self._posts: dict[str, list[Reported]] = {}
        """Name -> what happened there; nothing where only a snapshot's row is here."""
        self._kept: dict[str, Sequence[Any]] = {}
        """Rows of a snapshot, by name, as long as nothing more happened there."""
        self._archive: Log | None = None
        """Where the events behind these rows are."""
        self._touches: defaultdict[str, set[str]] = defaultdict(set)
        """Step -> names of the posts that it touches; of those that are kept, the archive knows."""
        self._unread: list[str] = []
        self._papers: list[Reported] = []
        """What the record says beside the posts: facts of the job and of the run, records issued."""
        self._conflict: str | None = None
        self._behind_us = 0
        """The furthest that a clock showed less than what had happened by then."""
        self._state: RunState | None = None
        """As worked out last; None when something was added since."""
        self._defaults: Defaults | None = None
        self._places: dict[str, _Place] = {}
        """What was made of the histories at posts; gone where it would be another now."""
        self._parts: dict[str, _Part] = {}
        self._changed: set[str] = set()
        """Names of the posts whose part is to be worked out again."""

    def add(self, event: Event) -> None:
        """Bring the state forward by one event; an event of another run changes nothing."""
        if event.job != self._job:
            return
        self._state = None
        if event.kind == UNDONE:
            for name in set[str]().union(*map(self._at, self._void.add(event))):
                self._change(name)
            self._note_undo(event)
        elif event.kind == "merged":
            self._merge(event)
        elif event.kind in ("facts", "issued") and event.run in (None, self._run):
            self._papers.append(Reported(event, self._knowledge.of(event.log)))
            self._own.append(event.seq)
        elif event.run == self._run and event.post is not None:
            self._add_to_post(event, event.post)
        elif event.kind == "job-added" or event.run == self._run:
            data, fault = read_data(event)
            if data is not None and event.kind == "post-added":
                self._add_to_post(event, data["name"])
                return
            self._own.append(event.seq)
            if data is None:
                self._unread.append(left_out(event, fault))
                return
            self._of_run.append(Reported(event, self._knowledge.of(event.log)))

    def _at(self, step: str) -> set[str]:
        """Names of the posts that a step touches."""
        names = set(self._touches.get(step, ()))
        for one in self._archive.of_step(self._job, self._run, step) if self._archive else ():
            if (one.job, one.run) == (self._job, self._run):
                added = said_by(one).get("name") if one.kind == "post-added" else None
                names.add(one.post or added or "")
        return names & self._posts.keys()

    def _note_undo(self, event: Event) -> None:
        """An undo is part of what happened at the posts that it touches."""
        for name in self._at(said_by(event).get("of", "")):
            self.history(name).append(Reported(event, self._knowledge.of(event.log)))
            self._change(name)

    def _merge(self, event: Event, *, at_posts: bool = True) -> None:
        """Count in what a `merged` event says that its log had seen."""
        self._merged.append(event)
        data, _ = read_data(event)
        if data is not None and self._knowledge.add(event.log, data):
            for name in self._posts:
                self._change(name)
        # Programs before this one logged what they found to disagree.
        for conflict in data["conflicts"] if data else ():
            if conflict["run"] == self._run and not conflict["post"]:
                self._conflict = conflict["why"]
            elif conflict["run"] == self._run and at_posts:
                self._add_to_post(event, conflict["post"])

    def _add_to_post(self, event: Event, name: str) -> None:
        if not name:
            self._own.append(event.seq)
            self._unread.append(left_out(event, "it names no post"))
            return
        self._behind_us = max(self._behind_us, event.stamp - microseconds(event.time))
        self._posts.setdefault(name, [])
        self._touches[event.step].add(name)
        self._changed.add(name)
        self.history(name).append(Reported(event, self._knowledge.of(event.log)))

    def _change(self, name: str) -> None:
        """What was made of the history at a post does not hold any more."""
        self._places.pop(name, None)
        self._changed.add(name)

    # ------------------------------------------------------------ from a snapshot

    def to_snapshot(self) -> dict[str, Any] | None:
        """What `from_snapshot` goes on from, in JSON; None when no standing event adds the run."""
        if self.state() is None or self._defaults is None:
            return None
        rows: list[Sequence[Any]] = []
        for name, history in self._posts.items():
            if name in self._kept:
                rows.append(self._kept[name])
                continue
            standing, removed, unread = self._parts[name]
            seqs = (str(one.event.seq) for one in history if one.event.kind != "merged")
            now = None if standing is None else brief_of(standing, self._defaults)
            gone = [brief_of(post, self._defaults) for post in removed]
            rows.append((name, " ".join(seqs), now, gone, unread))
        merged = [event.seq for event in self._merged]
        return {"own": self._own, "behind_us": self._behind_us, "merged": merged, "posts": rows}

    @classmethod
    def from_snapshot(cls, job: str, run: str, kept: dict[str, Any], void: Voided, archive: Log) -> RunFold:
        """The fold that `to_snapshot` was asked of. void: what did not stand then.

        Raises ValueError, KeyError, TypeError for what is none, FileError for an event that is damaged.
        """
        fold = cls(job, run, void)
        for event in in_order(archive.at([*kept["own"], *kept["merged"]])):
            if event.kind == "merged":
                fold._merge(event, at_posts=False)
            else:
                fold.add(event)
        if fold.state() is None or fold._defaults is None:
            raise ValueError("the run is not there")
        fold._state = None
        fold._archive = archive
        fold._behind_us = kept["behind_us"]
        # As the posts stood then: what is undone later finds another history in their place.
        then, merged, defaults = void.upto(), list(fold._merged), fold._defaults

        def whole(row: Sequence[Any], removed: int | None = None) -> PostRecord:
            """The post that stands at a row's place, or one of those that were taken out there."""
            part = fold._read_again(row, then, merged).part_of(row[0], defaults)
            post = part.standing if removed is None else part.removed[removed]
            assert post is not None
            return post

        for row in kept["posts"]:
            name, _, now, gone, unread = row
            fold._kept[name], fold._posts[name] = row, []
            fold._parts[name] = _Part(
                None if now is None else from_brief(now, defaults, partial(whole, row)),
                tuple(from_brief(one, defaults, partial(whole, row, at)) for at, one in enumerate(gone)),
                tuple(unread),
            )
        return fold

    def _read_again(self, row: Sequence[Any], void: Voided, merged: Iterable[Event]) -> RunFold:
        """The events at one place, read from the archive; with what is known of merges by then."""
        assert self._archive is not None
        fold = RunFold(self._job, self._run, void)
        for event in in_order([*self._archive.at(map(int, row[1].split())), *merged]):
            if event.kind == UNDONE:  # it is counted in what does not stand
                fold._note_undo(event)
            else:
                fold.add(event)
        return fold

    def history(self, name: str) -> list[Reported]:
        """What happened at a post, read again where only what was made of it is kept."""
        row = self._kept.get(name)
        if row is not None:
            self._posts[name] = self._read_again(row, self._void, self._merged).history(name)
            del self._kept[name]
            for one in self._posts[name]:
                self._touches[one.event.step].add(name)
        return self._posts[name]

    # ------------------------------------------------------------ frozen value

    def state(self) -> RunState | None:
        """Frozen value; None when no standing event adds the run."""
        if self._state is None:
            self._state = self._work_out()
        return self._state

    def _work_out(self) -> RunState | None:
        standing = [one for one in self._of_run if one.event.step not in self._void.steps]
        head: dict[str, Any] = {}
        added = False
        for event, _ in standing:  # the first event that adds the run stands
            data = event.data
            if event.kind == "job-added" and not added:
                head |= {"units": data.get("units", "mm"), "sample": data.get("sample", False)}
            elif event.kind == "run-added" and not added:
                head |= data
                added = True
            elif event.kind == "run-changed" and added:
                head |= data
        if not added:
            return None
        given = codec.read(_HEAD, head)
        given["face_names"] = tuple((given.get("face_names") or {}).items())
        making = {key: given.pop(key) for key in ("layout", "preload_mm", "kerf_mm") if key in given}
        run = RunState(job=self._job, name=self._run, making=Making(**making), **given)
        defaults = (run.foot, run.height_mm, run.tolerance, run.rule, run.making)
        if defaults != self._defaults:
            self._defaults = defaults
            self._changed.update(self._posts)
        for name in self._changed:
            self.history(name)
            self._parts[name] = self.part_of(name, defaults)
        self._changed.clear()
        parts = [self._parts[name] for name in self._posts]
        stand = [part.standing for part in parts if part.standing is not None]
        papers = [one for one in self._papers if one.event.step not in self._void.steps]
        issued = [one for one in papers if one.event.kind == "issued" and said_by(one.event)]
        # Not known to who issued a later one: nothing replaces it.
        valid = [
            one
            for at, one in enumerate(issued)
            if not any(self._knowledge.saw(later, one) for later in issued[at + 1 :])
        ]
        return replace(
            run,
            posts=tuple(sorted(stand, key=attrgetter("leg", "station_mm"))),
            removed=tuple(chain.from_iterable(part.removed for part in parts)),
            clocks_apart_s=self._behind_us / 1_000_000,
            conflict=self._conflict or layout_conflict(standing, self._knowledge, self._run, run.units),
            unread=(*self._unread, *chain.from_iterable(part.unread for part in parts)),
            facts=facts_of((event for event, _ in papers), self._run),
            issues=tuple(_issue(event) for event, _ in issued),
            issues_valid=tuple(_issue(event) for event, _ in valid),
        )

    def part_of(self, name: str, defaults: Defaults) -> _Part:
        """What stands at a place, was taken out and was left out, from all that stands of its history."""
        history, place = self._posts[name], self._places.get(name)
        if place is None or len({one.event.log for one in history}) > 1:

            def side(moves: Iterable[Move]) -> Side:
                return _Place(self._run, name, moves).side

            called = f"post {self._run}/{name}"
            moves = moves_of(history, self._void.steps, self._knowledge, side, called)
            place = self._places[name] = _Place(self._run, name, moves)
        else:  # one crew's log: it goes on from what it was
            for at, one in enumerate(history[place.counted :], place.counted):
                if one.event.step not in self._void.steps and one.event.kind != UNDONE:
                    place.add(Move(at, "main", one.event))
        place.counted = len(history)
        return place.part(defaults)


def _issue(event: Event) -> Issue:
    data = said_by(event)
    texts = {key: data.get(key) or "" for key in ("number", "why", "replaces")}
    changed, beside = (tuple(data.get(key) or ()) for key in ("changed", "beside"))
    return Issue(
        event.time, by=event.by, changed=changed, beside=beside, seq=event.seq, log=event.log, **texts
    )


class _Place:
    """What one history makes of a place in the run."""

    def __init__(self, run: str, name: str, moves: Iterable[Move]) -> None:
        self._run, self._name = run, name
        self.counted = 0
        """So many events of the history are in it, or were undone."""
        self._early: list[Move] = []
        """Came before the post was added, as when the event that added it first was lost to damage."""
        self._conflicts: list[Move] = []
        self._standing: PostBuilder | None = None
        self._removed: list[PostBuilder] = []
        self._unread: list[str] = []
        for move in moves:
            self.add(move)

    def add(self, move: Move) -> None:
        """Count an event in; one that is set aside is shown and decides nothing."""
        event, how = move.event, move.how
        data, fault = read_data(event)
        if data is None:
            self._unread.append(left_out(event, fault))
        elif event.kind == "post-added" and how != "conflict":
            if how == "main" and self._standing is not None:
                self._unread.append(left_out(event, f"post {self._name} is there already"))
            elif how == "main":
                self._standing = PostBuilder(event, data)
                early, self._early = self._early, []
                for one in early:
                    self.add(one)
        elif event.kind == "post-removed" and how != "conflict" and self._standing is not None:
            if how == "main":
                self._removed.append(self._standing)
                self._standing = None
        # What is logged at a post that was taken out stays with what was logged there.
        elif (post := self._standing or (self._removed[-1] if self._removed else None)) is None:
            self._early.append(move)
        elif how == "conflict":
            self._conflicts.append(move)
            post.disagree(event, move.why, packs=move.packs)
        elif event.kind == "doubtful":
            post.disagree(event, f"{data['why']}: read this post again", packs=False)
        elif event.kind == "merged":
            for conflict in data["conflicts"]:
                if (conflict["run"], conflict["post"]) == (self._run, self._name):
                    post.disagree(event, conflict["why"], packs=conflict.get("packs", False))
        elif how == "aside":
            post.set_aside(event, data)
        else:
            post.add(event, data)

    @property
    def side(self) -> Side:
        """What this says of the post, as one crew's history."""
        post = self._standing
        last = post or (self._removed[-1] if self._removed else None)
        moves = self._early if last is None else self._conflicts
        conflict = next((move for move in reversed(moves) if move.why), None)
        return Side(
            packs_by=None if post is None else post.packs_by,
            set_up=post is not None and post.set_up,
            there=post is not None,
            gone=post is None and bool(self._removed),
            conflict=conflict if last is None or last.conflict is not None else None,
        )

    def part(self, defaults: Defaults) -> _Part:
        """What stands here, was taken out and was left out."""
        why = f"there is no post {self._run}/{self._name}"
        return _Part(
            None if self._standing is None else self._standing.record(*defaults),
            tuple(builder.record(*defaults) for builder in self._removed),
            (*self._unread, *(left_out(move.event, why) for move in self._early if not move.why)),
        )
