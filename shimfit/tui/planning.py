"""Planning a run while the screen stays alive: a thread works, the screen looks at it when it likes."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.workflow.plan import RunPlan
    from shimfit.workflow.site import Site

LEAVING_S = 2.0
"""How long the program waits for a plan that it has asked to stop, on the way out."""


class Planning:
    """One plan in the making. Start it once; all attributes may be read at any time."""

    def __init__(self, site: Site, job: str, run: str, *, off_mm: Mapping[str, float] | None = None) -> None:
        """off_mm: aim the tops at one line within their tolerances; by post, how far its foot is off it."""
        self._site, self._job, self._run, self._off_mm = site, job, run, off_mm
        self._head = site.log()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._work, name="planning", daemon=True)
        self._begun_s = time.monotonic()
        self._crash: Exception | None = None
        self.bound: float | None = None
        """No plan can cost less; None until that is known."""
        self.best: float | None = None
        """Cost of the best plan so far; None while there is none."""
        self.made: RunPlan | None = None
        """The plan, once it is there."""
        self.trouble: str = ""
        """Why there is none, in a sentence; empty while there is no trouble."""

    def start(self) -> None:
        """Begin to plan; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Ask it to stop with the best so far; returns at once."""
        self._stop.set()

    def leave(self) -> None:
        """Stop, and wait a little: the program is about to end."""
        self.stop()
        if self._thread.is_alive():
            self._thread.join(LEAVING_S)

    @property
    def running(self) -> bool:
        """True while it works."""
        return self._thread.is_alive()

    @property
    def stopping(self) -> bool:
        """True once it was asked to stop."""
        return self._stop.is_set()

    @property
    def seconds(self) -> float:
        """Time since it was begun."""
        return time.monotonic() - self._begun_s

    def keep(self) -> str:
        """Make the plan's answers the posts' own; returns what became of it, in words.

        Whatever was logged since the plan was begun may have changed the box or a post under it: then
        nothing is kept. A fault of the program's own comes out here, in the screen's thread.
        """
        if self._crash is not None:
            raise self._crash
        if self.made is None:
            return self.trouble
        from shimfit.workflow.plan import log_plan

        if self._site.read_only:
            return "planned to look at only: this file is not written here"
        with self._site.journal.exclusively():
            if self._site.log() != self._head:
                return "something was logged meanwhile: not kept, plan again"
            count = log_plan(self._site, self._job, self._run, self.made)
        return f"{count} posts got their packs"

    def _work(self) -> None:
        from shimfit.workflow.plan import plan_site_run

        try:
            self.made = plan_site_run(
                self._site,
                self._job,
                self._run,
                line_up=self._off_mm is not None,
                off_mm=self._off_mm,
                progress=self._hear,
                stop=self._stop.is_set,
            )
        except ShimfitError as error:
            if error.kind == "internal":
                self._crash = error
            else:
                self.trouble = error.message
        except Exception as error:  # noqa: BLE001 - raised again by keep(), where it can be seen
            self._crash = error

    def _hear(self, bound: float, best: float | None) -> None:
        self.bound, self.best = bound, best
