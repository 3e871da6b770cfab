"""What there is to see of the post on screen: one frozen look at the desk, taken after every move."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.entry.result import Understood
from shimfit.tui.deeds import USUAL_KEYS, KeyWords
from shimfit.tui.screens.post.advice import live_packs

if TYPE_CHECKING:
    from shimfit.entry.result import ParseResult
    from shimfit.model import Prescription
    from shimfit.standing import PostRecord, RunState
    from shimfit.text.glyphs import Glyphs
    from shimfit.text.phrases import PackLine, PostView, Words
    from shimfit.tui.desk import Desk
    from shimfit.tui.sensing import Live
    from shimfit.workflow.live import Advice


@dataclass(frozen=True, slots=True)
class Sight:
    """One look. `run`, `record`, `words`, `view` are None together: no run is open."""

    glyphs: Glyphs
    keys: KeyWords = USUAL_KEYS
    """How the keys are called."""
    run: RunState | None = None
    record: PostRecord | None = None
    words: Words | None = None
    view: PostView | None = None
    index: int = 0
    """Position in walking order, from 0."""
    shown_pack: int = 0
    """Which pack stands in large figures, from 0."""
    heard: ParseResult | None = None
    """How the line is understood; None while nothing is typed."""
    live: Live | None = None
    """What the inclinometer shows; None without one."""
    looks: int = 0
    """Looks at the inclinometer so far."""
    advice: Advice | None = None
    """What the engine says to it; None without one."""
    live_packs: tuple[PackLine, ...] = ()
    """What is to be put in or pushed by that advice; stands before the packs of the record."""

    @property
    def packs(self) -> tuple[PackLine, ...]:
        """Packs in the order in which they go in."""
        if self.live_packs:
            return self.live_packs
        return self.view.packs if self.view is not None else ()

    @property
    def live_answer(self) -> Prescription | None:
        """The answer to the lean as it is now, while the post stands bare."""
        answer = self.advice.answer if self.advice is not None else None
        return answer if answer is not None and answer.packs else None

    @property
    def prescription(self) -> Prescription | None:
        """The answer that the packs on screen belong to."""
        if self.live_answer is not None or self.record is None:
            return self.live_answer
        return self.record.going_in

    @property
    def pack(self) -> PackLine | None:
        """The pack in large figures."""
        return self.packs[min(self.shown_pack, len(self.packs) - 1)] if self.packs else None

    @property
    def understood(self) -> Understood | None:
        """The reading that is on the line, when it is one."""
        heard = self.heard
        return heard if isinstance(heard, Understood) and not heard.is_gauge_only else None

    def with_heard(self, heard: ParseResult | None) -> Sight:
        """The same look with something else on the line."""
        return replace(self, heard=heard)

    def with_live(self, live: Live) -> Sight:
        """The same look with the inclinometer moved on."""
        return replace(self, live=live, looks=self.looks + 1)

    def with_advice(self, advice: Advice | None) -> Sight:
        """The same look with other advice."""
        packs: tuple[PackLine, ...] = ()
        if self.record is not None and self.words is not None:
            packs = live_packs(advice, self.record, self.words)
        return replace(self, advice=advice, live_packs=packs)


def look_at(desk: Desk, shown_pack: int, heard: ParseResult | None, live: Live | None) -> Sight:
    """Take a look."""
    if desk.run is None or desk.record is None:
        return Sight(desk.glyphs, desk.keys, heard=heard, live=live)
    return Sight(
        desk.glyphs,
        desk.keys,
        desk.run,
        desk.record,
        desk.words,
        desk.view,
        desk.index,
        shown_pack,
        heard,
        live,
    )
