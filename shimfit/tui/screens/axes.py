"""Teaching the sensor: two tips of the top tell which way its x and y point on the post."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from shimfit.core.sensing.mounting import AxisMap, read_tip, teach
from shimfit.errors import EntryError
from shimfit.model import Face
from shimfit.tui.telling import face_names
from shimfit.tui.widgets.drawn import RoleScreen
from shimfit.tui.widgets.rows import Rows
from shimfit.tui.wrapping import wrapped

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual import events
    from textual.app import ComposeResult

    from shimfit.core.sensing.mounting import Tip
    from shimfit.tui.desk import Desk
    from shimfit.tui.pictures.canvas import Run
    from shimfit.tui.sensing import Sensor

HEAD = "TEACH THE SENSOR  Esc: all as it was"
"""Fits 40 columns, where a phone has no more."""
LOOK_S = 1.0
"""What is looked at: the second before Enter."""
LEAST_SAMPLES = 5
TIPS = (Face.OUT, Face.NEXT)
"""Faces that the top is tipped towards, in order."""


class AxesScreen(RoleScreen):
    """Asks for rest and two tips, then shows the picture."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "go_on", "Go on", show=False, priority=True),
        Binding("escape,q", "leave", "Leave", show=False, priority=True),
    ]

    def __init__(self, desk: Desk, sensor: Sensor, keep: Callable[[str], None]) -> None:
        """keep: takes the map's text once the person says that the picture is right."""
        super().__init__()
        self._keep = keep
        self._desk = desk
        self._sensor = sensor
        self._rest: tuple[float, float] | None = None
        self._noise_deg = 0.0
        self._tips: list[Tip] = []
        self._trouble = ""

    def compose(self) -> ComposeResult:
        """One list of rows."""
        yield Rows(id="list")

    def on_mount(self) -> None:
        """The list takes the keys."""
        self.query_one(Rows).focus()

    def on_resize(self, event: events.Resize) -> None:
        """Break the lines anew."""
        self._show(event.size.width, event.size.height)

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """A tap goes on, as Enter does."""
        event.stop()
        self.action_go_on()

    def action_leave(self) -> None:
        """Leave the axes as they were."""
        self.dismiss()

    def action_go_on(self) -> None:
        """Look at the last second and take the next step; what was unclear is asked for again."""
        self._trouble = ""
        try:
            if self._rest is None:
                self._rest, self._noise_deg = self._last_second()
            elif len(self._tips) < len(TIPS):
                self._tips.append(read_tip(self._rest, self._last_second()[0], self._noise_deg))
                if len(self._tips) == len(TIPS):
                    self._taught()
            else:
                text = self._taught().text
                self.dismiss()
                self._keep(text)
                return
        except EntryError as error:
            self._trouble = error.message
        self._show(self.size.width, self.size.height)

    def _taught(self) -> AxisMap:
        """The map of both tips; the second is forgotten when the two contradict each other."""
        try:
            return teach(self._tips[0], TIPS[0], self._tips[1], TIPS[1])
        except EntryError:
            self._tips.pop()
            raise

    def _last_second(self) -> tuple[tuple[float, float], float]:
        """(x, y) and their scatter in degrees."""
        from shimfit.core.sensing.statistics import robust_spread

        times_s, x_deg, y_deg = self._sensor.history(LOOK_S)
        if len(times_s) < LEAST_SAMPLES:
            raise EntryError(f"Too few samples came in the last second: {self._sensor.snapshot().words}.")
        return (float(x_deg.mean()), float(y_deg.mean())), max(robust_spread(x_deg), robust_spread(y_deg))

    # ------------------------------------------------------------ what is said

    def _show(self, width: int, height: int) -> None:
        rows: list[list[Run]] = [[(HEAD, "strong")], []]
        for text, role in self._told():
            rows += [[(row, role)] for row in wrapped(text, width)]
        if len(self._tips) == len(TIPS):
            rows += [[(row, "strong")] for row in self._picture()]
        if len(rows) > height:  # what is done goes, what is asked now stays
            rows = [rows[0], *rows[len(rows) - height + 1 :]]
        self.query_one(Rows).fill(rows, len(rows) - 1)

    def _told(self) -> list[tuple[str, str]]:
        steps = [
            "1 Leave the post alone for a second, then Enter.",
            *(
                f"{number} Tip the top straight towards {self._face(face)}, hold it a second, then Enter."
                for number, face in enumerate(TIPS, start=2)
            ),
            "4 Is this how it sits, seen from above? Enter keeps it.",
        ]
        done = len(self._tips) + (self._rest is not None)
        signs = self._desk.glyphs
        told = [(f"{signs.understood} {step}", "") for step in steps[:done]]
        told.append((f"{signs.here} {steps[done]}", "strong"))
        if self._trouble:
            told.append((f"{signs.refused} {self._trouble}", "refused"))
        return told

    def _face(self, face: Face) -> str:
        run = self._desk.run
        return (face_names(run)[face] if run is not None else face.value).upper()

    def _picture(self) -> list[str]:
        text = self._taught().picture()
        if not self._desk.glyphs.blocks:
            for face, sign in (("→", ">"), ("←", "<"), ("↑", "^"), ("↓", "v")):
                text = text.replace(face, sign)
        return text.splitlines()
