"""Base of everything that is drawn cell by cell: a Canvas row becomes a strip, roles become styles."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.segment import Segment
from textual.geometry import Region
from textual.screen import Screen
from textual.strip import Strip
from textual.widget import Widget

from shimfit.tui.pictures.canvas import Canvas

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from rich.style import Style
    from textual import events

    from shimfit.tui.pictures.canvas import Run

ROLES = (
    "arrow",
    "band",
    "beyond",
    "big",
    "fill",
    "frame",
    "half-read",
    "here",
    "key",
    "label",
    "lift",
    "number",
    "off",
    "pack",
    "plumb",
    "post",
    "refused",
    "ring",
    "skipped",
    "strong",
    "tighten",
    "to-read",
    "too-close",
    "within",
)
"""Every role that a picture may give a cell; style.tcss has a rule for each."""


_looks: dict[tuple[str, Style, str], Style] = {}
"""Roles put together, by theme and ground: the same few hundred come again with every key."""


class RoleScreen(Screen[None]):
    """A screen that holds the looks of all roles: once for all of its widgets, which costs start-up less."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"role--{role}" for role in ROLES}


class Drawn(Widget):
    """A widget whose rows come from a Canvas, on a RoleScreen. Colours are in style.tcss, never here."""

    def strip_of(self, runs: Iterable[Run], width: int) -> Strip:
        """Turn stretches of text with roles into one row, filled up to the width."""
        base = self.rich_style
        segments = [Segment(text, self._look(roles, base) if roles else base) for text, roles in runs]
        return Strip(segments).adjust_cell_length(width, base)

    def style_of(self, roles: str) -> Style:
        """Style of one role or of several put together, the last winning."""
        return self._look(roles, self.rich_style)

    def _look(self, roles: str, base: Style) -> Style:
        # rich_style is worked out at every look, so a row asks for it once.
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

    def __init__(
        self,
        draw: Callable[[int, int], Canvas],
        *,
        id: str | None = None,  # noqa: A002 - the library's own name
    ) -> None:
        super().__init__(id=id)
        self._draw = draw
        self._rows: list[list[Run]] = []
        self._canvas: Canvas | None = None

    def redraw(self) -> None:
        """Draw anew; rows that come out the same are left alone on the wire."""
        width, height = self.size
        if not width or not height:
            return
        canvas = self._draw(width, height)
        if canvas is self._canvas and self._rows:
            return  # the drawing function says that nothing changed
        self._canvas = canvas
        rows = [canvas.runs(y) for y in range(canvas.height)]
        if len(rows) != len(self._rows):
            self._rows = rows
            self.refresh()
            return
        changed = [y for y, row in enumerate(rows) if row != self._rows[y]]
        self._rows = rows
        if changed:
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One row of the picture."""
        runs = self._rows[y] if y < len(self._rows) else []
        return self.strip_of(runs, self.size.width)

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new size."""
        self._rows = []
        self.redraw()

    @property
    def text(self) -> str:
        """The characters that are shown."""
        return "\n".join("".join(text for text, _ in row).rstrip() for row in self._rows)
