"""The parts that screens are made of: drawn cell by cell, a list, things to tap, the line to type on."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from rich.segment import Segment
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.screen import Screen
from textual.scroll_view import ScrollView
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Input
from textual.widgets.input import Selection

from shimfit.errors import one_line
from shimfit.settings.actions import EMPTY_LINE_KEYS
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import wrapped
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from rich.style import Style
    from textual import events
    from textual.app import ComposeResult

    from shimfit.text.canvas import Run

STYLE = Path(__file__).with_name("style.tcss")
ROLES = tuple(re.findall(r"^\.role--([\w-]+)", STYLE.read_text("utf-8"), re.MULTILINE))
"""Every role that a picture may give a cell: the style sheet has a rule for each."""


_looks: dict[tuple[str, Style, str], Style] = {}
"""Roles put together, by theme and ground: the same few hundred come again with every key."""


class RoleScreen(Screen[None]):
    """A screen that holds the looks of all roles: once for all of its widgets, which costs start-up less."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"role--{role}" for role in ROLES}


class Drawn(Widget):
    """A widget whose rows come from a Canvas, on a RoleScreen. Colours are in style.tcss, never here."""

    def strip_of(self, runs: Iterable[Run], width: int) -> Strip:
        """Turn stretches of text with roles into one row, filled up to the width."""
        base = self.visual_style.rich_style  # which the library keeps
        # A name out of an older file may hold what commands a terminal: nothing of that leaves here.
        segments = [
            Segment(one_line(text), self._look(roles, base) if roles else base) for text, roles in runs
        ]
        return Strip(segments).adjust_cell_length(width, base)

    def _look(self, roles: str, base: Style) -> Style:
        key = (self.app.theme, base, roles)
        style = _looks.get(key)
        if style is None:
            style = base
            for role in roles.split():
                style += self.screen.get_component_rich_style(f"role--{role}", partial=True)
            _looks[key] = style
        return style


class Picture(Drawn):
    """Shows what a drawing function makes of its size; redrawing refreshes only the rows that changed."""

    def __init__(self, draw: Callable[[int, int], Canvas], *, id: str) -> None:  # noqa: A002 - the library's
        super().__init__(id=id)
        self._draw = draw
        self._canvas = Canvas(0, 0)
        self._drawn_at: Size | None = None

    def redraw(self) -> None:
        """Draw anew; rows that come out the same are left alone on the wire."""
        width, height = self.outer_size
        if not width or not height:
            return
        before = self._canvas
        self._draw_anew()
        if before.height != self._canvas.height:
            self.refresh()
        elif changed := [y for y in range(before.height) if not self._canvas.same_row(y, before)]:
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def _draw_anew(self) -> None:
        self._drawn_at = self.outer_size
        self._canvas = self._draw(*self._drawn_at)

    def render_line(self, y: int) -> Strip:
        """One row of the picture."""
        runs = self._canvas.runs(y) if y < self._canvas.height else []
        return self.strip_of(runs, self.outer_size.width)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Rows for the size that there is: the frame that first shows it does not wait for a resize event."""
        if self._drawn_at != self.outer_size:
            self._draw_anew()
        return super().render_lines(crop)

    @property
    def text(self) -> str:
        """The characters that are shown."""
        return self._canvas.text()


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

    def __init__(
        self,
        chosen: Callable[[int], None],
        moved: Callable[[], None] = lambda: None,
        *,
        id: str,  # noqa: A002 - as above
        empty: str = "",
    ) -> None:
        """chosen: takes the row that was; moved: another one is marked. empty: stands there without rows."""
        super().__init__(id=id)
        self._chosen, self._mark_moved = chosen, moved
        self._items: Sequence[Sequence[Run]] = ()
        self.empty = empty
        self.index = 0

    def fill(self, items: Sequence[Sequence[Run]], index: int | None = None) -> None:
        """Show other rows; index: the row to mark, None keeps the mark where it is."""
        old, self._items, before = self._items, items, self.index
        if index is not None:
            self.index = index
        self.index = min(max(0, self.index), max(0, len(items) - 1))
        self.virtual_size = Size(0, max(1, len(items)))
        if len(old) == len(items) and old:
            moved = {before, self.index} if before != self.index else set()
            changed = [y for y, row in enumerate(items) if row != old[y] or y in moved]
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
        self._mark_moved()

    def on_resize(self, _event: events.Resize) -> None:
        """Keep the marked row in view, also where a longer hint takes a row."""
        self._reveal()

    def render_line(self, y: int) -> Strip:
        """One visible row; the marked one is reversed."""
        width = self.size.width
        index = y + round(self.scroll_offset.y)
        if not self._items:
            reported = wrapped(self.empty, width)
            return self.strip_of([(reported[index], "")] if index < len(reported) else [], width)
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
            self._chosen(self.index)

    def on_click(self, event: events.Click) -> None:
        """A tap marks a row and chooses it."""
        index = event.y + round(self.scroll_offset.y)
        if 0 <= index < len(self._items):
            self.mark(index)
            self._chosen(index)

    @property
    def text(self) -> str:
        """All rows as text."""
        return "\n".join("".join(part for part, _ in row).rstrip() for row in self._items)

    def _reveal(self) -> None:
        self.scroll_to_region(Region(0, self.index, 1, 1), animate=False)


class Sheet(RoleScreen):
    """Rows in front of a page, broken to the window's width."""

    def _show(self) -> None:
        """Break the rows anew."""
        raise NotImplementedError

    def _tapped(self) -> None:
        """A row was tapped, or chosen by Enter."""
        raise NotImplementedError

    def compose(self) -> ComposeResult:
        """One list of rows."""
        yield Rows(lambda _row: self._tapped(), id="list")

    def on_mount(self) -> None:
        """The list takes the keys."""
        self.query_one(Rows).focus()

    def on_resize(self) -> None:
        """Break the rows anew."""
        self._show()


