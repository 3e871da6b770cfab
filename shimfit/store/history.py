"""What of a history stands: steps that were undone, and several crews' logs of one post as one history.

A step is what was logged in one go. `undone {of}` takes a step back; undoing that `undone` brings it back. An
`undone` always comes after what it names, so one walk from the end settles every chain of them.

Order alone can't tell whether a crew knew of another's work when it logged its own. An import leaves a
`merged` event that says what the file held from then on (`seen`: log -> last place there), so for any two
events it is known whether one was logged in knowledge of the other. It depends on nothing but the events:
every file that holds them says the same, in whatever order they came in.

A history is worked out as each crew saw it. Where two crews worked on a post and neither had seen the other's
work, nothing is put together out of both (a second reading of a bare post does not verify, and packs that one
crew was asked for are not taken to be in because another read the post): the post goes on from the crew that
set it up, the other's readings and notes stand beside it, and it is in conflict until somebody who has seen
both reads it again (and, where both packed it, says what is under it).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import field
from itertools import chain
from operator import attrgetter
from typing import Literal, NamedTuple

from shimfit import codec
from shimfit.quantities import shown
from shimfit.standing import Units
from shimfit.store.events import BOOKKEEPING, UNDONE, Event, in_order, said_by, shape_of, words_of
from shimfit.values import dataclass

# ------------------------------------------------------------ undo and redo


def voided(pairs: Sequence[tuple[str, str]]) -> frozenset[str]:
    """Steps that do not stand, given (step of the `undone`, step that it names) of each, in order."""
    void: set[str] = set()
    for step, of in reversed(pairs):
        if step not in void:
            void.add(of)
    return frozenset(void)


Row = tuple[int, str | None, str, str]
"""An `undone`: its place, its job, its step, and the step that it names."""


class Voided:
    """Steps that do not stand, brought forward by every `undone` in the order in which they happened."""

    def __init__(self, rows: Iterable[Row] = ()) -> None:
        self._rows = [(seq, job, step, of) for seq, job, step, of in rows]
        self.undos = {step for _, _, step, _ in self._rows}
        """Steps that are an undo or a redo themselves."""
        self._named = {of for *_, of in self._rows}
        self.steps = set(self._worked_out())

    def _worked_out(self) -> frozenset[str]:
        return voided([(step, of) for _, _, step, of in self._rows])

    def add(self, event: Event) -> set[str]:
        """Count an event in: the steps that it took back or brought back, as an `undone` does."""
        of = said_by(event).get("of") if event.kind == UNDONE else None
        if of is None:
            return set()
        step = event.step
        # Most name what is no undo itself, and are named by nobody yet: then nothing else turns with it.
        plain = of not in self.undos and step not in self._named and step != of
        self._rows.append((event.seq, event.job, step, of))
        self.undos.add(step)
        self._named.add(of)
        changed = {of} - self.steps if plain else self.steps ^ self._worked_out()
        self.steps ^= changed
        return changed

    def upto(self, place: float = math.inf, job: str | None = None) -> Voided:
        """What did not stand at a place in the log, in one job or all: a value of its own."""
        return Voided(row for row in self._rows if row[0] <= place and job in (None, row[1]))

    def to_snapshot(self) -> list[Row]:
        """What it is made of again."""
        return self._rows


@dataclass(frozen=True, slots=True)
class Step:
    """Events that were logged in one go, in order."""

    events: tuple[Event, ...]

    @property
    def id(self) -> str:
        """Id of the step: that of its first event."""
        return self.events[0].step

    @property
    def is_undo(self) -> bool:
        """True when the step takes others back."""
        return self.events[0].kind == UNDONE

    @property
    def takes_back(self) -> frozenset[str]:
        """Steps that an undo takes back; one that can't be read takes back nothing."""
        return frozenset(data["of"] for event in self.events if (data := said_by(event)))

    @property
    def is_bookkeeping(self) -> bool:
        """True when nobody did anything at a post or the box."""
        return all(event.kind in BOOKKEEPING for event in self.events)

    @property
    def is_answer(self) -> bool:
        """True for an answer that the program gave to one post's reading: it goes with the reading."""
        return all(event.kind == "prescribed" for event in self.events) and len(self.posts) == 1

    @property
    def posts(self) -> frozenset[tuple[str | None, str | None]]:
        """(run, post) of each event that belongs to a post."""
        return frozenset((event.run, event.post) for event in self.events if event.post)


