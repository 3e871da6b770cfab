"""What takes its time, in threads: the screen stays alive, keeps its keys and looks when it likes.

A reading is on disk before its answer is worked out. Most answers are there within PATIENCE_S and nobody
sees the thread; a hard box takes seconds. An answer whose post or box has changed meanwhile is dropped and
worked out anew (workflow.reading.answer_now); posts are answered in the order in which they were read, those
that were read while others were answered (a table that is pasted) together.
"""

from __future__ import annotations

import gc
import threading
import time
from collections.abc import Collection
from importlib import import_module
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sized

    from shimfit.workflow.plan import RunPlan
    from shimfit.workflow.site import Place, Site

PATIENCE_S = 0.1
"""So long Enter itself waits: below it nobody takes the program for slow (common practice, no source)."""
LOOK_S = 0.05
PROGRESS = "  ["
"""A line that begins so is a bar that moves: only its last state is shown."""
LEAVING_S = 2.0
"""How long the way out may take; what is missing then is worked out when the post is seen again."""


class Running(threading.Thread):
    """Some work in a thread of its own, with what it says meanwhile. Start it once."""

    def __init__(self, work: Callable[[Callable[[str], None], Callable[[], bool]], int]) -> None:
        """work: takes where to say things and whether it is asked to stop; returns its exit code."""
        super().__init__(name="running", daemon=True)
        self._work = work
        self._said: list[str] = []
        self._stop_asked = threading.Event()
        self._begun_s = time.monotonic()
        self._error: Exception | None = None
        self.code = 0

    def run(self) -> None:
        """Do it; what goes wrong is kept for fault()."""
        try:
            self.code = self._work(self._said.append, self._stop_asked.is_set)
        except Exception as error:  # noqa: BLE001 - raised again where it can be seen
            self._error = error
        finally:
            del self._work  # and with it what it waited for

    def stop(self) -> None:
        """Ask it to stop; returns at once."""
        self._stop_asked.set()

    def leave(self) -> None:
        """Stop, and wait a little: the program is about to end."""
        self.stop()
        if self.is_alive():
            self.join(LEAVING_S)

    @property
    def stopping(self) -> bool:
        """True once it was asked to stop."""
        return self._stop_asked.is_set()

    @property
    def seconds(self) -> float:
        """Time since it was begun."""
        return time.monotonic() - self._begun_s

    def fault(self) -> str:
        """Why it came to nothing, in a sentence; empty where there is no trouble.

        A fault of the program's own is raised here, in the screen's thread, where it can be seen.
        """
        if self._error is None:
            return ""
        if not isinstance(self._error, ShimfitError) or self._error.kind == "internal":
            raise self._error
        return self._error.message

    def text(self) -> list[str]:
        """What it has said so far, line by line; of lines of progress the last. Raises its own faults."""
        self.fault()
        lines = "".join(self._said).rstrip().split("\n")
        later = [*lines[1:], ""]
        return [
            line.removeprefix("shimfit: ")
            for line, after in zip(lines, later, strict=True)
            if not (line.startswith(PROGRESS) and after.startswith(PROGRESS))
        ]


class Answering(Collection["Place"]):
    """Answers of posts, one after another; holds the posts whose answer was not collected yet."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._asked: list[tuple[Place, Running]] = []

    def __contains__(self, place: object) -> bool:
        return any(place == one for one, _ in self._asked)

    def __iter__(self) -> Iterator[Place]:
        return (place for place, _ in self._asked)

    def __len__(self) -> int:
        return len(self._asked)

    def ask(self, place: Place) -> bool:
        """Ask for a post's answer; True when it is there already, False when it is still worked on."""
        before = self._asked[-1][1] if self._asked else None

        def answer(_said: object, stop: Callable[[], bool]) -> int:
            from shimfit.workflow.reading import answer_all

            if before is not None:
                before.join()
            if not stop():
                waiting = [at for at, one in self._asked if one is not before]
                answer_all(self._site, [place, *waiting], stop)
            return 0

        running = Running(answer)
        self._asked.append((place, running))
        running.start()
        running.join(PATIENCE_S if before is None else 0.0)  # behind others it would wait for theirs
        return not running.is_alive()

    def collect(self) -> list[tuple[Place, str]]:
        """What has come since the last look: post, and why there is no answer (empty: there is one)."""
        came = [one for one in self._asked if not one[1].is_alive()]
        self._asked = self._asked[len(came) :]
        # The step that failed is the answer: nobody may take it for the reading.
        return [(at, one.fault().removesuffix(": the last step was not logged")) for at, one in came]

    def leave(self) -> None:
        """Stop after the answer that is worked on, and wait a little for it."""
        for _, running in self._asked:
            running.stop()
        if self._asked:
            self._asked[-1][1].leave()


class Planning(Running):
    """One plan in the making. Start it once; all attributes may be read at any time."""

    def __init__(
        self,
        site: Site,
        job: str,
        run: str,
        *,
        off_mm: Mapping[str, float] | None = None,
        waits_for: Sized = (),
    ) -> None:
        """Say what to plan.

        off_mm: aim the tops at one line within their tolerances; by post, how far its foot is off it.
        waits_for: posts whose answers are being worked out; it begins when there are none.
        """
        super().__init__(self._plan)
        self._waits_for = waits_for
        self._site, self._job, self._run, self._off_mm = site, job, run, off_mm
        self.bound: float | None = None
        """No plan can cost less; None until that is known."""
        self.best: float | None = None
        """Cost of the best plan so far; None while there is none."""
        self.made: RunPlan | None = None

    def keep(self) -> str:
        """Make the plan's answers the posts' own; returns what became of it, in words.

        Where the box or a post was changed since it was begun nothing is kept. Raises its own faults.
        """
        fault = self.fault()
        if self.made is None:
            return fault
        from shimfit.workflow.plan import log_plan

        if self._site.journal.read_only:
            return "planned to look at only: this file is not written here"
        if (count := log_plan(self._site, self._job, self._run, self.made)) is None:
            return "something was logged meanwhile: not kept, plan again"
        return "1 post got its packs" if count == 1 else f"{count} posts got their packs"

    def _plan(self, _said: object, stop: Callable[[], bool]) -> int:
        from shimfit.workflow.plan import plan_site_run

        while self._waits_for and not stop():  # they log, and what is planned must not change
            time.sleep(LOOK_S)
        self.made = plan_site_run(
            self._site,
            self._job,
            self._run,
            off_mm=self._off_mm,
            progress=self._take_bounds,
            stop=stop,
        )
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
    "shimfit.workflow.reading",
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
