"""The terminal program: screens for one hand, at arm's length, in the sun.

Importing this package loads no terminal library: the pictures and the words are plain values, which plain
mode and the command line use too. `run` starts the full-screen program.
"""

from __future__ import annotations

import gc
import os
import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shimfit.settings.commands import Runs
    from shimfit.workflow.site import Site


FRAMES_PER_SECOND = "120"
"""The beat that frames are painted on, when something changed. After a slow frame the library leaves one or
two beats out: at its own 60 a second, one key in a hundred waited 45 ms for its echo instead of 25."""


ESCAPE_MS = "300"
"""So long the bytes of one key or tap may come apart on a slow link: the library's 100 ms would type the rest
of an arrow key into a reading. Esc by itself waits as long."""


def set_beat() -> None:
    """Choose beat and patience before the library is loaded, which reads them once; a user's own stand."""
    os.environ.setdefault("TEXTUAL_FPS", FRAMES_PER_SECOND)
    os.environ.setdefault("ESCDELAY", ESCAPE_MS)


SIZE_LOOK_S = 0.2
NO_SIZE = (
    "This terminal gives no size (0 x 0): too small to draw in. shimfit starts when it has one. "
    "Ctrl+C leaves; then stty rows 24 cols 80 gives it one, and shimfit --plain needs none.\n"
)


def wait_for_a_size() -> None:
    """Say once that the terminal has no size, and wait until it has: drawing in it would never end.

    A serial line or a container may begin so. COLUMNS and LINES stand for a size, as for other programs.
    """
    said = False
    while 0 in _terminal_size():
        if not said:
            sys.stderr.write(NO_SIZE)
            sys.stderr.flush()
            said = True
        time.sleep(SIZE_LOOK_S)


def _terminal_size() -> tuple[int, int]:
    """Columns and rows by which the library draws; 1, 1 where nothing is asked, as there is no terminal."""
    try:
        columns, rows = os.get_terminal_size(sys.__stdout__.fileno())  # type: ignore[union-attr] # None: below
    except (AttributeError, OSError, ValueError):
        return 1, 1
    given = (os.environ.get("COLUMNS", ""), os.environ.get("LINES", ""))
    return (columns, rows) if not all(text.isdecimal() and text.strip("0") for text in given) else (1, 1)


def run(
    site: Site,
    *,
    theme: str | None = None,
    ascii: bool = False,  # noqa: A002 - named as the option that it comes from
    rehearse: bool = False,
    commands: Runs | None = None,
) -> int:
    """Run the full-screen program until the person quits; returns the process's exit code.

    theme: `sun`, `dark` or `term`; None takes the one that was last chosen. ascii: no glyph beyond ASCII.
    rehearse: log one reading in the sample job and quit by itself (0 when it is on disk and answered, 1 when
    not). commands: runs a command. The inclinometer that is set up is listened to meanwhile.
    """
    from shimfit.tui.background import painted

    wait_for_a_size()
    gc.disable()  # until the first screen is painted
    set_beat()
    try:
        from shimfit.tui.app import ShimfitApp
        from shimfit.tui.sensing import sensor_of

        sensor = sensor_of(site)
        app = ShimfitApp(site, theme=theme, ascii=ascii, sensor=sensor, rehearse=rehearse, commands=commands)
        app.run()
    finally:
        painted()
    return app.return_code or 0
