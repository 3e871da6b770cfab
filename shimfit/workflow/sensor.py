"""The inclinometer that the settings name, ready to be started; and what its readings count as."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.core.sensing.mounting import parse_axis_map
from shimfit.errors import FileError
from shimfit.wire.formats import Device, Xdr, parse_device
from shimfit.wire.inclinometer import Inclinometer
from shimfit.wire.stream import ListenOptions

if TYPE_CHECKING:
    from shimfit.model import Reading
    from shimfit.settings import Settings
    from shimfit.store.state import InstrumentRecord
    from shimfit.workflow.site import Site


def inclinometer_of(site: Site) -> Inclinometer | None:
    """The inclinometer of the settings, not yet started; None when none is set.

    Raises EntryError (axes) or FileError (the description of its format) in one sentence.
    """
    settings = site.settings
    if not settings.sensor:
        return None
    return Inclinometer(settings.sensor, listen_options(settings))


def listen_options(settings: Settings) -> ListenOptions:
    """How the settings say that it is listened to; what the device's own file tells of it goes first."""
    device = _device(settings.sensor_format)
    zero_x_deg, zero_y_deg = device.zero_deg or (0.0, 0.0)
    return ListenOptions(
        description=device.description,
        baud=settings.sensor_baud or None,
        axis_map=device.axis_map or parse_axis_map(settings.sensor_axes),
        doubts=device.doubts,
        zero_x_deg=zero_x_deg,
        zero_y_deg=zero_y_deg,
    )


def without_zero(reading: Reading, instrument: InstrumentRecord | None) -> Reading:
    """A taken reading with the instrument's known zero off, and the zero's own doubt in its doubt."""
    if instrument is None or instrument.u_zero is None:
        return reading
    along, across = reading.slope_along, reading.slope_across
    return replace(
        reading,
        slope_along=None if along is None else along - instrument.zero_along,
        slope_across=None if across is None else across - instrument.zero_across,
        u_along=None if reading.u_along is None else math.hypot(reading.u_along, instrument.u_zero),
        u_across=None if reading.u_across is None else math.hypot(reading.u_across, instrument.u_zero),
    )


def _device(name: str) -> Device:
    if name == "auto":
        return Device(None)
    if name == "xdr":
        return Device(Xdr())
    try:
        text = Path(name).read_text(encoding="utf-8")
    except OSError as error:
        raise FileError(f"can't read the sensor's description {name}: {error.strerror}", path=name) from error
    except UnicodeDecodeError as error:
        raise FileError(f"the sensor's description {name} is not a text file", path=name) from error
    return parse_device(text, name)
