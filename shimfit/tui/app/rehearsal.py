"""A rehearsal: one reading in the sample job without a person, to see that it all works here."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from shimfit.model import PostState

if TYPE_CHECKING:
    from shimfit.tui.app.program import ShimfitApp

PAINTED_S = 0.5
"""What is left for painting it, as a person would see it."""


async def rehearse(app: ShimfitApp) -> None:
    """Log one reading in the sample job and quit: 0 when it is on disk and answered, else 1."""
    desk = app.desk
    if desk.place is None:
        desk.site.write_sample()
        desk.open_last()
    for _ in range(1000):
        record = desk.record
        if record is None or record.state is PostState.TO_READ or not desk.step(+1).done:
            break
    outcome = desk.enter("3mmn2mmo")
    app.tell(outcome)
    await asyncio.sleep(PAINTED_S)
    record = desk.record
    read = record is not None and record.reading is not None
    app.leave(0 if outcome.done and read else 1)
