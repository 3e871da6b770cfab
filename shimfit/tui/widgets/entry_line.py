"""The one line that everything is typed into. An empty line lends its keys to the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.message import Message
from textual.widgets import Input

if TYPE_CHECKING:
    from textual import events

STEADY_WIDTH = 256
EMPTY_LINE_KEYS = {
    "question_mark": "help",
    "q": "quit",
    "slash": "find",
    "space": "take",
    "up": "previous_post",
    "down": "next_post",
    "tab": "next_pack",
}
"""What these keys do while nothing is typed; with text on the line they are text (up and down: history)."""


class EntryLine(Input):
    """A line editor that offers its keys while it is empty, and remembers what was typed."""

    class Lent(Message):
        """A key that the empty line does not need."""

        def __init__(self, deed: str) -> None:
            super().__init__()
            self.deed = deed

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 - the library's own name
        super().__init__(compact=True, select_on_focus=False, id=id)
        self._history: list[str] = []
        self._back = 0
        self._draft = ""
        self.lends = True
        """False while the line asks for something else than a reading (a name, a note)."""

    @property
    def content_width(self) -> int:
        """Wider than any reading: a width that changes with every key would lay out the whole screen anew."""
        return max(STEADY_WIDTH, super().content_width)

    def remember(self, text: str) -> None:
        """Keep what was typed for recall by the up key."""
        if text and (not self._history or self._history[-1] != text):
            self._history.append(text)
        self._back = 0

    def on_show(self) -> None:
        """Text that was offered before the line had a width would stay scrolled out of sight."""
        if self.cursor_position < self.size.width:
            self.scroll_to(0, 0, animate=False)

    async def _on_key(self, event: events.Key) -> None:
        deed = EMPTY_LINE_KEYS.get(event.key)
        if deed and not self.value and self.lends:
            event.stop()
            event.prevent_default()
            self.post_message(self.Lent(deed))
            return
        if event.key in ("tab", "shift+tab"):  # the line keeps the cursor: elsewhere letters would be lost
            event.stop()
            event.prevent_default()
            return
        if event.key in ("up", "down") and self._history and (self.value or not self.lends):
            event.stop()
            event.prevent_default()
            self._recall(1 if event.key == "up" else -1)
            return
        await super()._on_key(event)

    def _recall(self, step: int) -> None:
        if self._back == 0:
            self._draft = self.value
        self._back = min(max(0, self._back + step), len(self._history))
        self.value = self._history[-self._back] if self._back else self._draft
        self.cursor_position = len(self.value)