def to_undo(newest_first: Iterable[Step], void: Collection[str]) -> tuple[Step, ...]:
    """The last step that stands, with the answers that were given to it since; () when there is none."""
    answers: list[Step] = []
    for step in newest_first:
        if step.id in void or step.is_undo or step.is_bookkeeping:
            continue
        if step.is_answer:
            answers.append(step)
            continue
        return (step, *(answer for answer in answers if answer.posts & step.posts))
    # Only answers are left: then the last of them is what was done last.
    return tuple(answers[:1])


def to_redo(newest_first: Iterable[Step], void: Collection[str], is_undo: Collection[str]) -> Step | None:
    """The last undo that can be taken back: it stands, and nothing new was done since.

    is_undo: ids of every step that is itself an undo or a redo.
    """
    for step in newest_first:
        if step.is_undo:
            if step.id not in void and step.takes_back and step.takes_back.isdisjoint(is_undo):
                return step
        elif not (step.is_bookkeeping or step.is_answer):
            return None
    return None


# ---------------------------------------------------------------- in words

_FOLLOWS = frozenset({"taken", "observed"})
"""What the program notes of its own accord before what the person did."""


def words(events: Sequence[Event]) -> str:
    """What a step did, for `undo: …`: `reading 1/4n3/8h at A/7`."""
    first = next((event for event in events if event.kind not in _FOLLOWS), events[0])
    what = words_of(first)
    place = "/".join(name for name in (first.run, first.post) if name)
    if first.kind == "post-removed" and any(event.kind == "post-added" for event in events):
        return f"another post put in at {place}"
    at_place = first.post is not None and first.kind not in ("post-added", "post-removed", "post-moved")
    said = f"{what} at {place}" if at_place else what
    posts = {(event.run, event.post) for event in events if event.post}
    if first.kind == "run-added" and posts:
        return f"{said} with {len(posts)} posts"
    return said if len(posts) <= 1 else f"{said} and {len(posts) - 1} more"


def whose(events: Sequence[Event]) -> str:
    """`, by B`: what is said behind the words of a step that came from another file; else nothing."""
    return f", by {events[0].by or 'another crew'}" if events[0].origin is not None else ""


# ------------------------------------------------------------ several crews

WORK = frozenset({"reading", "packed", "tightened", "trimmed", "skipped", "post-moved", "post-removed"})
"""What two crews can't both have done without knowing of each other."""
NOTHING_SEEN: Mapping[str, int] = {}


def _is_work(event: Event) -> bool:
    """A second reading at half height says how a post is bowed: it goes with any other."""
    return event.kind in WORK and (event.kind != "reading" or said_by(event).get("stage") != "mid")


class Knowledge:
    """What each log had seen of the others in one job, brought forward by each `merged` event."""

    def __init__(self) -> None:
        self._seen: dict[str, Mapping[str, int]] = {}
        self._by_time: dict[str, int] = {}

    def add(self, log: str, data: Mapping[str, object]) -> bool:
        """Count a `merged` event in; True when it says something of events that came before it."""
        seen = data.get("seen")
        if isinstance(seen, Mapping):
            self._seen[log] = {**self._seen.get(log, NOTHING_SEEN), **seen}
        by_time = data.get("by_time")
        if not isinstance(by_time, Mapping):
            return False
        more = {one: upto for one, upto in by_time.items() if upto > self._by_time.get(one, 0)}
        self._by_time |= more
        return bool(more)

    def of(self, log: str) -> Mapping[str, int]:
        """Log -> last place there that a log has seen by now."""
        return self._seen.get(log, NOTHING_SEEN)

    def saw_upto(self, later: Reported, log: str) -> int:
        """Last place of another log that an event was logged in knowledge of."""
        # Written by a program that did not note what it had seen: it is taken to know what came before.
        if self._by_time.get(later.event.log, 0) >= later.event.first_place.seq:
            return 2**62
        return later.seen.get(log, 0)

    def saw(self, later: Reported, earlier: Reported) -> bool:
        """Whether an event was logged in knowledge of one that stands before it in the order of time."""
        other = earlier.event
        return later.event.log == other.log or self.saw_upto(later, other.log) >= other.first_place.seq


class Reported(NamedTuple):
    """An event, and what its log had seen of the others when it was logged."""

    event: Event
    seen: Mapping[str, int]


