"""Walks with the sensor: two tips tell how it sits on the post, two opposite faces what its zero is."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from shimfit.core.sensing.mounting import AxisMap, read_tip, teach, two_faces
from shimfit.core.sensing.statistics import character_lines, characters_of
from shimfit.errors import EntryError, InstrumentError
from shimfit.model import Face
from shimfit.quantities import shown
from shimfit.text.phrases import face_names, wrapped
from shimfit.tui.widgets import RoleScreen, Rows
from shimfit.workflow.sensor import level_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual import events
    from textual.app import ComposeResult

    from shimfit.core.sensing.hold import Held
    from shimfit.core.sensing.mounting import Reversal, Tip, Zero
    from shimfit.core.sensing.statistics import SensorCharacter
    from shimfit.text.canvas import Run
    from shimfit.tui.session import Session
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.wire.stream import ListenOptions

STILL_S = 110.0
"""Longest still record: what the inclinometer keeps to look back on is a little more."""
LOOKS_PER_S = 4
TIPS = (Face.OUT, Face.NEXT)
"""Faces that the top is tipped towards, in order."""


class Walk(RoleScreen):
    """A few steps at the post, one key for each; what was unclear is asked for again."""

    HEAD: ClassVar[str]
    """Fits 40 columns, where a phone has no more."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "go_on", "Go on", show=False, priority=True),
        Binding("escape,q", "leave", "Leave", show=False, priority=True),
    ]

    def __init__(self, session: Session, sensor: Inclinometer) -> None:
        super().__init__()
        self._session = session
        self._sensor = sensor
        self._fault = ""

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
        """Leave everything as it was."""
        self.dismiss()

    def action_go_on(self) -> None:
        """Take the next step; what was unclear is told, and asked for again."""
        self._fault = ""
        try:
            is_over = self._step()
        except (EntryError, InstrumentError) as error:
            self._fault = error.message
            is_over = False
        if not is_over:
            self.again()

    def again(self) -> None:
        """Say anew where things stand."""
        self._show(self.size.width, self.size.height)

    def _step(self) -> bool:
        """What Enter does now; True when the walk is over."""
        raise NotImplementedError

    def _steps(self) -> tuple[list[str], int]:
        """All steps, and how many are done."""
        raise NotImplementedError

    def _found(self) -> list[str]:
        """Rows that stand below the steps."""
        return []

    def _show(self, width: int, height: int) -> None:
        rows: list[list[Run]] = [[(self.HEAD, "strong")], []]
        steps, done = self._steps()
        signs = self._session.glyphs
        reported = [(f"{signs.understood} {step}", "") for step in steps[:done]]
        reported += [(f"{signs.here} {step}", "strong") for step in steps[done : done + 1]]
        if self._fault:
            reported.append((f"{signs.refused} {self._fault}", "refused"))
        asked = 0
        for at, (text, role) in enumerate(reported):
            asked = len(rows) if at == done else asked
            rows += [[(row, role)] for row in wrapped(text, width)]
        rows += [[(row, "strong")] for text in self._found() for row in (wrapped(text, width) or [""])]
        if len(rows) > height:  # what is done goes, what is asked now stays
            asked = max(0, asked - (len(rows) - height))
            rows = [rows[0], *rows[len(rows) - height + 1 :]]
        self.query_one(Rows).fill(rows, asked)


