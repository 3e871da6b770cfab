"""The box: what is left in it, what ran out, what comes in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import lot_row
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.session import Outcome
from shimfit.tui.setting_up import lot_hint
from shimfit.tui.widgets import Rows, Tap
from shimfit.workflow.tables import load_lots

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from textual.app import ComposeResult

    from shimfit.model import Lot


class StockScreen(Page):
    """Lots with their sizes and what is left of each."""

    NAME = "stock"

    def compose_body(self) -> ComposeResult:
        """The list alone."""
        yield Rows(id="list", empty="The box is empty: a adds a lot, i takes a CSV file")

    def fill(self) -> None:
        """Fill the list anew."""
        width = self.window.width
        self.query_one("#list", Rows).fill(
            [[(lot_row(lot, width, self.session.settings.units), "")] for lot in self._lots()]
        )

    def focus_home(self) -> None:
        """The list takes the keys."""
        self.query_one("#list", Rows).focus()

    def draw_headline(self, width: int, height: int) -> Canvas:
        """How much is in the box."""
        canvas = Canvas(width, height)
        lots = self.session.box().lots
        pieces = sum(lot.count for lot in lots)
        short = self.session.box().short
        wrong = f"; counted wrong: {', '.join(lot for lot, _ in short)}" if short else ""
        canvas.put(0, 0, f"The box: {len(lots)} lots, {pieces} pieces{wrong}", "strong")
        return canvas

    def default_hint(self) -> str:
        """What the marked lot is."""
        lots = self._lots()
        if not lots:
            return ""
        return self.session.keys.spell("o: pieces of the marked lot are gone, ^Z undoes")

    def keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        if self.question is not None:
            return (Tap("Esc leave", "leave"), Tap(f"{self.session.glyphs.enter} keep", "enter"))
        return (
            Tap("o gone", "stock_out"),
            Tap("a add", "stock_add"),
            Tap("i import", "stock_import"),
            Tap("^P all", "palette"),
        )

    def stock_out(self) -> None:
        """Ask how many of the marked lot are gone; undo brings them back."""
        lots = self._lots()
        index = self.query_one("#list", Rows).index
        if index < len(lots):
            lot = lots[index]
            hint = f"how many of {lot.lot} are gone? {lot.count} left; Enter: all of them"
            self.ask(Question(f"{lot.lot} gone", hint, lambda text: self._gone(lot.lot, text.strip())))

    def _gone(self, lot: str, text: str) -> Outcome:
        if text and not (text.isdecimal() and int(text)):
            return Outcome(f"how many pieces, not {text!r}", done=False, at=0, bell="refused")

        def take_out() -> str:
            reported = self.session.site.out_of(lot, int(text) if text else None)
            self.session.answer_missing()
            return self.session.keys.spell(f"{reported}; ^Z brings it back")

        return _said(take_out)

    def stock_add(self) -> None:
        """Ask for a lot."""
        self.ask(Question("lot", lot_hint(self.session.settings.units), self._add))

    def stock_import(self) -> None:
        """Ask for a stock file."""
        self.ask(Question("file", "a CSV file with the lots that you counted", self._load))

    def _lots(self) -> tuple[Lot, ...]:
        return self.session.box().lots

    def _add(self, text: str) -> Outcome:
        def add() -> str:
            return self.session.add_lots(text)

        return _said(add)

    def _load(self, text: str) -> Outcome:
        def load() -> str:
            reported = load_lots(self.session.site, Path(text.strip()).expanduser())
            self.session.answer_missing()
            return reported

        return _said(load)


def _said(move: Callable[[], str]) -> Outcome:
    try:
        return Outcome(move())
    except ShimfitError as error:
        return Outcome(error.message, done=False, bell="refused")
