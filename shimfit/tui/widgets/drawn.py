"""Base of everything that is drawn cell by cell: a Canvas row becomes a strip, roles become styles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Self

from rich.segment import Segment
from textual.containers import Horizontal, Vertical
from textual.geometry import Region
from textual.screen import Screen
from textual.strip import Strip
from textual.widget import Widget

from shimfit.errors import one_line
from shimfit.text.canvas import Canvas

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from rich.style import Style
    from textual import events
    from textual.color import Color
    from textual.filter import LineFilter
    from textual.geometry import Size

    from shimfit.text.canvas import Run

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


class Kept(Widget):
    """A widget without frame or padding that keeps its finished rows from one frame to the next.

    At every frame the library asks each widget beside the changed cells for all of its rows, and by its own
    way works out style, frame, padding and opacity before it looks into its memory: twenty frames a second
    of that cost more than the picture that moves.
    """

    def __init__(self, *children: Widget, **options: Any) -> None:
        self._kept: dict[int, Strip] = {}
        self._kept_width = 0
        self._looks_of: object = None
        self._whole: tuple[Region, list[Strip]] | None = None
        """What was asked for last, at full width, and the answer, while no row changed."""
        self._base: Style | None = None
        self._ground: Color | None = None
        super().__init__(*children, **options)

    def render_lines(self, crop: Region) -> list[Strip]:
        """The rows of a part of the widget."""
        filters = self.app.get_line_filters()
        looks_of = (self.app.theme, *map(id, filters))
        if looks_of != self._looks_of:
            self._looks_of = looks_of
            self._forget()
        if self._whole is not None and self._whole[0] == crop:
            return self._whole[1]
        width = self.outer_size.width
        if width != self._kept_width:
            self._kept_width = width
            self._kept.clear()
        strips = [self._kept.get(y) or self._finished(y, filters) for y in crop.line_range]
        if crop.column_span != (0, width):
            return [strip.crop(*crop.column_span) for strip in strips]
        self._whole = (crop, strips)
        return strips

    def _finished(self, y: int, filters: Sequence[LineFilter]) -> Strip:
        strip = self.render_line(y)
        if self._ground is None:
            _, self._ground = self.background_colors
        for one in filters:
            strip = strip.apply_filter(one, self._ground)
        self._kept[y] = strip
        return strip

    def refresh(
        self, *regions: Region, repaint: bool = True, layout: bool = False, recompose: bool = False
    ) -> Self:
        """Draw some rows anew, or all of them."""
        if regions:
            self._whole = None
            for region in regions:
                for y in region.line_range:
                    self._kept.pop(y, None)
        else:
            self._forget()
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    def notify_style_update(self) -> None:
        """Forget the rows: they may look otherwise now."""
        self._forget()
        super().notify_style_update()

    def _forget(self) -> None:
        self._kept.clear()
        self._whole = self._base = self._ground = None

    @property
    def base(self) -> Style:
        """The widget's own style, which the library works out anew at each look."""
        if self._base is None:
            self._base = self.rich_style
        return self._base


class Ground(Kept):
    """The empty ground of a container or a screen."""

    def render_line(self, y: int) -> Strip:  # noqa: ARG002 - all rows are the same
        """One empty row."""
        return Strip.blank(self.outer_size.width, self.base)


class Beside(Horizontal, Ground):
    """Widgets beside each other."""


class Below(Vertical, Ground):
    """Widgets below each other."""


class RoleScreen(Screen[None], Ground):
    """A screen that holds the looks of all roles: once for all of its widgets, which costs start-up less."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"role--{role}" for role in ROLES}


class Drawn(Kept):
    """A widget whose rows come from a Canvas, on a RoleScreen. Colours are in style.tcss, never here."""

    def strip_of(self, runs: Iterable[Run], width: int) -> Strip:
        """Turn stretches of text with roles into one row, filled up to the width."""
        base = self.base
        # A name out of an older file may hold what commands a terminal: nothing of that leaves here.
        segments = [
            Segment(one_line(text), self._look(roles, base) if roles else base) for text, roles in runs
        ]
        return Strip(segments).adjust_cell_length(width, base)

    def style_of(self, roles: str) -> Style:
        """Style of one role or of several put together, the last winning."""
        return self._look(roles, self.base)

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
        self._drawn_at: Size | None = None
        """The size that it was drawn for."""

    def redraw(self) -> None:
        """Draw anew; rows that come out the same are left alone on the wire."""
        width, height = self.outer_size
        if not width or not height:
            return
        canvas, before = self._draw(width, height), self._canvas
        self._canvas, self._drawn_at = canvas, self.outer_size
        if before is None or before.height != canvas.height:
            self._rows = [canvas.runs(y) for y in range(canvas.height)]
            self.refresh()
            return
        if canvas is before:
            return  # the drawing function says that nothing changed
        changed = [y for y in range(canvas.height) if not canvas.same_row(y, before)]
        for y in changed:
            self._rows[y] = canvas.runs(y)
        if changed:
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def render_line(self, y: int) -> Strip:
        """One row of the picture."""
        runs = self._rows[y] if y < len(self._rows) else []
        return self.strip_of(runs, self.outer_size.width)

    def render_lines(self, crop: Region) -> list[Strip]:
        """Rows for the size that there is: the frame that first shows it does not wait for a resize event."""
        if self._drawn_at != self.outer_size:
            self._draw_anew()
        return super().render_lines(crop)

    def _draw_anew(self) -> None:
        self._drawn_at = self.outer_size
        self._canvas = self._draw(*self._drawn_at)
        self._rows = [self._canvas.runs(y) for y in range(self._canvas.height)]
        self._forget()

    def on_resize(self, _event: events.Resize) -> None:
        """Draw for the new size, where no frame has done so yet."""
        if self._drawn_at != self.outer_size:
            self._rows = []
            self._canvas = None
            self.redraw()

    @property
    def text(self) -> str:
        """The characters that are shown."""
        return "\n".join("".join(text for text, _ in row).rstrip() for row in self._rows)
