"""The inclinometer that the settings name, and what is kept of it: its zero, its age, its slow noise.

The zero is kept in the log as an instrument's, in the post's directions and with the axes that it was found
with; what the device's own file states goes first. It is taken off in the stream, so that a screen, a
command and the log see the same lean with the same uncertainty.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path

from shimfit.core.instruments import age_days
from shimfit.core.lean import to_degrees
from shimfit.core.sensing.mounting import AxisMap, SensorZero, Zero, parse_axis_map
from shimfit.core.sensing.statistics import SensorCharacter, robust_spread
from shimfit.csvfile import file_text
from shimfit.errors import FileError, InstrumentError
from shimfit.model import Instrument, Lean, Reading
from shimfit.settings import Settings
from shimfit.wire.capture import Capture, replay
from shimfit.wire.formats import Device, Xdr, parse_device
from shimfit.wire.inclinometer import Inclinometer
from shimfit.wire.samples import Sample
from shimfit.wire.stream import ListenOptions, Snapshot, Stream, Taken
from shimfit.workflow.instruments import drop
from shimfit.workflow.site import Site

_LOOK_S = 0.05
"""Pause from look to look."""
_LEAST_SAMPLES = 5
"""In what a tip is judged by."""
UNNAMED = "inclinometer"
"""What the sensor is called in the record where the instrument in use is none of its kind."""


def inclinometer_of(site: Site, url: str | None = None) -> Inclinometer | None:
    """The inclinometer at a port, or the one of the settings, not yet started; None when none is set.

    Raises EntryError (axes) or FileError (the description of its format) in one sentence.
    """
    url = url or site.settings.sensor
    return Inclinometer(url, options_of(site)) if url else None


def undescribed(site: Site) -> Inclinometer:
    """The inclinometer of the settings as nobody has described it: what it sends is found by listening."""
    return Inclinometer(site.settings.sensor, ListenOptions(baud=site.settings.sensor_baud or None))


def watch(
    sensor: Inclinometer,
    is_over: Callable[[Snapshot], bool],
    *,
    seconds: float = math.inf,
    stop: Callable[[], bool] = bool,
    seen: Callable[[Snapshot], None] = lambda _: None,
) -> Snapshot:
    """Look on until it is over, for so long at most, or until asked to stop; returns the last look."""
    end_s = time.monotonic() + seconds
    while True:
        snapshot, now_s = sensor.snapshot(), time.monotonic()
        seen(snapshot)
        if is_over(snapshot) or stop() or now_s >= end_s:
            return snapshot
        time.sleep(min(_LOOK_S, end_s - now_s))


@contextmanager
def opened(sensor: Inclinometer) -> Iterator[None]:
    """Listen, from when the link is open for the first time; InstrumentError where it can't be opened."""
    sensor.start()
    try:
        while not sensor.opened.wait(_LOOK_S):
            if sensor.fault is not None:
                raise sensor.fault
        yield
    finally:
        sensor.stop()


def is_over(snapshot: Snapshot, *, describes: bool = False) -> bool:
    """Nothing more is to be waited for: a reading, a format to describe, or nothing that can be read."""
    found = snapshot.description_wanted is not None or snapshot.gave_up
    return found or (snapshot.taken is not None and not describes)


def play(
    capture: Capture, options: ListenOptions, on_sample: Callable[[Sample, Sample], None] | None = None
) -> tuple[Stream, Snapshot]:
    """Run a capture through a new stream; with what there is to see at its end."""
    stream = Stream(options, on_sample=on_sample, polled=not capture.bare or capture.tells_requests)
    if not capture.timed:
        stream.say("no arrival times are known: lines are taken to come evenly (--rate, --timing)")
    return stream, stream.snapshot(replay(capture, stream))


def level_of(sensor: Inclinometer, seconds: float = 1.0) -> tuple[tuple[float, float], float]:
    """(x, y) and their scatter in degrees over the last seconds; InstrumentError for too few samples."""
    times_s, x_deg, y_deg = sensor.history(seconds)
    if len(times_s) < _LEAST_SAMPLES:
        raise InstrumentError(f"too few samples came in the last second: {sensor.snapshot().words}")
    return (float(x_deg.mean()), float(y_deg.mean())), max(robust_spread(x_deg), robust_spread(y_deg))


