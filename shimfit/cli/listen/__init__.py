"""`shimfit listen`: an inclinometer, live or replayed from a capture, to samples and a reading."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.cli.context import add_force, check_output
from shimfit.errors import Exit, UsageError
from shimfit.outputs import CAPTURE, TRACE_CSV

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Commands, Io

EPILOG = """\
  shimfit listen --ports                     what is plugged in
  shimfit listen /dev/ttyUSB0                format and speed are found by listening
  shimfit listen socket://192.0.2.7:4001 --format xdr --capture post3.cap
  shimfit listen post3.cap --json            the same again, from the capture
  shimfit listen --reversal face1.cap face2.cap
  shimfit listen /dev/ttyUSB0 --still --seconds 300
  shimfit listen /dev/ttyUSB0 --teach        which way it sits, from two tips of the top

Nothing is ever sent to the sensor, unless the description says that it is polled (Modbus).
"""


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `listen`."""
    parser = commands.add_parser(
        "listen",
        parents=[common],
        help="listen to an inclinometer, or replay a capture",
        description="Listen to an inclinometer until a reading is taken, or replay a capture.",
        epilog=EPILOG,
    )
    add = parser.add_argument
    add("source", nargs="?", metavar="URL|CAPTURE", help="port, URL, capture file or - for stdin")
    add("--ports", action="store_true", help="list the ports of this computer and what they seem to be")
    add(
        "--format",
        default="auto",
        metavar="auto|xdr|FILE.toml",
        help="wire format (default: found by listening)",
    )
    add("--baud", type=int, metavar="N", help="speed of the port (default: found by listening)")
    add(
        "--dtr",
        choices=("on", "off"),
        default="on",
        help="set DTR when opening; off where it restarts the board",
    )
    add("--seconds", type=float, metavar="S", help="listen for so long (default: until a reading is taken)")
    add("--capture", metavar="FILE", help="write every byte, as it comes, to a capture")
    add("--trace", metavar="FILE", help="write every good sample to a CSV")
    add("--timing", metavar="FILE.csv", help="arrival times of a bare file: segment,time_s,offset,length")
    add("--rate", type=float, metavar="HZ", help="lines a second of a bare file without times (default 50)")
    add("--axes", metavar="MAP", help='sensor to post directions, "x=next y=out"')
    add("--zero", metavar="X,Y", help="what the sensor says when plumb, degrees, taken off")
    add("--reversal", nargs=2, metavar=("A", "B"), help="lean and zero from captures of two opposite faces")
    add("--teach", action="store_true", help="teach which way the sensor sits, by tipping the top twice")
    add(
        "--still",
        action="store_true",
        help="know your sensor: noise, memory, drift, where averaging stops helping",
    )
    add_force(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace, io: Io) -> int:
    """Run `listen`; returns the exit code. Raises UsageError, FileError or InstrumentError."""
    from shimfit.cli.listen import live, replayed, reversed_faces, taught

    check_output(args, args.capture, CAPTURE)
    check_output(args, args.trace, TRACE_CSV)
    if args.ports:
        return _list_ports(args, io)
    if args.teach:
        return taught.run(args, io)
    if args.reversal is not None:
        return reversed_faces.run(args, io)
    if args.source is None:
        raise UsageError(
            "listen to what? give a port, a URL or a capture; `shimfit listen --ports` lists ports"
        )
    if args.seconds is not None and not 0 < args.seconds < 1e7:
        raise UsageError("--seconds must be more than 0")
    if replayed.is_file(args.source):
        return replayed.run(args, io)
    return live.run(args, io)


def _list_ports(args: argparse.Namespace, io: Io) -> int:
    from shimfit.wire.link import ports

    found = ports()
    if args.json:
        rows = [
            {
                "url": port.url,
                "seems": port.seems,
                "usb": port.usb,
                "serial_number": port.serial_number,
                "location": port.location,
            }
            for port in found
        ]
        io.json({"ports": rows})
        return Exit.DONE
    for port in found:
        usb = f"  usb {port.usb}" if port.usb else ""
        io.say(f"{port.url:<20} {port.seems}{usb}")
    if not found:
        io.talk("no ports here; network sensors are socket://host:port or rfc2217://host:port")
    return Exit.DONE