class Move(NamedTuple):
    """One thing to count in at a post."""

    at: int
    """Place of its event in the history; of the last one for a conflict."""
    how: Literal["main", "aside", "conflict"]
    event: Event
    why: str = ""
    packs: bool = False


@dataclass(frozen=True, slots=True)
class Side:
    """What working out one crew's history of a post says of it."""

    packs_by: str | None
    """Id of the event that says what is under the post."""
    set_up: bool
    there: bool
    """A post stands there."""
    gone: bool
    """The post was taken out."""
    conflict: Move | None
    """What crews still disagree on."""


class _View(NamedTuple):
    """The history as one log saw it after one of its events."""

    held: int = 0
    """A bit for each event of the history that it holds."""
    moves: tuple[Move, ...] = ()


def moves_of(
    history: Sequence[Reported],
    void: Collection[str],
    knowledge: Knowledge,
    work_out: Callable[[Sequence[Move]], Side],
    place: str,
) -> Sequence[Move]:
    """What to count in at a post, in order, given every event there in the order of time, undos of them too.

    work_out: what a crew's own moves make of the post. place: how the post is called in a sentence.
    """
    standing = [
        (at, reported)
        for at, reported in enumerate(history)
        if reported.event.kind != UNDONE and reported.event.step not in void
    ]
    if len({reported.event.log for _, reported in standing}) < 2:
        moves = [Move(at, "main", reported.event) for at, reported in standing]
    else:
        crews = _Crews(history, knowledge, work_out, place)
        for at, reported in standing:
            crews.count_in(at, reported)
        moves = [*crews.all_merged([views[-1] for views in crews.views.values()]).moves]
    return sorted([*moves, *undone_unknowing(history, knowledge)], key=attrgetter("at"))


@dataclass
class _Crews:
    history: Sequence[Reported]
    knowledge: Knowledge
    work_out: Callable[[Sequence[Move]], Side]
    place: str
    work: int = 0
    """A bit for each event of the history that is work."""
    places: dict[str, list[int]] = field(default_factory=dict)
    views: dict[str, list[_View]] = field(default_factory=dict)
    """Log -> its view after each of its events, beside the places of these in it."""

    def all_merged(self, views: Sequence[_View]) -> _View:
        """Begins with who has seen most work: what was settled there does not disagree again.

        Of like ones what they hold says which is first, not who asks: a history says the same worked out
        whole or brought forward.
        """

        def seen(view: _View) -> tuple[int, int]:
            return (view.held & self.work).bit_count(), view.held

        whole = _View()
        for view in sorted(views, key=seen, reverse=True):
            whole = self._merged(whole, view)
        return whole

    def count_in(self, at: int, reported: Reported) -> None:
        log = reported.event.log
        known = []
        for other, places in self.places.items():
            upto = 2**62 if other == log else self.knowledge.saw_upto(reported, other)
            if seen := bisect_right(places, upto):
                known.append(self.views[other][seen - 1])
        view = self.all_merged(known)
        self.work |= _is_work(reported.event) << at
        view = _View(view.held | 1 << at, (*view.moves, Move(at, "main", reported.event)))
        self.places.setdefault(log, []).append(reported.event.first_place.seq)
        self.views.setdefault(log, []).append(view)

    def _merged(self, one: _View, other: _View) -> _View:
        only_one, only_other = one.held & ~other.held, other.held & ~one.held
        if not only_other:
            return one
        if not only_one:
            return other
        sides = [self._side(one, only_one), self._side(other, only_other)]
        first = 0 if _weight(*sides[0]) >= _weight(*sides[1]) else 1
        (kept, others), missing = ((one, other), only_other) if first == 0 else ((other, one), only_one)
        aside = [move._replace(how="aside") for move in others.moves if missing >> move.at & 1]
        moves = [*kept.moves, *(move for move in aside if not move.why)]
        moves.sort(key=lambda move: move.at)
        _let_the_first_stand(moves)
        held = one.held | other.held
        conflict = self._conflict(sides, first)
        if conflict is None and missing & self.work:
            conflict = sides[1 - first][1].conflict
        if conflict is not None:
            moves.append(conflict._replace(at=held.bit_length() - 1))
        return _View(held, tuple(moves))

    def _side(self, view: _View, only: int) -> tuple[list[Event], Side]:
        events = [reported.event for at, reported in enumerate(self.history) if only >> at & 1]
        return events, self.work_out(view.moves)

    def _conflict(self, sides: Sequence[tuple[list[Event], Side]], first: int) -> Move | None:
        """What both sides did there, if they did; the one that the post goes on from is named first."""
        work = [[event for event in events if _is_work(event)] for events, _ in sides]
        if all(work) and not _alike(*work):
            packs = all(side.packs_by in {event.id for event in events} for events, side in sides)
            settles = "say what is under it, then read it again" if packs else "read it again"
            if sides[first][1].gone:
                settles = "if it is there, insert it again"
            did = "; ".join(what_was_done([*work[first], *work[1 - first]]))
            why = f"crews worked here that did not know of each other: {settles}. {did}"
            last = in_order(chain.from_iterable(work))[-1]
            return Move(0, "conflict", last, f"{why}; it is shown as the first left it", packs)
        laid = [[event for event in events if event.kind == "post-added"] for events, _ in sides]
        if all(laid) and _different(laid[0][-1], laid[1][-1]):
            one, later = in_order([laid[0][-1], laid[1][-1]])
            stands = f"as {_who(one, 'one crew')} did, who was first, stands: read it"
            both = f"{_who(one, 'one crew')} and {_who(later, 'another crew')}"
            return Move(0, "conflict", later, f"{both} lay {self.place} out differently; {stands}")
        return None


