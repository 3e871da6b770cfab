"""Rows of things to tap: screen names, direction buttons, the tap pad, the keys at the foot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from textual.message import Message

from shimfit.tui.widgets.drawn import Drawn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual import events
    from textual.strip import Strip

    from shimfit.text.canvas import Run


@dataclass(frozen=True, slots=True)
class Tap:
    """One thing to tap."""

    label: str
    deed: str
    """Name of an action, or `type:TEXT` for text that goes into the entry line."""
    role: str = "key"


class Taps(Drawn):
    """Taps spread evenly over the rows of the widget; a row of the table may be several cells high."""

    class Tapped(Message):
        """Somebody tapped."""

        def __init__(self, tap: Tap) -> None:
            super().__init__()
            self.tap = tap

    def __init__(
        self,
        rows: Sequence[Sequence[Tap]] = (),
        *,
        spread: bool = True,
        id: str | None = None,  # noqa: A002 - the library's own name
    ) -> None:
        super().__init__(id=id)
        self._rows = rows
        self._spread = spread

    def offer(self, rows: Sequence[Sequence[Tap]]) -> None:
        """Show other taps."""
        if rows != self._rows:
            self._rows = rows
            self.refresh()

    def render_line(self, y: int) -> Strip:
        """One row of cells: labels stand in the middle row of theirs."""
        width, height = self.size
        if not self._rows:
            return self.strip_of([], width)
        index, row_height = self._row_at(y, height)
        taps = self._rows[index]
        middle = y == index * row_height + (row_height - 1) // 2
        # The last row of high taps belongs to them and is left free: or a table of them looks like one slab.
        gap = row_height > 1 and y == (index + 1) * row_height - 1
        runs: list[Run] = []
        for number, tap in enumerate(taps):
            start, end = self._cells(number, taps, width)
            room = end - start - (1 if self._spread else 0)
            label = tap.label[:room] if middle else ""
            runs.append((label.center(room) if self._spread else label.ljust(room), "" if gap else tap.role))
            if self._spread:
                runs.append((" ", ""))
        return self.strip_of(runs, width)

    def on_click(self, event: events.Click) -> None:
        """Say which tap was hit."""
        width, height = self.size
        if not self._rows:
            return
        index, _ = self._row_at(event.y, height)
        taps = self._rows[index]
        for number, tap in enumerate(taps):
            start, end = self._cells(number, taps, width)
            if start <= event.x < end:
                event.stop()
                self.post_message(self.Tapped(tap))
                return

    def _row_at(self, y: int, height: int) -> tuple[int, int]:
        row_height = max(1, height // len(self._rows))
        return min(len(self._rows) - 1, y // row_height), row_height

    def _cells(self, number: int, taps: Sequence[Tap], width: int) -> tuple[int, int]:
        if self._spread:
            return number * width // len(taps), (number + 1) * width // len(taps)
        start = sum(len(tap.label) + 2 for tap in taps[:number])
        return start, start + len(taps[number].label) + 2