class AxesWalk(Walk):
    """Asks for rest and two tips, then shows the picture."""

    HEAD = "TEACH THE SENSOR  Esc: all as it was"

    def __init__(self, session: Session, sensor: Inclinometer, keep: Callable[[str], None]) -> None:
        """keep: takes the map's text once the person says that the picture is right."""
        super().__init__(session, sensor)
        self._keep = keep
        self._rest: tuple[float, float] | None = None
        self._noise_deg = 0.0
        self._tips: list[Tip] = []

    def _step(self) -> bool:
        """Look at the last second."""
        if self._rest is None:
            self._rest, self._noise_deg = level_of(self._sensor)
        elif len(self._tips) < len(TIPS):
            self._tips.append(read_tip(self._rest, level_of(self._sensor)[0], self._noise_deg))
            if len(self._tips) == len(TIPS):
                self._taught()
        else:
            text = self._taught().text
            self.dismiss()
            self._keep(text)
            return True
        return False

    def _taught(self) -> AxisMap:
        """The map of both tips; the second is forgotten when the two contradict each other."""
        try:
            return teach(self._tips[0], TIPS[0], self._tips[1], TIPS[1])
        except EntryError:
            self._tips.pop()
            raise

    def _steps(self) -> tuple[list[str], int]:
        steps = [
            "1 Leave the post alone for a second, then Enter.",
            *(
                f"{number} Tip the top straight towards {self._face(face)}, hold it a second, then Enter."
                for number, face in enumerate(TIPS, start=2)
            ),
            "4 Is this how it sits, seen from above? Enter keeps it.",
        ]
        return steps, len(self._tips) + (self._rest is not None)

    def _face(self, face: Face) -> str:
        run = self._session.run
        return (face_names(run)[face] if run is not None else face.value).upper()

    def _found(self) -> list[str]:
        if len(self._tips) < len(TIPS):
            return []
        text = self._taught().picture()
        if not self._session.glyphs.blocks:
            for face, sign in (("→", ">"), ("←", "<"), ("↑", "^"), ("↓", "v")):
                text = text.replace(face, sign)
        return text.splitlines()


class ZeroWalk(Walk):
    """Two holds at one post, the sensor turned end for end between them: lean and zero come apart."""

    HEAD = "FIND THE SENSOR'S ZERO  Esc: as it was"

    def __init__(
        self, session: Session, sensor: Inclinometer, options: ListenOptions, keep: Callable[[Zero], None]
    ) -> None:
        """keep: takes the zero (degrees, the sensor's directions) once the person says so."""
        super().__init__(session, sensor)
        self._keep = keep
        self._options = options
        self._faces: list[Held] = []
        self._wants = "now"

    def on_mount(self) -> None:
        """The state of the hold is shown as it changes."""
        super().on_mount()
        self._sensor.again()
        self.set_interval(1 / LOOKS_PER_S, self._look)

    def _look(self) -> None:
        snapshot = self._sensor.snapshot()
        words = "it stands still: Space" if snapshot.taken is not None else snapshot.banner or snapshot.words
        if words != self._wants:
            self._wants = words
            if snapshot.taken is not None:
                self._fault = ""
            self.again()

    def _step(self) -> bool:
        if len(self._faces) == 2:
            found = self._apart()
            if found.suspicion in ("not-turned", "ask"):
                self._faces.pop()  # nothing is kept of a turn that was none
                self._sensor.again()
                return False
            self.dismiss()
            self._keep(found.zero)
            return True
        snapshot = self._sensor.snapshot()
        if snapshot.taken is None:
            raise EntryError(f"Not yet: {snapshot.banner or snapshot.words}.")
        held = snapshot.taken.held
        zero = self._options.zero
        self._faces.append(held if zero is None or snapshot.fell else zero.put_back(held))
        self._sensor.again()
        return False

    def _apart(self) -> Reversal:
        return two_faces(self._faces[0], self._faces[1], self._options.sensor_errors, self._options.zero)

    def _steps(self) -> tuple[list[str], int]:
        last = "3 Enter keeps this zero: it is taken off from now on."
        if len(self._faces) == 2 and self._apart().suspicion in ("not-turned", "ask"):
            last = "3 Enter, then turn it to the opposite face and hold the second one again."
        steps = [
            "1 Sensor on one face of the post, hands off; Space once it stands still.",
            "2 Turn it end for end, to the opposite face, clamp it at the same height; Space.",
            last,
        ]
        return steps, len(self._faces)

    def _found(self) -> list[str]:
        if len(self._faces) < 2:
            return ["", self._wants]
        found = self._apart()
        reported = [] if found.words is None else [f"{self._session.glyphs.refused} {found.words}"]
        if found.suspicion in ("not-turned", "ask"):
            return ["", *reported]
        u = math.radians(found.zero.u)
        height_mm = 1000.0 if self._session.record is None else self._session.record.height_mm
        lean = [math.tan(math.radians(part)) for part in (found.lean.slope_along, found.lean.slope_across)]
        post = self._options.axis_map.to_post(*lean)
        words = self._session.words
        units = "mm" if words is None else words.units
        x, y = (shown.angle(deg, sign=True, unit=False) for deg in (found.zero.along, found.zero.across))
        said = [
            "",
            f"zero x {x} y {y} ± {shown.angle(2 * found.zero.u)}",
            f"known to ± {shown.small(2.0 * u * height_mm, units)} at the top (k = 2)",
        ]
        if words is not None:
            said.append(words.lean(post, height_mm))
        return said + reported