_GOES_ON = WORK | {"prescribed", "post-added", "run-added", "job-added"}
"""What others may go on from."""


def gone_on_from(
    history: Sequence[Reported], undo: Reported, knowledge: Knowledge
) -> tuple[list[Event], list[Event]]:
    """(what an undo takes back, work by crews who had seen that, where neither knew of the other).

    Nobody takes back what another crew has gone on from: it is brought back where the two logs meet
    (store.merge), and the post is in conflict until somebody who knows of both reads it again.
    """
    of = said_by(undo.event).get("of")
    taken = [one for one in history if one.event.step == of and one.event.kind in _GOES_ON]

    def went_on(work: Reported, from_: Event) -> bool:
        here = work.event
        there = from_.run in (None, here.run) and from_.post in (None, here.post)
        return there and here.stamp > from_.stamp and knowledge.saw(work, Reported(from_, NOTHING_SEEN))

    since = [
        one.event
        for one in (history if taken else ())
        if one.event.log != undo.event.log
        and _is_work(one.event)
        and any(went_on(one, event) for event, _ in taken)
        and not (knowledge.saw(undo, one) or knowledge.saw(one, undo))
    ]
    return [event for event, _ in taken], since


def undone_unknowing(history: Sequence[Reported], knowledge: Knowledge) -> Iterator[Move]:
    """A conflict at a post for each step that took back what another crew had gone on from.

    The moves' `at` is a place in the history.
    """
    undone: dict[str, list[tuple[Reported, list[Event], list[Event]]]] = {}
    for undo in (one for one in history if one.event.kind == UNDONE):
        taken, since = gone_on_from(history, undo, knowledge)
        if since:
            undone.setdefault(undo.event.step, []).append((undo, taken, since))
    for parts in undone.values():
        taken = in_order(chain.from_iterable(taken for _, taken, _ in parts))
        undo, _, since = parts[0]
        packs = any(event.kind in ("packed", "tightened", "trimmed") for event in taken)
        settles = "say what is under it, then read it again" if packs else "read it again"
        who, did = _who(undo.event, "one crew"), "; ".join(what_was_done(since))
        what = f"{who} took back {words_of(taken[0])} ({_minute(undo.event)})"
        why = f"{what}, which others had gone on from: {settles}. It stands all the same; {did}"
        at = max(at for at, one in enumerate(history) if one.event in since)
        yield Move(at, "conflict", since[-1], why, packs)


def _let_the_first_stand(moves: list[Move]) -> None:
    """A post that two crews added stands as it was laid out first, whoever packed it."""
    added = [index for index, move in enumerate(moves) if move.event.kind == "post-added"]
    if added and moves[added[0]].how == "aside":
        stands = next((index for index in added if moves[index].how == "main"), None)
        if any(
            move.event.kind == "post-removed" for move in moves[: added[-1] if stands is None else stands]
        ):
            return
        moves[added[0]] = moves[added[0]]._replace(how="main")
        if stands is not None:
            moves[stands] = moves[stands]._replace(how="aside")


