"""What `listen` says at the end: one JSON object, or the same in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit.core.sensing.statistics import hold_needed_s, plot_curve, sensor_character
from shimfit.core.sensing.watch import WatchState

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.cli.io import Io
    from shimfit.core.sensing.statistics import SensorCharacter
    from shimfit.wire.inclinometer import Taken
    from shimfit.wire.samples import Tally


def result(
    *,
    form: str | None,
    tally: Tally,
    taken: Taken | None,
    state: WatchState,
    why: str,
    messages: Sequence[str],
) -> dict[str, Any]:
    """The contract's object, without its schema number."""
    return {
        "format": form,
        "bytes": tally.bytes,
        "samples_good": tally.good,
        "refused": {str(reason): count for reason, count in sorted(tally.refused.items()) if count},
        "refused_total": tally.refused_total,
        "other": tally.other,
        "lean": None if taken is None or state is not WatchState.TAKEN else _lean(taken),
        "state": str(state),
        "why": why,
        "messages": list(messages),
    }


def _lean(taken: Taken) -> dict[str, Any]:
    return {
        "x_deg": taken.held.x_deg,
        "y_deg": taken.held.y_deg,
        "u_x_deg": taken.held.u_x_deg,
        "u_y_deg": taken.held.u_y_deg,
        "slope_along": taken.lean.slope_along,
        "slope_across": taken.lean.slope_across,
        "u_along": taken.u_along,
        "u_across": taken.u_across,
        "largest_term": taken.largest_term,
        "held_s": taken.held.seconds,
        "samples": taken.held.samples,
        "text": taken.text,
    }


def say(answer: dict[str, Any], io: Io) -> None:
    """The same object in sentences: the reading to stdout, counts and messages to stderr."""
    for message in answer["messages"]:
        io.talk(message)
    refused = ", ".join(f"{count} {reason.replace('_', ' ')}" for reason, count in answer["refused"].items())
    io.talk(
        f"{answer['bytes']} bytes, {answer['samples_good']} good samples "
        f"({answer['format'] or 'format not found'}), "
        f"refused: {refused or 'none'}, other: {answer['other']}"
    )
    lean = answer["lean"]
    if lean is None:
        io.say(f"{answer['state']}: {answer['why']}")
        return
    io.say(f"{answer['state']}: {lean['text']}, held for {lean['held_s']:.1f} s")
    io.say(f"largest doubt: {lean['largest_term']}")


# ---------------------------------------------------------------- know your sensor


class StillRecord:
    """Samples of a sensor that is left alone."""

    def __init__(self) -> None:
        self._times_s: list[float] = []
        self._x_deg: list[float] = []
        self._y_deg: list[float] = []

    def add(self, time_s: float, x_deg: float, y_deg: float) -> None:
        """One good sample."""
        self._times_s.append(time_s)
        self._x_deg.append(x_deg)
        self._y_deg.append(y_deg)

    def characters(self) -> dict[str, SensorCharacter]:
        """Of x and y. Raises EntryError when the record is too short."""
        import numpy as np

        n = len(self._times_s)
        period_s = (self._times_s[-1] - self._times_s[0]) / (n - 1) if n > 1 else 1.0
        return {
            name: sensor_character(np.array(values, dtype=np.float64), period_s or 1.0)
            for name, values in (("x", self._x_deg), ("y", self._y_deg))
        }


def sensor_json(characters: dict[str, SensorCharacter]) -> dict[str, Any]:
    """Both axes' characters as JSON."""
    return {
        name: {
            "samples": c.samples,
            "seconds": c.seconds,
            "spread_deg": c.spread_deg,
            "memory_s": c.memory_s,
            "allan_1s_deg": c.density_deg,
            "drift_deg_per_min": c.drift_deg_per_min,
            "floor_deg": c.floor_deg,
            "floor_s": c.floor_s,
            "still_falling": c.still_falling,
            "curve": [{"seconds": p.seconds, "deviation_deg": p.deviation_deg} for p in c.curve],
        }
        for name, c in characters.items()
    }


def say_sensor(characters: dict[str, SensorCharacter], io: Io) -> None:
    """Both axes' characters in sentences, each with its curve."""
    for name, c in characters.items():
        io.say(f"{name}: {c.samples} samples in {c.seconds:.0f} s")
        io.say(f"  single samples scatter by {c.spread_deg:.4f}°, and remember for {c.memory_s:.2f} s")
        io.say(f"  drift {c.drift_deg_per_min:+.4f}° a minute")
        longer = " (still falling there: a longer record would show more)" if c.still_falling else ""
        io.say(f"  averaging stops helping at {c.floor_s:.3g} s: floor {c.floor_deg:.4f}°{longer}")
        if c.density_deg > 0:
            io.say(f"  ± 0.02° (k = 2) takes a hold of {hold_needed_s(c.density_deg, 0.01):.1f} s")
        io.say(plot_curve(c.curve))
        io.say()
    floor_deg = max(c.floor_deg for c in characters.values())
    io.say(f"for the device's file: doubts = {{ floor_deg = {floor_deg:.2g} }}")
