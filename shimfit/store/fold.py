"""From events to the state of a run: pure, at the end of the log or at any past event.

A fold is fed events in the order they happened and hands out frozen values. One more event costs the history
of its own post at most; an `undone` works the posts it touches out again. Events that can't be understood (a
newer program wrote them, or something damaged them) stand in `unread` and never stop the rest.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from functools import partial
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from shimfit import codec
from shimfit.model import Foot, Tolerance
from shimfit.standing import FACTS, Issue, RunState, brief_of, from_brief
from shimfit.store.crews import Knowledge, Move, Reported, Side, layout_conflict, moves_of
from shimfit.store.events import RUN_OPTIONS, UNDONE, in_order, left_out, read_data
from shimfit.store.post import PostBuilder
from shimfit.store.undo import Voided

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from shimfit.standing import Defaults, PostRecord
    from shimfit.store.events import Event
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
            (of_job if event.run is None else of_run).update(read_data(event)[0] or {})
    return tuple((key, text) for key in FACTS if (text := of_run.get(key) or of_job.get(key)))


class _Part(NamedTuple):
    """What one place in the run gives to the state."""

    standing: PostRecord | None
    removed: tuple[PostRecord, ...]
    unread: tuple[str, ...]


_NOTHING = _Part(None, (), ())
_HEAD = codec.shape(
    {"foot": Foot, "height_mm": float, "tolerance": Tolerance, "sample?": bool, **RUN_OPTIONS}
)
"""What a run says of itself, and its job of it."""


class RunFold:
    """State of one run, brought forward by `add`."""

    def __init__(self, job: str, run: str, void: Voided | None = None) -> None:
        self._job = job
        self._run = run
        self._void = void or Voided()
        self._knowledge = Knowledge()
        self._merged: list[Event] = []
        self._of_run: list[Reported] = []
        self._own: list[int] = []
        """Places of the events that belong to no post."""
        self._posts: dict[str, _PostHistory | _KeptHistory] = {}
        self._touches: defaultdict[str, set[str]] = defaultdict(set)
        """Step -> names of the posts that it touches; of those that are kept, the archive knows."""
        self._archive: Log | None = None
        self._unread: list[str] = []
        self._papers: list[Event] = []
        """What the record says beside the posts: facts of the job and of the run, records issued."""
        self._conflict: str | None = None
        self._last_seq = 0
        self._state: RunState | None = None
        """As worked out last; None when something was added since."""
        self._defaults: Defaults | None = None
        self._parts: dict[str, _Part] = {}
        self._standing_posts: dict[str, PostRecord] = {}
        """In walking order."""
        self._reported: tuple[tuple[PostRecord, ...], tuple[PostRecord, ...], tuple[str, ...]] = ((), (), ())
        """Of all parts: posts in walking order, posts that were taken out, what was left out."""
        self._changed: set[str] = set()
        """Names of the posts whose part is to be worked out again."""

    def add(self, event: Event) -> None:
        """Bring the state forward by one event; an event of another run changes nothing."""
        if event.job != self._job:
            return
        self._state = None
        if event.kind == UNDONE:
            self._undo(event)
        elif event.kind == "merged":
            self._merge(event)
        elif event.kind in ("facts", "issued") and event.run in (None, self._run):
            self._papers.append(event)
            self._own.append(event.seq)
        elif event.kind == "job-added" or (event.run == self._run and event.post is None):
            self._add_to_run(event)
        elif event.run == self._run:
            self._add_to_post(event, event.post)

    def _undo(self, event: Event) -> None:
        for step in self._void.add(event):
            names = set(self._touches.get(step, ()))
            for one in self._archive.of_step(self._job, self._run, step) if self._archive else ():
                if (one.job, one.run) == (self._job, self._run):
                    added = (read_data(one)[0] or {}).get("name") if one.kind == "post-added" else None
                    names.add(one.post or added or "")
            for name in names & self._posts.keys():
                self.history(name).work_out_again()
                self._changed.add(name)
                self._last_seq = max(self._last_seq, event.seq)

    def _add_to_run(self, event: Event) -> None:
        data, fault = read_data(event)
        if data is not None and event.kind == "post-added":
            self._add_to_post(event, data["name"])
            return
        self._own.append(event.seq)
        if data is None:
            self._unread.append(left_out(event, fault))
            return
        self._of_run.append(Reported(event, self._knowledge.of(event.log)))
        self._last_seq = max(self._last_seq, event.seq)

    def _merge(self, event: Event, *, at_posts: bool = True) -> None:
        """Count in what a `merged` event says that its log had seen."""
        self._merged.append(event)
        data, _ = read_data(event)
        if data is not None and self._knowledge.add(event.log, data):
            for name in self._posts:
                self.history(name).work_out_again()
            self._changed.update(self._posts)
        # Programs before this one logged what they found to disagree.
        for conflict in data["conflicts"] if data else ():
            if conflict["run"] == self._run and not conflict["post"]:
                self._conflict = conflict["why"]
            elif conflict["run"] == self._run and at_posts:
                self._add_to_post(event, conflict["post"])

    def _add_to_post(self, event: Event, name: str | None) -> None:
        if not name:
            self._own.append(event.seq)
            self._unread.append(left_out(event, "it names no post"))
            return
        if name not in self._posts:
            self._posts[name] = _PostHistory(self._run, name, self._knowledge, self._void)
        self._touches[event.step].add(name)
        self.history(name).add(Reported(event, self._knowledge.of(event.log)))
        self._changed.add(name)
        self._last_seq = max(self._last_seq, event.seq)

    # ------------------------------------------------------------ from a snapshot

    def to_snapshot(self) -> dict[str, Any] | None:
        """What `from_snapshot` goes on from, in JSON; None when no standing event adds the run."""
        if self.state() is None or self._defaults is None:
            return None
        rows: list[Sequence[Any]] = []
        for name, history in self._posts.items():
            if isinstance(history, _KeptHistory):
                rows.append(history.row)
                continue
            part = self._parts[name]
            standing = None if part.standing is None else brief_of(part.standing, self._defaults)
            removed = [brief_of(post, self._defaults) for post in part.removed]
            rows.append((name, " ".join(map(str, history.seqs)), standing, removed, part.unread))
        merged = [event.seq for event in self._merged]
        return {"own": self._own, "merged": merged, "last_seq": self._last_seq, "posts": rows}

    @classmethod
    def from_snapshot(
        cls,
        job: str,
        run: str,
        kept: dict[str, Any],
        undone: Iterable[tuple[str, str]],
        archive: Log,
    ) -> RunFold:
        """The fold that `to_snapshot` was asked of. undone: (step, step that it names) till then, in order.

        Raises ValueError, KeyError, TypeError for what is none, FileError for an event that is damaged.
        """
        fold = cls(job, run)
        for step, of in undone:
            fold._void.count(step, of)
        for event in in_order(archive.at([*kept["own"], *kept["merged"]])):
            if event.kind == "merged":
                fold._merge(event, at_posts=False)
            else:
                fold.add(event)
        if fold._work_out() is None or fold._defaults is None:
            raise ValueError("the run is not there")
        fold._archive = archive
        fold._last_seq = kept["last_seq"]
        # As the posts stood then: what is undone later finds another history in their place.
        void, merged, defaults = fold._void.frozen(), list(fold._merged), fold._defaults

        def whole(history: _KeptHistory) -> _Part:
            return fold._replayed(history.row[0], history.seqs, void, merged).part(defaults)

        for row in kept["posts"]:
            fold._posts[row[0]] = _KeptHistory(row, defaults, whole)
        fold._changed.update(fold._posts)
        return fold

    def _replayed(
        self, name: str, seqs: Iterable[int], void: Voided, merged: Iterable[Event]
    ) -> _PostHistory:
        """The events at one place, read again; with what is known of merges by now."""
        assert self._archive is not None
        fold = RunFold(self._job, self._run, void)
        for event in in_order([*self._archive.at(seqs), *merged]):
            fold.add(event)
        return fold.history(name)

    def history(self, name: str) -> _PostHistory:
        """The events at a place, read again where only what they made of it is kept."""
        history = self._posts[name]
        if isinstance(history, _KeptHistory):
            history = self._replayed(name, history.seqs, self._void, self._merged)
            history.knowledge = self._knowledge
            self._posts[name] = history
            for step in history.steps:
                self._touches[step].add(name)
        return history

    # ------------------------------------------------------------ frozen value

    def state(self) -> RunState | None:
        """Frozen value; None when no standing event adds the run."""
        if self._state is None:
            self._state = self._work_out()
        return self._state

    def _bring_up_to_date(self, defaults: Defaults) -> None:
        """Work out the parts of posts at which something happened, and the order that they stand in."""
        if defaults != self._defaults:
            self._changed.update(self._posts)
            self._defaults = defaults
        moved = beside = False
        for name in self._changed:
            history = self._posts[name]
            if isinstance(history, _KeptHistory) and history.defaults != defaults:
                history = self.history(name)
            before = self._parts.get(name, _NOTHING)
            part = history.part if isinstance(history, _KeptHistory) else history.part(defaults)
            self._parts[name] = part
            moved = moved or _stands_at(before) != _stands_at(part)
            beside = beside or before[1:] != part[1:]
            if part.standing is not None:
                self._standing_posts[name] = part.standing
        if moved:
            there = ((name, self._parts[name].standing) for name in self._posts)
            found = [(post.leg, post.station_mm, name, post) for name, post in there if post is not None]
            found.sort(key=itemgetter(0, 1))
            self._standing_posts = {name: post for _, _, name, post in found}
        _, went, left_out = self._reported
        if beside:
            parts = [self._parts[name] for name in self._posts]
            went = tuple(chain.from_iterable(part.removed for part in parts))
            left_out = tuple(chain.from_iterable(part.unread for part in parts))
        if self._changed:
            self._reported = tuple(self._standing_posts.values()), went, left_out
        self._changed.clear()

    def _work_out(self) -> RunState | None:
        head = self._head()
        if "foot" not in head:
            return None
        given = codec.read(_HEAD, head)
        given["face_names"] = tuple((given.get("face_names") or {}).items())
        run = RunState(job=self._job, name=self._run, **given)
        self._bring_up_to_date((run.foot, run.height_mm, run.tolerance, run.rule, run.making))
        posts, removed, left_out = self._reported
        papers = [one for one in self._papers if one.step not in self._void.steps]
        issued = ((one, read_data(one)[0]) for one in papers if one.kind == "issued")
        return replace(
            run,
            posts=posts,
            removed=removed,
            last_seq=self._last_seq,
            conflict=self._conflict or layout_conflict(self._standing(), self._knowledge, self._run),
            unread=(*self._unread, *left_out),
            facts=facts_of(papers, self._run),
            issues=tuple(_issue(event, data) for event, data in issued if data is not None),
        )

    def _head(self) -> dict[str, Any]:
        """What the job and the run say of themselves; the first event that adds the run stands."""
        head: dict[str, Any] = {}
        added = False
        for event, _ in self._standing():
            data = event.data
            if event.kind == "job-added" and not added:
                head |= {"units": data.get("units", "mm"), "sample": data.get("sample", False)}
            elif event.kind == "run-added" and not added:
                head |= data
                added = True
            elif event.kind == "run-changed" and added:
                head |= data
        return head

    def _standing(self) -> list[Reported]:
        """Events of the run itself that were not undone."""
        return [reported for reported in self._of_run if reported.event.step not in self._void.steps]


def _issue(event: Event, data: dict[str, Any]) -> Issue:
    texts = {key: data.get(key) or "" for key in ("number", "why", "replaces")}
    return Issue(
        time=event.time, by=event.by, changed=tuple(data.get("changed") or ()), seq=event.seq, **texts
    )


def _stands_at(part: _Part) -> tuple[int, float] | None:
    return None if part.standing is None else (part.standing.leg, part.standing.station_mm)


class _KeptHistory:
    """What was made of the events at one place by the time of a snapshot."""

    __slots__ = ("defaults", "part", "row")

    def __init__(
        self, row: Sequence[Any], defaults: Defaults, whole: Callable[[_KeptHistory], _Part]
    ) -> None:
        self.row, self.defaults = row, defaults
        _, _, standing, removed, unread = row

        def stands() -> PostRecord:
            post = whole(self).standing
            assert post is not None
            return post

        def went(number: int) -> PostRecord:
            return whole(self).removed[number]

        self.part = _Part(
            None if standing is None else from_brief(standing, defaults, stands),
            tuple(from_brief(one, defaults, partial(went, number)) for number, one in enumerate(removed)),
            tuple(unread),
        )

    @property
    def seqs(self) -> Iterable[int]:
        """Places of its events."""
        return map(int, self.row[1].split())


class _PostHistory:
    """All events at one place in the run, and what they make of the posts that stood there."""

    def __init__(self, run: str, name: str, knowledge: Knowledge, void: Voided) -> None:
        self._run = run
        self._name = name
        self.knowledge = knowledge
        self._void = void
        self._events: list[Reported] = []
        self._last: dict[str, Reported] = {}
        """The last event of each log here."""
        self._is_worked_out = True
        self._place = _Place(run, name)

    def add(self, reported: Reported) -> None:
        """Count an event in, behind all others."""
        known = all(self.knowledge.saw(reported, last) for last in self._last.values())
        self._events.append(reported)
        self._last[reported.event.log] = reported
        if not known:
            self._is_worked_out = False
        elif self._is_worked_out and reported.event.step not in self._void.steps:
            self._place.add(Move(0, "main", reported.event))

    def work_out_again(self) -> None:
        """Something was undone, or brought back, or more is known of what its crews had seen."""
        self._is_worked_out = False

    def work_out(self) -> None:
        """Bring what is read here up to date."""
        if self._is_worked_out:
            return
        standing = [reported for reported in self._events if reported.event.step not in self._void.steps]
        self._is_worked_out = True
        if len(self._last) == 1:
            moves = [Move(0, "main", reported.event) for reported in standing]
        else:
            where = f"post {self._run}/{self._name}"
            moves = moves_of(standing, self.knowledge, lambda moves: self._made(moves).side, where)
        self._place = self._made(moves)

    def _made(self, moves: Iterable[Move]) -> _Place:
        place = _Place(self._run, self._name)
        for move in moves:
            place.add(move)
        return place

    @property
    def seqs(self) -> list[int]:
        """Places of the events here, but those that tell of a merge."""
        return [reported.event.seq for reported in self._events if reported.event.kind != "merged"]

    @property
    def steps(self) -> set[str]:
        """Steps that touch this place."""
        return {reported.event.step for reported in self._events}

    def part(self, defaults: Defaults) -> _Part:
        """What stands here, was taken out and was left out."""
        self.work_out()
        return self._place.part(defaults)


class _Place:
    """What one history makes of a place in the run, brought forward by `add`."""

    def __init__(self, run: str, name: str) -> None:
        self._run = run
        self._name = name
        self._early: list[Move] = []
        """Came before the post was added, as when the event that added it first was lost to damage."""
        self._conflicts: list[Move] = []
        self.builder: PostBuilder | None = None
        self.removed: list[PostBuilder] = []
        self.unread: list[str] = []

    def add(self, move: Move) -> None:
        """Count an event in; one that is set aside is shown and decides nothing."""
        event, aside = move.event, move.how == "aside"
        data, fault = read_data(event)
        if data is None:
            self.unread.append(left_out(event, fault))
        elif event.kind == "post-added" and move.how != "conflict":
            if not aside:
                self._begin(event, data)
        elif event.kind == "post-removed" and self.builder is not None and move.how != "conflict":
            if not aside:
                self.removed.append(self.builder)
                self.builder = None
        else:
            # What is logged at a post that was taken out stays with what was logged there.
            builder = self.builder or (self.removed[-1] if self.removed else None)
            if builder is None:
                self._early.append(move)
            else:
                self._pass_on(move, data, builder)

    def _begin(self, added: Event, data: dict[str, Any]) -> None:
        if self.builder is not None:
            self.unread.append(left_out(added, f"post {self._name} is there already"))
            return
        self.builder = PostBuilder(added, data)
        early, self._early = self._early, []
        for move in early:
            self.add(move)

    def _pass_on(self, move: Move, data: dict[str, Any], builder: PostBuilder) -> None:
        event = move.event
        if move.how == "conflict":
            self._conflicts.append(move)
            builder.disagree(event, move.why, packs=move.packs)
        elif event.kind == "doubtful":
            builder.disagree(event, f"{data['why']}: read this post again", packs=False)
        elif event.kind == "merged":
            for conflict in data["conflicts"]:
                if (conflict["run"], conflict["post"]) == (self._run, self._name):
                    builder.disagree(event, conflict["why"], packs=conflict.get("packs", False))
        elif move.how == "aside":
            builder.set_aside(event, data)
        else:
            builder.add(event, data)

    @property
    def side(self) -> Side:
        """What this says of the post, as one crew's history."""
        builder, last = self.builder, self.builder or (self.removed[-1] if self.removed else None)
        moves = self._early if last is None else self._conflicts
        conflict = next((move for move in reversed(moves) if move.why), None)
        return Side(
            packs_by=None if builder is None else builder.packs_by,
            set_up=builder is not None and builder.set_up,
            there=builder is not None,
            gone=builder is None and bool(self.removed),
            conflict=conflict if last is None or last.conflict is not None else None,
        )

    def part(self, defaults: Defaults) -> _Part:
        """What stands here, was taken out and was left out."""
        why = f"there is no post {self._run}/{self._name}"
        return _Part(
            None if self.builder is None else self.builder.record(*defaults),
            tuple(builder.record(*defaults) for builder in self.removed),
            (*self.unread, *(left_out(move.event, why) for move in self._early if not move.why)),
        )
