"""A list of rows of any length: drawn row by row, so a thousand posts cost no more than the rows in view."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView

from shimfit.text.phrases import wrapped
from shimfit.tui.widgets.drawn import Drawn

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual import events
    from textual.strip import Strip

    from shimfit.text.canvas import Run


class Rows(ScrollView, Drawn, can_focus=True):
    """Rows of text with one of them marked; up and down move the mark, Enter or a tap chooses."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up", show=False),
        Binding("down", "move(1)", "Down", show=False),
        Binding("pageup", "page(-1)", "Page up", show=False),
        Binding("pagedown", "page(1)", "Page down", show=False),
        Binding("home", "move(-1000000)", "First", show=False),
        Binding("end", "move(1000000)", "Last", show=False),
        Binding("enter", "choose", "Choose", show=False),
    ]

    class Chosen(Message):
        """A row was chosen."""

        def __init__(self, rows: Rows, index: int) -> None:
            super().__init__()
            self.rows = rows
            self.index = index

        @property
        def control(self) -> Rows:
            """The list, for handlers that are bound to one by its id."""
            return self.rows

    class Moved(Message):
        """The mark moved to another row."""

        def __init__(self, rows: Rows, index: int) -> None:
            super().__init__()
            self.rows = rows
            self.index = index

        @property
        def control(self) -> Rows:
            """The list, for handlers that are bound to one by its id."""
            return self.rows

    def __init__(self, *, id: str | None = None, empty: str = "") -> None:  # noqa: A002 - the library's name
        super().__init__(id=id)
        self._items: Sequence[Sequence[Run]] = ()
        self.empty = empty
        self.index = 0

    def fill(self, items: Sequence[Sequence[Run]], index: int | None = None) -> None:
        """Show other rows; index: the row to mark, None keeps the mark where it is."""
        old, self._items = self._items, items
        if index is not None:
            self.index = index
        self.index = min(max(0, self.index), max(0, len(items) - 1))
        self.virtual_size = Size(0, max(1, len(items)))
        if len(old) == len(items) and old:
            changed = [y for y, row in enumerate(items) if row != old[y]]
            top = round(self.scroll_offset.y)
            regions = [
                Region(0, y - top, self.size.width, 1) for y in changed if 0 <= y - top < self.size.height
            ]
            if regions:
                self.refresh(*regions)
        else:
            self.refresh()
        self._reveal()

    def mark(self, index: int) -> None:
        """Move the mark and bring it into view."""
        index = min(max(0, index), max(0, len(self._items) - 1))
        if index == self.index:
            return
        self.index = index
        self._reveal()
        self.refresh()
        self.post_message(self.Moved(self, index))

    def render_line(self, y: int) -> Strip:
        """One visible row; the marked one is reversed."""
        width = self.size.width
        index = y + round(self.scroll_offset.y)
        if not self._items:
            told = wrapped(self.empty, width)
            return self.strip_of([(told[index], "")] if index < len(told) else [], width)
        if index >= len(self._items):
            return self.strip_of([], width)
        runs = self._items[index]
        if index == self.index:
            text = "".join(part for part, _ in runs)
            return self.strip_of([(text[:width].ljust(width), "here")], width)
        return self.strip_of(runs, width)

    def action_move(self, step: int) -> None:
        """Move the mark by some rows."""
        self.mark(self.index + step)

    def action_page(self, step: int) -> None:
        """Move the mark by a page."""
        self.mark(self.index + step * max(1, self.size.height - 1))

    def action_choose(self) -> None:
        """Choose the marked row."""
        if self._items:
            self.post_message(self.Chosen(self, self.index))

    def on_click(self, event: events.Click) -> None:
        """A tap marks a row and chooses it."""
        index = event.y + round(self.scroll_offset.y)
        if 0 <= index < len(self._items):
            self.mark(index)
            self.post_message(self.Chosen(self, index))

    @property
    def text(self) -> str:
        """All rows as text."""
        return "\n".join("".join(part for part, _ in row).rstrip() for row in self._items)

    def _reveal(self) -> None:
        top, height = round(self.scroll_offset.y), max(1, self.size.height)
        if self.index < top:
            self.scroll_to(y=self.index, animate=False)
        elif self.index >= top + height:
            self.scroll_to(y=self.index - height + 1, animate=False)
