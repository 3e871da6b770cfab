"""Walks with the sensor, a few steps each: how it sits, its zero, its noise, and what it sends."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from shimfit.core.sensing.mounting import AxisMap, read_tip, teach, two_faces
from shimfit.core.sensing.statistics import character_lines, characters_of
from shimfit.errors import EntryError, ShimfitError
from shimfit.model import FACE_NAMES, Face
from shimfit.quantities import shown
from shimfit.text.phrases import wrapped
from shimfit.tui.widgets import Rows, Sheet
from shimfit.workflow import sensor as kept

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.core.sensing.mounting import Reversal, Tip
    from shimfit.core.sensing.statistics import SensorCharacter
    from shimfit.core.sensing.watch import Held
    from shimfit.text.canvas import Run
    from shimfit.tui.session import Session
    from shimfit.wire.inclinometer import Inclinometer

_STILL_S = 110.0
"""Longest still record: what the inclinometer keeps to look back on is a little more."""
LOOKS_PER_S = 4
TIPS = (Face.OUT, Face.NEXT)
"""Faces that the top is tipped towards, in order."""


class Walk(Sheet):
    """A few steps at the post, one key for each; what was unclear is asked for again."""

    HEAD: ClassVar[str]
    """Fits 40 columns, where a phone has no more."""
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "go_on", "Go on", show=False, priority=True),
        Binding("escape,q", "dismiss", "Leave", show=False, priority=True),
    ]

    def __init__(self, session: Session, sensor: Inclinometer, after: Callable[[str], None]) -> None:
        """after: takes what was kept, in words, once something was."""
        super().__init__()
        self._session = session
        self._sensor = sensor
        self._after = after
        self._fault = ""
        self._seen: object = None
        self._begin()

    def _begin(self) -> None:
        """What a walk keeps of its own, before its first step."""

    def on_mount(self) -> None:
        """What changes by itself is looked at by the clock."""
        self.set_interval(1 / LOOKS_PER_S, self._look)

    def _tapped(self) -> None:
        self.action_go_on()

    def action_go_on(self) -> None:
        """Take the next step; what was unclear is said, and asked for again."""
        self._fault = ""
        try:
            words = self._step()
        except ShimfitError as error:
            self._fault, words = error.message, None
        if words is None:
            self._show()
        else:
            self.dismiss()
            self._after(words)

    def _step(self) -> str | None:
        """What Enter does now; when the walk is over, what was kept, in words."""
        raise NotImplementedError

    def _steps(self) -> tuple[list[str], int]:
        """All steps, and how many are done."""
        raise NotImplementedError

    def _found(self) -> list[str]:
        """Rows that stand below the steps."""
        return []

    def _look(self) -> None:
        """Show what has changed by itself."""
        seen = self._steps(), self._found()
        if seen != self._seen:
            self._show()

    def _show(self) -> None:
        (steps, done), found = self._seen = self._steps(), self._found()
        width, height = self.size
        signs = self._session.glyphs
        reported = [(f"{signs.understood} {step}", "") for step in steps[:done]]
        reported += [(f"{signs.here} {step}", "strong") for step in steps[done : done + 1]]
        if self._fault:
            reported.append((f"{signs.refused} {self._fault}", "refused"))
        rows: list[list[Run]] = [[(self.HEAD, "strong")], []]
        asked = 0
        for at, (text, role) in enumerate(reported):
            asked = len(rows) if at == done else asked
            rows += [[(row, role)] for row in wrapped(text, width)]
        rows += [[(row, "strong")] for text in found for row in (wrapped(text, width) or [""])]
        if len(rows) > height:  # what is done goes, what is asked now stays
            asked = max(0, asked - (len(rows) - height))
            rows = [rows[0], *rows[len(rows) - height + 1 :]]
        self.query_one(Rows).fill(rows, asked)


class AxesWalk(Walk):
    """Asks for rest and two tips, then shows the picture."""

    HEAD = "TEACH THE SENSOR  Esc: all as it was"

    def _begin(self) -> None:
        self._rest: tuple[tuple[float, float], float] | None = None
        """(x, y) and their scatter."""
        self._tips: list[Tip] = []

    def _step(self) -> str | None:
        """Look at the last second; the second tip is forgotten when the two contradict each other."""
        if self._rest is None:
            self._rest = kept.level_of(self._sensor)
        elif len(self._tips) < len(TIPS):
            at_rest, noise_deg = self._rest
            self._tips.append(read_tip(at_rest, kept.level_of(self._sensor)[0], noise_deg))
            try:
                self._taught()
            except EntryError:
                self._tips.pop()
                raise
        else:
            text = self._taught().text
            self._session.site.set("sensor_axes", text)
            return f"the sensor points {text}"
        return None

    def _taught(self) -> AxisMap:
        return teach(self._tips[0], TIPS[0], self._tips[1], TIPS[1]) if len(self._tips) == 2 else AxisMap()

    def _steps(self) -> tuple[list[str], int]:
        run = self._session.run
        names = FACE_NAMES if run is None else run.faces
        steps = [
            "1 Leave the post alone for a second, then Enter.",
            *(
                f"{number} Tip the top straight towards {names[face].upper()}, hold it a second, then Enter."
                for number, face in enumerate(TIPS, start=2)
            ),
            "4 Is this how it sits, seen from above? Enter keeps it.",
        ]
        return steps, len(self._tips) + (self._rest is not None)

    def _found(self) -> list[str]:
        if len(self._tips) < len(TIPS):
            return []
        text = self._taught().picture()
        return (text if self._session.glyphs.blocks else text.translate(_ASCII_ARROWS)).splitlines()


_ASCII_ARROWS = str.maketrans("→←↑↓", "><^v")


class ZeroWalk(Walk):
    """Two holds at one post, the sensor turned end for end between them: lean and zero come apart."""

    HEAD = "FIND THE SENSOR'S ZERO  Esc: as it was"

    def _begin(self) -> None:
        self._options = kept.options_of(self._session.site)
        self._faces: list[Held] = []
        self._sensor.again()

    def _step(self) -> str | None:
        found = self._apart()
        if found is None:
            snapshot = self._sensor.snapshot()
            if snapshot.taken is None:
                raise EntryError(f"Not yet: {snapshot.banner or snapshot.words}.")
            held, zero = snapshot.taken.held, self._options.zero
            self._faces.append(held if zero is None or snapshot.fell else zero.put_back(held))
        elif found.suspicion in ("not-turned", "ask"):
            self._faces.pop()  # nothing is kept of a turn that was none
        else:
            kept.keep_zero(self._session.site, found.zero, self._options.axis_map)
            return "the zero is kept: turn the sensor back, and read"
        self._sensor.again()
        return None

    def _apart(self) -> Reversal | None:
        """Lean and zero; None until both faces are there."""
        if len(self._faces) < 2:
            return None
        return two_faces(self._faces[0], self._faces[1], self._options.sensor_errors, self._options.zero)

    def _steps(self) -> tuple[list[str], int]:
        found = self._apart()
        last = "3 Enter keeps this zero: it is taken off from now on."
        if found is not None and found.suspicion in ("not-turned", "ask"):
            last = "3 Enter, then turn it to the opposite face and hold the second one again."
        steps = [
            "1 Sensor on one face of the post, hands off; Space once it stands still.",
            "2 Turn it end for end, to the opposite face, clamp it at the same height; Space.",
            last,
        ]
        return steps, len(self._faces)

    def _found(self) -> list[str]:
        found = self._apart()
        if found is None:
            snapshot = self._sensor.snapshot()
            if snapshot.taken is None:
                return ["", snapshot.banner or snapshot.words]
            self._fault = ""
            return ["", "it stands still: Space"]
        reported = [] if found.words is None else [f"{self._session.glyphs.refused} {found.words}"]
        if found.suspicion in ("not-turned", "ask"):
            return ["", *reported]
        height_mm = 1000.0 if self._session.record is None else self._session.record.height_mm
        lean = [math.tan(math.radians(part)) for part in (found.lean.slope_along, found.lean.slope_across)]
        words = self._session.words
        units = "mm" if words is None else words.units
        x, y = (shown.angle(deg, sign=True, unit=False) for deg in (found.zero.along, found.zero.across))
        known_mm = 2.0 * math.radians(found.zero.u) * height_mm
        said = [
            "",
            f"zero x {x} y {y} ± {shown.angle(2 * found.zero.u)}",
            f"known to ± {shown.lean(known_mm, units)} at the top (k = 2)",
        ]
        if words is not None:
            said.append(words.lean(self._options.axis_map.to_post(*lean), height_mm))
        return said + reported


class StillWalk(Walk):
    """A long still record: how much the sensor scatters, remembers and drifts, kept with it."""

    HEAD = "MEASURE NOISE AND DRIFT  Esc: as it was"

    def _begin(self) -> None:
        self._begun_s: float | None = None
        self._characters: dict[str, SensorCharacter] = {}

    @property
    def _seconds(self) -> float:
        return 0.0 if self._begun_s is None else time.monotonic() - self._begun_s

    def _look(self) -> None:
        if self._seconds >= _STILL_S and not self._characters and not self._fault:
            self.action_go_on()
        super()._look()

    def _step(self) -> str | None:
        if self._begun_s is None:
            self._begun_s = time.monotonic()
        elif not self._characters:
            try:
                self._characters = characters_of(*self._sensor.history(max(1.0, self._seconds)))
            except EntryError as error:
                raise EntryError(f"{error.message} {self._sensor.snapshot().words}.") from error
        else:
            kept.keep_character(self._session.site, self._characters)
            return "its noise is kept with the sensor: counted in from now on"
        return None

    def _steps(self) -> tuple[list[str], int]:
        steps = [
            "1 Fix it to something that stands still, hands off; Enter begins.",
            "2 It was left alone for long enough."
            if self._characters
            else f"2 Leave it: {self._seconds:.0f} of {_STILL_S:.0f} s. Enter ends it sooner.",
            "3 Enter keeps it with the sensor: counted in from now on.",
        ]
        return steps, (self._begun_s is not None) + bool(self._characters)

    def _found(self) -> list[str]:
        return ["", *(line for name, one in self._characters.items() for line in character_lines(name, one))]


class DescribeWalk(Walk):
    """What a device that nobody has described sends, and a description of it to be kept."""

    HEAD = "WHAT THE SENSOR SENDS  Esc: as it was"

    def __init__(
        self,
        session: Session,
        sensor: Inclinometer,
        after: Callable[[str], None],
        left: Callable[[], None],
    ) -> None:
        """sensor: listens with no description; started and stopped here. left: the port is free again."""
        super().__init__(session, sensor, after)
        self._left = left

    def on_mount(self) -> None:
        """Begin to listen."""
        self._sensor.start()

    def on_unmount(self) -> None:
        """Let go of the port."""
        self._sensor.stop()
        self._left()

    def _step(self) -> str | None:
        seen = self._sensor.snapshot()
        if seen.description_wanted is None:
            raise EntryError(f"Nothing to keep: {' '.join(self._found())}.")
        baud = f"baud = {seen.baud}\n" if seen.baud else ""
        target = kept.keep_description(self._session.site, baud + seen.description_wanted)
        return f"listened to by {target.name}, in {target.parent}"

    def _steps(self) -> tuple[list[str], int]:
        steps = [
            "1 Listening: lean the sensor a little, back and forth, so that what it sends changes.",
            "2 Do x and y below say how it leans? Enter keeps this; its units can be changed in the file.",
        ]
        return steps, int(self._sensor.snapshot().description_wanted is not None)

    def _found(self) -> list[str]:
        seen = self._sensor.snapshot()
        if seen.description_wanted is not None:
            return ["", *seen.description_wanted.splitlines()]
        if seen.format is not None and seen.good_per_s:
            speed = f" at {seen.baud} baud" if seen.baud else ""
            rate = f"{seen.good_per_s:.0f} a second"
            return ["", f"{seen.format} sentences{speed}, {rate}: they need no description"]
        return ["", seen.words, f"{seen.bytes_per_s:.0f} bytes a second"]