def reading_of(taken: Taken, height_mm: float) -> Reading:
    """The reading that was taken, with its uncertainty and what is known of the zero, as it is logged."""
    own_along, own_across = taken.u_own or (None, None)
    return Reading(
        text=taken.text,
        slope_along=taken.lean.slope_along,
        slope_across=taken.lean.slope_across,
        height_mm=height_mm,
        method="sensor",
        u_along=taken.u_along,
        u_across=taken.u_across,
        u_own_along=own_along,
        u_own_across=own_across,
        largest_term=taken.largest_term,
        zero_found=taken.zero_found,
    )


def options_of(site: Site) -> ListenOptions:
    """How the settings and the log say that it is listened to."""
    return listen_options(site.settings, record_of(site), site.journal.now().date())


def record_of(site: Site) -> Instrument | None:
    """What is kept of the sensor in use: the inclinometer that the settings name, else the unnamed one."""
    named = site.box().instrument(site.settings.instrument)
    if named is not None and named.kind == "inclinometer":
        return named
    return site.box().instrument(UNNAMED)


def listen_options(
    settings: Settings, known: Instrument | None = None, today: date | None = None
) -> ListenOptions:
    """How it is listened to by the settings; what the device's own file states goes first.

    But for its zero once it was dropped: the file can't know of that, so only a zero found since counts.
    """
    device = read_device(settings.sensor_format)
    axes = device.axis_map or parse_axis_map(settings.sensor_axes)
    zero, errors = device.zero, device.sensor_errors
    if known is not None:
        if known.dropped is not None:
            zero = None
        if zero is None and known.u_zero is not None:  # as the sensor reads it, whichever way it sits now
            then = parse_axis_map(known.axes) if known.axes else axes
            x, y = then.to_sensor(Lean(known.zero_along, known.zero_across))
            age = None if today is None else age_days(known, today)
            u_deg = math.degrees(known.u_zero)
            zero = SensorZero(to_degrees(x), to_degrees(y), u_deg, age)
        # What a long still record showed counts where the device's file has none.
        errors = replace(
            errors,
            floor_deg=errors.floor_deg or known.floor_deg or 0.0,
            memory_s=errors.memory_s or known.memory_s or 0.0,
        )
    return ListenOptions(
        description=device.description,
        baud=settings.sensor_baud or None,
        axis_map=axes,
        sensor_errors=errors,
        zero=zero,
    )


# ---------------------------------------------------------------- what is kept


def keep_zero(site: Site, zero: Zero, axes: AxisMap, at_degc: float | None = None) -> None:
    """Keep the zero that two faces showed (degrees, the sensor's own directions), from now on taken off."""
    lean = axes.to_post(math.tan(math.radians(zero.along)), math.tan(math.radians(zero.across)))
    found = replace(
        _as_entered(site),
        zero_along=lean.slope_along,
        zero_across=lean.slope_across,
        u_zero=math.radians(zero.u),
        checked=site.journal.now().isoformat(timespec="seconds"),
        axes=axes.text,
        zero_degc=at_degc,
    )
    site.add_instrument(found)


def forget_zero(site: Site) -> None:
    """The sensor that is listened to was dropped: see `instruments.drop`."""
    drop(site, _as_entered(site))


def keep_character(site: Site, characters: dict[str, SensorCharacter]) -> None:
    """Keep what a long still record showed: the floor of averaging and the memory, the worse axis."""
    worst = replace(
        _as_entered(site),
        floor_deg=max(one.floor_deg for one in characters.values()),
        memory_s=max(one.memory_s for one in characters.values()),
    )
    site.add_instrument(worst)


def keep_description(site: Site, text: str) -> Path:
    """Write a device's description beside the data file, under a name that is free, and listen by it."""
    folder = site.journal.path.absolute().parent
    names = ("sensor.toml", *(f"sensor-{count}.toml" for count in range(2, 1000)))
    target = next(path for path in (folder / name for name in names) if not path.exists())
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FileError(f"can't write {target}: {error.strerror}") from error
    site.set("sensor_format", str(target))
    return target


def _as_entered(site: Site) -> Instrument:
    return record_of(site) or Instrument(UNNAMED, "inclinometer")


def read_device(name: str, read: Callable[[str], str] | None = None) -> Device:
    """The sensor by its format's name, or as its file describes it; FileError when that can't be read.

    `read`: what reads a file's text otherwise than from where it stands.
    """
    if name in ("auto", "xdr"):
        return Device(Xdr() if name == "xdr" else None)
    text = read(name) if read else file_text(name, called=f"the sensor's description {name}")
    return parse_device(text, name)
