"""What the options of `listen` ask for, as the values that the rooms below take."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.sensing.mounting import AxisMap, parse_axis_map
from shimfit.errors import UsageError
from shimfit.outputs import TRACE_CSV, open_growing, trouble
from shimfit.wire.formats import Device, Xdr, parse_device
from shimfit.wire.stream import ListenOptions

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Io
    from shimfit.wire.samples import Sample


def options(args: argparse.Namespace, io: Io) -> ListenOptions:
    """How to listen. Raises UsageError, EntryError (axes) or FileError (device file).

    What is typed wins over what the device's file says.
    """
    if args.baud is not None and not 50 <= args.baud <= 10_000_000:
        raise UsageError(f"--baud {args.baud} is no speed that a port has")
    known = device(args.format, io)
    zero_x_deg, zero_y_deg = known.zero_deg or (0.0, 0.0)
    if args.zero is not None:
        zero_x_deg, zero_y_deg = _pair(args.zero)
    return ListenOptions(
        description=known.description,
        baud=args.baud,
        dtr=args.dtr == "on",
        axis_map=parse_axis_map(args.axes) if args.axes else known.axis_map or AxisMap(),
        zero_x_deg=zero_x_deg,
        zero_y_deg=zero_y_deg,
        doubts=known.doubts,
    )


def device(name: str, io: Io) -> Device:
    """The sensor: a format by name, or what its file tells."""
    if name == "auto":
        return Device(None)
    if name == "xdr":
        return Device(Xdr())
    return parse_device(io.read_text(name), name)


def _pair(text: str) -> tuple[float, float]:
    try:
        x_deg, y_deg = (float(part) for part in text.split(","))
    except ValueError as error:
        raise UsageError(f"--zero {text} is no pair of degrees; it looks like 0.35,-0.12") from error
    if not (abs(x_deg) <= 45 and abs(y_deg) <= 45):
        raise UsageError(f"--zero {text}: a sensor's zero lies within 45 degrees")
    return x_deg, y_deg


class Trace:
    """Every good sample, one CSV line each, written while they come."""

    def __init__(self, name: str | None) -> None:
        """Raises FileError when the file can't be written; no name, no trace."""
        self._name = name
        self._file = None if name is None else open_growing(name, TRACE_CSV)
        self._write("time_s,x_deg,y_deg,moving\n")

    def sample(self, sample: Sample, start_s: float = 0.0) -> None:
        """One good sample, as parsed."""
        time_s = sample.time_s - start_s
        self._write(f"{time_s:.6f},{sample.x_deg:.6f},{sample.y_deg:.6f},{int(sample.moving)}\n")

    def _write(self, line: str) -> None:
        if self._file is None:
            return
        try:
            self._file.write(line.encode("ascii"))
        except OSError as error:
            raise trouble(self._name or "", error) from error

    def close(self) -> None:
        """Finish the file. Raises FileError when its end could not be written."""
        if self._file is None:
            return
        try:
            self._file.close()
        except OSError as error:
            raise trouble(self._name or "", error) from error
