"""Answers that take their time: worked out in a thread, so that the screen stays alive and keeps its keys.

The reading is on disk before anything is worked out. Most answers are there within PATIENCE_S and nobody sees
the thread; a hard box (many posts to come, few pieces) takes seconds. An answer whose post or box has changed
meanwhile is dropped and worked out anew (workflow.reading.answer_now); the posts are answered in the order in
which they were read.
"""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError

if TYPE_CHECKING:
    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site

PATIENCE_S = 0.1
"""So long Enter itself waits: below it nobody takes the program for slow (common practice, no source)."""
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
            place, trouble, crash = self._came.get()
            if crash is not None:
                raise crash
            if place in self.pending and self.pending[place].is_set():
                del self.pending[place]
            found.append((place, trouble))
        return found

    def leave(self) -> None:
        """Stop after the answer that is worked on, and wait a little for it."""
        if self._thread is not None:
            self._asked.put(None)
            self._thread.join(LEAVING_S)

    def _work(self) -> None:
        while (asked := self._asked.get()) is not None:
            place, ready = asked
            trouble = ""
            crash: Exception | None = None
            try:
                self._site.answer(place)
            except ShimfitError as error:
                # The step that failed is the answer: nobody may take it for the reading.
                trouble = error.message.removesuffix(": the last step was not logged")
                crash = error if error.kind == "internal" else None
            except Exception as error:  # noqa: BLE001 - raised again by collect(), where it can be seen
                crash = error
            self._came.put((place, trouble, crash))
            ready.set()
