"""What there is to see of the post on screen: one frozen look at the desk, taken after every move."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.entry.result import Understood

if TYPE_CHECKING:
    from shimfit.entry.result import Heard
    from shimfit.model import Pack
    from shimfit.store.state import PostRecord, RunState
    from shimfit.tui.desk import Desk
    from shimfit.tui.glyphs import Glyphs
    from shimfit.tui.sensing import Live
    from shimfit.tui.telling import PackLine, PostView, Words


@dataclass(frozen=True, slots=True)
class Sight:
    """One look. `run`, `record`, `words`, `view` are None together: no run is open."""

    glyphs: Glyphs
    run: RunState | None = None
    record: PostRecord | None = None
    words: Words | None = None
    view: PostView | None = None
    index: int = 0
    """Position in walking order, from 0."""
    shown_pack: int = 0
    """Which pack stands in large figures, from 0."""
    heard: Heard | None = None
    """How the line is understood; None while nothing is typed."""
    live: Live | None = None
    """What the inclinometer shows; None without one."""

    @property
    def packs(self) -> tuple[PackLine, ...]:
        """Packs in the order in which they go in."""
        return self.view.packs if self.view is not None else ()

    @property
    def pack(self) -> PackLine | None:
        """The pack in large figures."""
        return self.packs[min(self.shown_pack, len(self.packs) - 1)] if self.packs else None

    @property
    def understood(self) -> Understood | None:
        """The reading that is on the line, when it is one."""
        heard = self.heard
        return heard if isinstance(heard, Understood) and not heard.is_gauge_only else None

    def with_heard(self, heard: Heard | None) -> Sight:
        """The same look with something else on the line."""
        return replace(self, heard=heard)

    def with_live(self, live: Live) -> Sight:
        """The same look with the inclinometer moved on."""
        return replace(self, live=live)


def look_at(desk: Desk, shown_pack: int, heard: Heard | None, live: Live | None) -> Sight:
    """Take a look."""
    if desk.run is None or desk.record is None:
        return Sight(desk.glyphs, heard=heard, live=live)
    return Sight(
        desk.glyphs, desk.run, desk.record, desk.words, desk.view, desk.index, shown_pack, heard, live
    )


def in_order(packs: tuple[Pack, ...]) -> tuple[Pack, ...]:
    """Lifting packs first, the thickest first: as they are numbered."""
    return tuple(sorted(packs, key=lambda pack: (pack.purpose != "lift", -pack.made_mm)))
