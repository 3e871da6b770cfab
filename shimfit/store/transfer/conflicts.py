"""Where two crews' logs of one job do not agree: shown per post, never guessed.

A conflict is a post at which both logs hold something that the other crew had not seen: both read it, one
packed it and the other read it, they laid it out differently. Notes and photos never clash, they add up.
Everything of both stays in the log; until somebody reads the post again (and, where both packed it, says what
is under it), its state is `to read` and the sentence stands beside it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.store.steps import UNDONE, standing, words

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.store.events import Event

_CLASHING = frozenset(
    {"reading", "packed", "tightened", "trimmed", "skipped", "post-moved", "post-removed", "post-added"}
)
_LAYING_OUT = frozenset({"run-added", "run-changed"})
_LOOKED_AT = _CLASHING | _LAYING_OUT | {UNDONE}


@dataclass(frozen=True, slots=True)
class Conflict:
    """One post (or run) on which two logs do not agree."""

    job: str
    run: str
    post: str
    """Empty: the run itself was laid out differently."""
    why: str
    """A sentence with what each log holds."""
    packs: bool = False
    """Both logs say what is under the post."""


def find_conflicts(ours: Iterable[Event], theirs: Iterable[Event]) -> tuple[Conflict, ...]:
    """Conflicts between what only this log holds and what only the other one holds, in order of the posts.

    Give each side's unseen events only, `undone` events included: what was taken back does not clash.
    """
    here, there = _by_post(ours), _by_post(theirs)
    found = []
    for place, our_events in here.items():
        their_events = there.get(place)
        if their_events:
            conflict = _clash(*place, our_events, their_events)
            if conflict is not None:
                found.append(conflict)
    return tuple(found)


_Scope = tuple[str, str, str]


def _by_post(events: Iterable[Event]) -> dict[_Scope, list[Event]]:
    grouped: defaultdict[_Scope, list[Event]] = defaultdict(list)
    for event in standing(event for event in events if event.kind in _LOOKED_AT):
        if event.job is None or event.run is None:
            continue
        post = event.post or ""
        if event.kind in (_CLASHING if post else _LAYING_OUT):
            grouped[event.job, event.run, post].append(event)
    return dict(grouped)


def _clash(job: str, run: str, post: str, ours: Sequence[Event], theirs: Sequence[Event]) -> Conflict | None:
    layout = frozenset({"post-added"}) | _LAYING_OUT
    if {event.kind for event in (*ours, *theirs)} <= layout:
        if {event.data_text for event in ours} == {event.data_text for event in theirs}:
            return None
        what = f"post {run}/{post}" if post else f"run {run}"
        return Conflict(
            job, run, post, f"the two logs lay {what} out differently; the one laid out first stands"
        )
    done_here = [event for event in ours if event.kind not in layout]
    done_there = [event for event in theirs if event.kind not in layout]
    if not done_here or not done_there:
        return None
    why = f"two crews worked here: this log has {_told(done_here)}; the other has {_told(done_there)}"
    packs = all(any(event.kind == "packed" for event in side) for side in (ours, theirs))
    return Conflict(job, run, post, f"{why}; {_what_settles(packs)}", packs)


def _what_settles(packs: bool) -> str:
    return "say what is under it, then read it again" if packs else "read it again"


def _told(events: Sequence[Event]) -> str:
    last = events[-1]
    by = f" by {last.by}" if last.by else ""
    more = f" and {len(events) - 1} before it" if len(events) > 1 else ""
    return f"{words([last])} ({last.time[:16].replace('T', ' ')}{by}){more}"