def _weight(events: Sequence[Event], side: Side) -> tuple[bool, int, float, str]:
    """Which crew's history a post goes on from: where it was taken out, or packed; else the earlier one.

    Never from who did no work and only saw a disagreement that the other may have settled since.
    """
    ids = {event.id for event in events}
    rank = 3 if side.gone else 2 if side.packs_by in ids else 1 if side.set_up else 0 if side.there else -1
    worked = any(_is_work(event) or event.kind == "prescribed" for event in events)
    first = next((event for event in events if _is_work(event)), events[0])
    waits = side.conflict is not None and not any(map(_is_work, events))
    return not waits, 2 * rank + worked, -first.stamp, first.id


def _different(one: Event, other: Event) -> list[str]:
    """What two events that lay something out both say, and say differently of it."""
    here, there = said_by(one), said_by(other)
    return [key for key, value in here.items() if key in there and there[key] != value]


def _alike(here: Sequence[Event], there: Sequence[Event]) -> bool:
    """Both only moved the post, to one mark in the end, or both took it out: there is nothing to settle."""
    layout = all(event.kind in ("post-moved", "post-removed") for event in (*here, *there))
    return layout and here[-1].kind == there[-1].kind and not _different(here[-1], there[-1])


def _who(event: Event, unnamed: str) -> str:
    return event.by or unnamed


def _minute(event: Event) -> str:
    return event.time[:16].replace("T", " ")


_MOST_NAMED = 4
_DID = {
    "reading": "read {text}",
    "packed": "packed it",
    "tightened": "tightened it",
    "trimmed": "cut its packs flush",
    "skipped": "skipped it ({why})",
    "post-moved": "moved it",
    "post-removed": "took it out",
}


def what_was_done(events: Iterable[Event]) -> list[str]:
    """What each log holds of a post, and until when: `north read 8n 3h, packed it (2026-05-04 10:12)`.

    What can't be read of an event is said as `…`.
    """
    by_log: dict[str, list[Event]] = {}
    for event in events:
        by_log.setdefault(event.log, []).append(event)
    done: list[str] = []
    for own in by_log.values():
        steps = [_DID[event.kind].format_map({"text": "…", "why": "…", **said_by(event)}) for event in own]
        if more := len(steps[:-_MOST_NAMED]):
            steps = [f"did {more} more, then {steps[-_MOST_NAMED]}", *steps[1 - _MOST_NAMED :]]
        who = _who(own[-1], "another crew" if done else "one crew")
        done.append(f"{who} {', '.join(steps)} ({_minute(own[-1])})")
    return done


def layout_conflict(changes: Sequence[Reported], knowledge: Knowledge, run: str, units: Units) -> str | None:
    """How crews that did not know of each other lay a run out differently, in a sentence; None if they don't.

    changes: its standing `run-added` and `run-changed` events in the order of time. A change by somebody who
    has seen both settles it.
    """
    found: list[Reported] = []
    for reported in changes:
        if reported.event.kind == "run-changed":
            found = [one for one in found if not knowledge.saw(reported, one)]
        found.append(reported)
    for number, one in enumerate(found):
        for later in found[number + 1 :]:
            keys = _different(one.event, later.event)
            if keys and not knowledge.saw(later, one):
                first, second = (
                    f"{_who(event, unnamed)}: {', '.join(_options(event, keys, units))}"
                    for event, unnamed in ((one.event, "one crew"), (later.event, "another crew"))
                )
                stands = "the one laid out first" if later.event.kind == "run-added" else "the later change"
                return f"two crews lay run {run} out differently: {first}; {second}; {stands} stands"
    return None


def _options(event: Event, keys: Iterable[str], units: Units) -> Iterator[str]:
    """Options of a run as an event sets them: `height 900 mm`, `face names out=lake`."""
    data = codec.read(shape_of(event.kind), said_by(event))
    for key in keys:
        name, value = key.removesuffix("_mm").replace("_", " "), data[key]
        if isinstance(value, Mapping):
            value = " ".join(f"{one}={called}" for one, called in value.items()) or None
        elif key.endswith("_mm") and value is not None:
            value = shown.sized(value, units)
        yield f"{name} {'not set' if value is None else getattr(value, 'text', value)}"
