"""The terminal program: screens for one hand, at arm's length, in the sun.

Importing this package loads no terminal library: the pictures and the words are plain values, which plain
mode and the command line use too. `run` starts the full-screen program.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from shimfit.tui.sensing import Sensor
    from shimfit.workflow.site import Site


def run(
    site: Site,
    *,
    theme: str | None = None,
    ascii: bool = False,  # noqa: A002 - named as the option that it comes from
    sensor: Sensor | None = None,
    rehearse: bool = False,
) -> int:
    """Run the full-screen program until the person quits; returns the process's exit code.

    theme: `sun`, `dark` or `term`; None takes the one that was last chosen. ascii: no glyph beyond ASCII.
    sensor: a started or unstarted inclinometer, stopped on the way out. rehearse: log one reading in the
    sample job and quit by itself (0 when it is on disk and answered, 1 when not).
    """
    from shimfit.tui import memory

    memory.start()
    try:
        from shimfit.tui.app import ShimfitApp

        if sensor is None:
            from shimfit.tui.sensing import sensor_of

        sensor = sensor_of(site)
        app = ShimfitApp(site, theme=theme, ascii=ascii, sensor=sensor, rehearse=rehearse)
        app.run()
    finally:
        memory.painted()
    return app.return_code or 0
