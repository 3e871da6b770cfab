"""What takes its time, in threads: the screen stays alive, keeps its keys and looks when it likes.

A reading is on disk before its answer is worked out. Most answers are there within PATIENCE_S and nobody
sees the thread; a hard box takes seconds. An answer whose post or box has changed meanwhile is dropped and
worked out anew (workflow.reading.answer_now); posts are answered in the order in which they were read.
"""

from __future__ import annotations

import gc
import queue
import threading
import time
from importlib import import_module
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Mapping

    from shimfit.workflow.plan import RunPlan
    from shimfit.workflow.site import Place, Site

PATIENCE_S = 0.1
"""So long Enter itself waits: below it nobody takes the program for slow (common practice, no source)."""
LOOK_S = 0.05
PROGRESS = "  ["
"""A line that begins so is a bar that moves: only its last state is shown."""
LEAVING_S = 2.0
"""How long the way out may take; what is missing then is worked out when the post is seen again."""


class Answering:
    """One thread that answers one post after another; `pending` and `collect` are for the screen's thread."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._asked: queue.SimpleQueue[tuple[Place, threading.Event] | None] = queue.SimpleQueue()
        self._came: queue.SimpleQueue[tuple[Place, str, Exception | None]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self.pending: dict[Place, threading.Event] = {}
        """Posts whose answer was asked for and has not been collected."""

    def ask(self, place: Place) -> bool:
        """Ask for a post's answer; True when it is there already, False when it is still worked on."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._work, name="answering", daemon=True)
            self._thread.start()
        ready = threading.Event()
        patience_s = 0.0 if self.pending else PATIENCE_S  # behind others it would wait for theirs
        self.pending[place] = ready
        self._asked.put((place, ready))
        return ready.wait(patience_s)

    def collect(self) -> list[tuple[Place, str]]:
        """What has come since the last look: post, and why there is no answer (empty: there is one).

        A fault of the program's own comes out here, in the screen's thread.
        """
        found = []
        while not self._came.empty():
            place, fault, crash = self._came.get()
            if crash is not None:
                raise crash
            if place in self.pending and self.pending[place].is_set():
                del self.pending[place]
            found.append((place, fault))
        return found

    def leave(self) -> None:
        """Stop after the answer that is worked on, and wait a little for it."""
        if self._thread is not None:
            self._asked.put(None)
            self._thread.join(LEAVING_S)

    def _work(self) -> None:
        from shimfit.workflow.reading import answer_now

        while (asked := self._asked.get()) is not None:
            place, ready = asked
            fault = ""
            crash: Exception | None = None
            try:
                answer_now(self._site, place)
            except ShimfitError as error:
                # The step that failed is the answer: nobody may take it for the reading.
                fault = error.message.removesuffix(": the last step was not logged")
                crash = error if error.kind == "internal" else None
            except Exception as error:  # noqa: BLE001 - raised again by collect(), where it can be seen
                crash = error
            self._came.put((place, fault, crash))
            ready.set()


class Running(threading.Thread):
    """Some work in a thread of its own, with what it says meanwhile. Start it once."""

    def __init__(self, work: Callable[[Callable[[str], None], Callable[[], bool]], int]) -> None:
        """work: takes where to say things and whether it is asked to stop; returns its exit code."""
        super().__init__(name="running", daemon=True)
        self._work = work
        self._said: list[str] = []
        self._stop_asked = threading.Event()
        self._begun_s = time.monotonic()
        self._crash: Exception | None = None
        self.code = 0
        """Exit code of what it did, once it is over."""

    def run(self) -> None:
        """Do it; a fault of its own is kept for raise_fault()."""
        try:
            self.code = self._work(self._said.append, self._stop_asked.is_set)
        except Exception as error:  # noqa: BLE001 - raised again where it can be seen
            self._crash = error

    def stop(self) -> None:
        """Ask it to stop; returns at once."""
        self._stop_asked.set()

    @property
    def stopping(self) -> bool:
        """True once it was asked to stop."""
        return self._stop_asked.is_set()

    @property
    def seconds(self) -> float:
        """Time since it was begun."""
        return time.monotonic() - self._begun_s

    def raise_fault(self) -> None:
        """Raise a fault of the program's own in the screen's thread, where it can be seen."""
        if self._crash is not None:
            raise self._crash

    def text(self) -> list[str]:
        """What it has said so far, line by line; of lines of progress the last. Raises its own faults."""
        self.raise_fault()
        lines = "".join(self._said).rstrip().split("\n")
        later = [*lines[1:], ""]
        return [
            line.removeprefix("shimfit: ")
            for line, after in zip(lines, later, strict=True)
            if not (line.startswith(PROGRESS) and after.startswith(PROGRESS))
        ]