class StillWalk(Walk):
    """A long still record: how much the sensor scatters, remembers and drifts, kept with it."""

    HEAD = "MEASURE NOISE AND DRIFT  Esc: as it was"

    def __init__(
        self,
        session: Session,
        sensor: Inclinometer,
        keep: Callable[[dict[str, SensorCharacter]], None],
    ) -> None:
        """keep: takes what was found of both axes once the person says so."""
        super().__init__(session, sensor)
        self._keep = keep
        self._begun_s: float | None = None
        self._seconds = 0.0
        self._found_of: dict[str, SensorCharacter] | None = None

    def on_mount(self) -> None:
        """The seconds are counted on the screen."""
        super().on_mount()
        self.set_interval(1.0, self._count)

    def _count(self) -> None:
        if self._begun_s is not None and self._found_of is None:
            self._seconds = time.monotonic() - self._begun_s
            if self._seconds >= STILL_S:
                self.action_go_on()
            else:
                self.again()

    def _step(self) -> bool:
        if self._begun_s is None:
            self._begun_s, self._seconds = time.monotonic(), 0.0
        elif self._found_of is None:
            record = self._sensor.history(max(1.0, time.monotonic() - self._begun_s))
            try:
                self._found_of = characters_of(*record)
            except EntryError as error:
                raise EntryError(f"{error.message} {self._sensor.snapshot().words}.") from error
        else:
            self.dismiss()
            self._keep(self._found_of)
            return True
        return False

    def _steps(self) -> tuple[list[str], int]:
        steps = [
            "1 Fix it to something that stands still, hands off; Enter begins.",
            f"2 Leave it: {self._seconds:.0f} of {STILL_S:.0f} s. Enter ends it sooner.",
            "3 Enter keeps it with the sensor: counted in from now on.",
        ]
        return steps, (self._begun_s is not None) + (self._found_of is not None)

    def _found(self) -> list[str]:
        found = (self._found_of or {}).items()
        return ["", *(line for name, one in found for line in character_lines(name, one))]


class DescribeWalk(Walk):
    """What a device that nobody has described sends, and a description of it to be kept."""

    HEAD = "WHAT THE SENSOR SENDS  Esc: as it was"

    def __init__(
        self,
        session: Session,
        sensor: Inclinometer,
        keep: Callable[[str], None],
        left: Callable[[], None],
    ) -> None:
        """Say what becomes of it.

        sensor: listens with no description; started and stopped here. keep: takes the description once the
        person says that it is right. left: is called once the port is free again.
        """
        super().__init__(session, sensor)
        self._keep = keep
        self._left = left
        self._shown = ""

    def on_mount(self) -> None:
        """Begin to listen, and show what is found."""
        super().on_mount()
        self._sensor.start()
        self.set_interval(1 / LOOKS_PER_S, self._look)

    def on_unmount(self) -> None:
        """Let go of the port."""
        self._sensor.stop()
        self._left()

    def _look(self) -> None:
        words = self._words()
        if words != self._shown:
            self._shown = words
            self.again()

    def _words(self) -> str:
        seen = self._sensor.snapshot()
        if seen.format is not None and seen.description_wanted is None and seen.good_per_s:
            speed = f" at {seen.baud} baud" if seen.baud else ""
            return f"{seen.format} sentences{speed}, {seen.good_per_s:.0f} a second: they need no description"
        return seen.description_wanted or f"{seen.words}\n{seen.bytes_per_s:.0f} bytes a second"

    def _step(self) -> bool:
        seen = self._sensor.snapshot()
        if seen.description_wanted is None:
            raise EntryError(f"Nothing to keep: {self._words()}.")
        baud = f"baud = {seen.baud}\n" if seen.baud else ""
        self.dismiss()
        self._keep(baud + seen.description_wanted)
        return True

    def _steps(self) -> tuple[list[str], int]:
        steps = [
            "1 Listening: lean the sensor a little, back and forth, so that what it sends changes.",
            "2 Do x and y below say how it leans? Enter keeps this; its units can be changed in the file.",
        ]
        return steps, int(self._sensor.snapshot().description_wanted is not None)

    def _found(self) -> list[str]:
        return ["", *self._words().splitlines()]