@dataclass(frozen=True, slots=True)
class Tap:
    """One thing to tap."""

    label: str
    action: str
    """Name of an action, or `type:TEXT` for text that goes into the entry line."""
    role: str = "key"


class Taps(Drawn):
    """Taps spread evenly over the rows of the widget; a row of the table may be several cells high."""

    def __init__(self, tapped: Callable[[str], None], *, id: str) -> None:  # noqa: A002 - as above
        """tapped: takes the action of the tap that was hit."""
        super().__init__(id=id)
        self._tapped = tapped
        self._rows: Sequence[Sequence[Tap]] = ()

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
            room = end - start - 1
            label = tap.label[:room] if middle else ""
            runs += [(label.center(room), "" if gap else tap.role), (" ", "")]
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
                self._tapped(tap.action)

    def _row_at(self, y: int, height: int) -> tuple[int, int]:
        row_height = max(1, height // len(self._rows))
        return min(len(self._rows) - 1, y // row_height), row_height

    def _cells(self, number: int, taps: Sequence[Tap], width: int) -> tuple[int, int]:
        """Columns of one tap: like shares of the row, or by the labels' lengths where one would be cut."""
        even = width // len(taps) - 1
        weights = [1] * len(taps)
        if any(len(tap.label) > even for tap in taps):
            weights = [len(tap.label) + 1 for tap in taps]
        before, total = sum(weights[:number]), sum(weights)
        return before * width // total, (before + weights[number]) * width // total


STEADY_WIDTH = 256


class EntryLine(Input):
    """A line editor that offers its keys while it is empty, and remembers what was typed."""

    def __init__(
        self,
        do: Callable[[str], None],
        submit: Callable[[str], None],
        paste: Callable[[list[str]], None],
        *,
        id: str,  # noqa: A002 - as above
    ) -> None:
        """do: does the actions that the empty line has keys for.

        submit: takes what was typed. paste: takes lines, two at least, that were pasted for a reading.
        """
        super().__init__(compact=True, select_on_focus=False, id=id)
        self._do, self._submit, self._paste_lines = do, submit, paste
        self._history: list[str] = []
        self._back = 0
        self._draft = ""
        self.lends = True
        """False while the line asks for something else than a reading (a name, a note)."""
        self.offered: str | None = None
        """What was offered, or refused as a whole: the first sign typed takes its place; other keys edit."""
        self.refused_at_spot: str | None = None
        """What was refused at one spot: a figure begins it anew, as a reading begins; other keys edit it."""

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
        self.scroll_to(max(0, self.cursor_position + 1 - self.size.width), 0, animate=False)

    def _watch_selection(self, selection: Selection) -> None:
        """The library leaves a line scrolled that was longer: its first letters would not be seen."""
        super()._watch_selection(selection)
        if self.scroll_x and len(self.value) < self.size.width:
            self.scroll_to(0, 0, animate=False, immediate=True)

    def _on_paste(self, event: events.Paste) -> None:
        """Lines of a table are readings, one after another; where something else is asked, one text."""
        event.stop()
        event.prevent_default()
        lines = [line.strip() for line in event.text.splitlines() if line.strip()]
        if self.lends and len(lines) > 1:
            self._paste_lines(lines)
        else:
            self.replace("; ".join(lines), *self.selection)

    async def _on_key(self, event: events.Key) -> None:
        action = EMPTY_LINE_KEYS.get(event.key) if self.lends and not self.value else None
        anew = (self.offered, self.refused_at_spot if (event.character or "").isdecimal() else None)
        self.offered = self.refused_at_spot = None
        if self.value in anew and event.is_printable:
            self.value = ""
        if action:  # done now, as Enter is, not by a message: the keys behind it keep their order
            self._do(action)
        elif event.key == "enter":
            self._submit(self.value)
        elif event.key in ("up", "down") and self._history and (self.value or not self.lends):
            if self._back == 0:
                self._draft = self.value
            step = 1 if event.key == "up" else -1
            self._back = min(max(0, self._back + step), len(self._history))
            self.value = self._history[-self._back] if self._back else self._draft
            self.cursor_position = len(self.value)
        elif event.key not in (
            "tab",
            "shift+tab",
        ):  # at these the line keeps the cursor, or letters were lost
            await super()._on_key(event)
            return
        event.stop()
        event.prevent_default()