class Planning(Running):
    """One plan in the making. Start it once; all attributes may be read at any time."""

    def __init__(
        self,
        site: Site,
        job: str,
        run: str,
        *,
        off_mm: Mapping[str, float] | None = None,
        waits_for: Container[Place] = (),
    ) -> None:
        """Say what to plan.

        off_mm: aim the tops at one line within their tolerances; by post, how far its foot is off it.
        waits_for: posts whose answers are being worked out; it begins when there are none.
        """
        super().__init__(self._plan)
        self._waits_for = waits_for
        self._site, self._job, self._run, self._off_mm = site, job, run, off_mm
        self._head = site.log()
        self.bound: float | None = None
        """No plan can cost less; None until that is known."""
        self.best: float | None = None
        """Cost of the best plan so far; None while there is none."""
        self.made: RunPlan | None = None
        """The plan, once it is there."""
        self.fault: str = ""
        """Why there is none, in a sentence; empty while there is no trouble."""

    def leave(self) -> None:
        """Stop, and wait a little: the program is about to end."""
        self.stop()
        if self.is_alive():
            self.join(LEAVING_S)

    def keep(self) -> str:
        """Make the plan's answers the posts' own; returns what became of it, in words.

        Whatever was logged since the plan was begun may have changed the box or a post under it: then
        nothing is kept. A fault of the program's own comes out here, in the screen's thread.
        """
        self.raise_fault()
        if self.made is None:
            return self.fault
        from shimfit.workflow.plan import log_plan

        if self._site.read_only:
            return "planned to look at only: this file is not written here"
        with self._site.journal.exclusively():
            if self._site.log() != self._head:
                return "something was logged meanwhile: not kept, plan again"
            count = log_plan(self._site, self._job, self._run, self.made)
        return "1 post got its packs" if count == 1 else f"{count} posts got their packs"

    def _plan(self, _said: object, stop: Callable[[], bool]) -> int:
        from shimfit.workflow.plan import plan_site_run

        while self._waits_for and not stop():  # they log, and what is planned must not change
            time.sleep(LOOK_S)
        self._head = self._site.log()
        try:
            self.made = plan_site_run(
                self._site,
                self._job,
                self._run,
                line_up=self._off_mm is not None,
                off_mm=self._off_mm,
                progress=self._take_bounds,
                stop=stop,
            )
        except ShimfitError as error:
            if error.kind == "internal":
                raise
            self.fault = error.message
        return 0

    def _take_bounds(self, bound: float, best: float | None) -> None:
        self.bound, self.best = bound, best


# ---------------------------------------------------------------- what waits for the first paint
#
# Starting builds some hundred thousand objects that stay until the end. Looking through them for garbage
# finds nothing, makes the start slower by a seventh and later holds up the one key in a hundred that it
# falls on (80 ms with 1,000 posts): so nothing is looked for until the first screen is painted, and what is
# there by then is left alone. Grammar and statistics are loaded in a thread after it: the first key would
# wait 20 ms for them, the first look at an inclinometer 130 ms.

TYPING = (
    "shimfit.entry.grammar",
    "shimfit.entry.second_look",
    "shimfit.core.uncertainty",
    "shimfit.core.lean",
)
STREAMING = ("shimfit.workflow.solving", "shimfit.core.packing.layouts")


def painted() -> None:
    """The first screen is painted: what is there stays, what comes from now on is looked through as ever.

    Does nothing where no start is under way: a program that holds this one as a part keeps its own ways.
    """
    if not gc.isenabled():
        gc.freeze()
        gc.enable()


def load_ahead(*, streams: bool) -> None:
    """Begin to load what typing needs, and what a stream needs where there is one."""
    names = TYPING + STREAMING if streams else TYPING
    threading.Thread(target=lambda: [import_module(name) for name in names], name="loading ahead").start()
