"""Pictures of real screens for the README, made anew by `python tests/pictures.py`.

Nothing in them is drawn by hand: the sample job is written to a throw-away file on a fixed clock.
fixtures/pictures/ gets one SVG a screen and beside it the same screen as text, which a test compares (an
SVG changes with every release of the terminal library, the text does not).
"""

from __future__ import annotations

import asyncio
import re
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from shimfit.tui.app import ShimfitApp
from shimfit.tui.widgets import EntryLine
from shimfit.workflow.sample import write_sample
from shimfit.workflow.site import Place, Site

FOLDER = Path(__file__).parent.parent / "fixtures" / "pictures"
SHOTS = (
    # name, columns, rows, theme, post, entry, key of the screen
    ("post-80x24", 80, 24, "sun", "5", "9mmn6mmo", None),
    ("post-40x20", 40, 20, "dark", "5", "9mmn6mmo", None),
    ("run-80x24", 80, 24, "sun", "5", None, "f2"),
)


class FixedClock:
    """A minute passes at every look."""

    def __init__(self) -> None:
        self._now = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self._now += timedelta(minutes=1)
        return self._now


async def shoot(folder: Path) -> None:
    """Make every picture in a folder."""
    for name, columns, rows, theme, post, entry, key in SHOTS:
        with (
            tempfile.TemporaryDirectory() as scratch,
            Site.open(Path(scratch) / "sample.db", clock=FixedClock(), environment={}) as site,
        ):
            begin = write_sample(site)
            app = ShimfitApp(site, theme=theme)
            async with app.run_test(size=(columns, rows)) as pilot:
                app.session.go(Place(begin.job, begin.run, post))
                app.page.show()
                if entry is not None:
                    app.page.query_one(EntryLine).value = entry
                    await pilot.press("enter")
                if key is not None:
                    await pilot.press(key)
                await pilot.pause(0.2)
                (folder / f"{name}.svg").write_text(svg_of(app), "utf-8")
                (folder / f"{name}.txt").write_text(text_of(app), "utf-8")


def svg_of(app: ShimfitApp) -> str:
    """The screen as SVG that loads nothing from elsewhere: the viewer's own monospaced font has to do."""
    return re.sub(r"@font-face \{.*?\}\s*", "", app.export_screenshot(title="shimfit"), flags=re.DOTALL)


def text_of(app: ShimfitApp) -> str:
    """The characters on the screen."""
    strips = app.screen._compositor.render_strips()
    return "\n".join("".join(part.text for part in strip).rstrip() for strip in strips) + "\n"


if __name__ == "__main__":
    where = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    where.mkdir(parents=True, exist_ok=True)
    asyncio.run(shoot(where))
