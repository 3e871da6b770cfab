"""What the screen needs of an inclinometer: the newest snapshot in words, never a call per sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from shimfit.model import Lean, Reading

LOOKS_PER_SECOND = 20


class SnapshotLike(Protocol):
    """The part of wire.inclinometer.Snapshot that is looked at here."""

    state: str
    lean: Lean | None
    age_s: float | None
    taken: Reading | None
    message: str


class Sensor(Protocol):
    """The part of wire.inclinometer.Inclinometer that is used here."""

    def start(self) -> None:
        """Begin to listen."""

    def stop(self) -> None:
        """Stop listening and wait for the reader's end."""

    def snapshot(self) -> SnapshotLike:
        """The newest values and state."""


@dataclass(frozen=True, slots=True)
class Live:
    """One look at the inclinometer."""

    lean: Lean | None
    """None while there is nothing that may be believed: an old value never looks live."""
    word: str
    """State in words."""
    trouble: str
    """What stands on the banner; empty when all is well."""
    taken: Reading | None = None
    """A reading that is ready to be logged."""


TROUBLE = ("NO DATA", "STALE", "FROZEN", "CLOSED", "NO ANSWER")


def look(sensor: Sensor) -> Live:
    """Take one look."""
    seen = sensor.snapshot()
    state = str(seen.state)
    name = state.upper().replace("_", " ").replace("-", " ")
    bad = name in TROUBLE
    trouble = ""
    if bad:
        age = f" for {seen.age_s:.0f} s" if seen.age_s is not None else ""
        trouble = f"NO SENSOR{age}: {seen.message or state}. Typing goes on."
    return Live(None if bad else seen.lean, seen.message or state.lower(), trouble, seen.taken)
