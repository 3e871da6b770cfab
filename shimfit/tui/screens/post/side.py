"""The column beside the post on wide screens; loaded and mounted when there is first room for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.tui.screens.post import wide
from shimfit.tui.widgets.drawn import Below, Picture

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual.app import ComposeResult

    from shimfit.model import Lot
    from shimfit.tui.screens.post.sight import Sight


class Side(Below):
    """Before and after, the side elevation, the trend, the box."""

    def __init__(self, sight: Callable[[], Sight], lots: Callable[[], tuple[Lot, ...]]) -> None:
        """Say where to look at the post and into the box."""
        super().__init__(id="side")
        self._sight = sight
        self._lots = lots

    def compose(self) -> ComposeResult:
        """One below the other."""
        yield Picture(lambda w, h: wide.before_after(self._sight(), w, h), id="pair")
        yield Picture(lambda w, h: wide.from_the_side(self._sight(), w, h), id="elevation")
        yield Picture(lambda w, h: wide.readings_trend(self._sight(), w, h), id="trend")
        yield Picture(lambda w, h: wide.from_the_box(self._sight(), self._lots(), w, h), id="box")
