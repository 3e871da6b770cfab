"""Captures: every byte as it came, with its time, and what happened to the link.

    # shimfit capture 1
    # device: /dev/ttyUSB0              any number of header lines, `# name: value`
    @0.012 42                           a record: seconds since the start, number of bytes,
    $IIXDR,…                            the bytes themselves, then a line feed
    !3.500 error device gone            an event: opened, closed, error or mark, and a text

Anything that does not begin with that first line is a bare file of bytes; its times come from a
timing table (`segment,time_s,offset,length`) or are made up from a rate. A torn last record is ignored.
"""

from __future__ import annotations

import math
import re
from dataclasses import field
from typing import TYPE_CHECKING, Literal

from shimfit import csvfile
from shimfit.errors import FileError
from shimfit.outputs import CAPTURE, Growing
from shimfit.quantities.typed import decimal_number
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from shimfit.wire.stream import Stream

FIRST_LINE = b"# shimfit capture 1"
ASKED = "asked"
"""A mark: a request went out; its bytes follow in hex."""
_FLUSH_EVERY_S = 0.5
_MOST_PIECES = 5_000_000
"""Lines of a timing table: a day of a fast sensor."""
_RECORD = re.compile(rb"@([0-9]+(?:\.[0-9]+)?) ([0-9]{1,9})\n")
_EVENT = re.compile(rb"!([0-9]+(?:\.[0-9]+)?) (opened|closed|error|mark)(?: ([^\n]*))?\n")
Happening = Literal["bytes", "opened", "closed", "error", "mark"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that a capture holds."""

    time_s: float
    """Seconds since the start; they never fall."""
    kind: Happening
    data: bytes = b""
    text: str = ""


@dataclass(frozen=True, slots=True)
class Capture:
    """A whole capture, in order."""

    entries: tuple[Entry, ...]
    header: dict[str, str] = field(default_factory=dict)
    torn: bool = False
    """The last record was cut off, and is left out."""
    bare: bool = False
    """A bare file of bytes: how the link ended is not known."""
    timed: bool = True
    """False: the times were made up from a rate."""

    @property
    def tells_requests(self) -> bool:
        """True when requests of a polled format are marked."""
        return any(entry.kind == "mark" and entry.text.startswith(ASKED) for entry in self.entries)


class CaptureWriter:
    """Writes a capture while it happens. Owned by the thread that reads the link."""

    def __init__(self, path: str, header: Mapping[str, str], start_s: float) -> None:
        """Raises FileError when the file can't be written. `start_s`: the clock's time zero of the file."""
        self._start_s = self._flushed_s = start_s
        self._file = Growing(path, CAPTURE)
        lines = "".join(f"# {name}: {_one_line(value)}\n" for name, value in header.items())
        self._file.write(FIRST_LINE + b"\n" + lines.encode())
        self.close = self._file.close

    def data(self, now_s: float, data: bytes) -> None:
        """A record: bytes as they came."""
        self._file.write(b"@%.6f %d\n%b\n" % (now_s - self._start_s, len(data), data))
        if now_s - self._flushed_s > _FLUSH_EVERY_S:
            self._flushed_s = now_s
            self._file.flush()

    def event(self, now_s: float, kind: Happening, text: str = "") -> None:
        """What happened to the link."""
        line = f"!{now_s - self._start_s:.6f} {kind} {_one_line(text)}".rstrip()
        self._file.write(line.encode() + b"\n")
        self._file.flush()


def _one_line(text: str) -> str:
    return " ".join(text.split())


def parse_capture(data: bytes, path: str) -> Capture:
    """Read a capture file's bytes; raises FileError where it is damaged, naming the byte."""
    header: dict[str, str] = {}
    at = data.find(b"\n") + 1 or len(data)
    while data[at : at + 1] == b"#":
        line, _, _ = data[at + 1 :].partition(b"\n")
        at += 1 + len(line) + 1
        if at <= len(data):  # one that is cut off counts for nothing
            name, _, value = line.decode("utf-8", "replace").partition(":")
            header[name.strip()] = value.strip()
    entries: list[Entry] = []
    last_s = 0.0
    while at < len(data):
        match = _RECORD.match(data, at) or _EVENT.match(data, at)
        if match is None:
            if data[at : at + 1] in (b"@", b"!") and b"\n" not in data[at:]:
                return Capture(tuple(entries), header, torn=True)
            raise FileError(f"{path}: damaged at byte {at}: neither a record nor an event")
        time_s = float(match[1])
        if time_s < last_s:
            raise FileError(f"{path}: time runs backwards at byte {at}")
        last_s, at = time_s, match.end()
        if match.re is _EVENT:
            kind: Happening = match[2].decode()  # type: ignore[assignment] # the expression allows only these
            entries.append(Entry(time_s, kind, text=(match[3] or b"").decode("utf-8", "replace")))
            continue
        end = at + int(match[2])
        if end >= len(data):
            return Capture(tuple(entries), header, torn=True)
        if data[end : end + 1] != b"\n":
            raise FileError(f"{path}: damaged at byte {end}: the record does not end there")
        entries.append(Entry(time_s, "bytes", data[at:end]))
        at = end + 1
    return Capture(tuple(entries), header)


def is_capture(data: bytes) -> bool:
    """True for a capture file, False for a bare file of bytes."""
    return data.split(b"\n", 1)[0].rstrip(b"\r") == FIRST_LINE


def bare_capture(data: bytes, path: str, *, timing: str | None, timing_path: str, rate_hz: float) -> Capture:
    """A bare file of bytes as a capture.

    `timing`: text of a table `segment,time_s,offset,length`; each new segment is another opening of the
    link. Without it the lines are taken to come evenly, `rate_hz` of them a second. Raises FileError for a
    table that does not fit the file.
    """
    if timing is not None:
        return Capture(tuple(_timed(data, path, timing, timing_path)), bare=True)
    pieces = data.splitlines(keepends=True)
    if len(pieces) < len(data) // 2048:  # hardly any line ends: not lines at all
        pieces = [data[at : at + 1024] for at in range(0, len(data), 1024)]
    evenly = (Entry(count / rate_hz, "bytes", piece) for count, piece in enumerate(pieces))
    return Capture((Entry(0.0, "opened"), *evenly), bare=True, timed=False)


def _timed(data: bytes, path: str, timing: str, timing_path: str) -> Iterator[Entry]:
    rows = csvfile.lines(timing, timing_path, most=_MOST_PIECES)
    _, header = next(rows, (1, []))
    wanted = ("segment", "time_s", "offset", "length")
    if not set(wanted) <= set(header):
        raise FileError(f"{timing_path}: the header must be {','.join(wanted)}")
    last_s, shift_s, reached = 0.0, 0.0, 0
    segment: str | None = None
    for number, cells in rows:
        row = dict(zip(header, cells, strict=False))
        where = f"{timing_path}, line {number}"
        numbers = [decimal_number(row.get(name, "")) for name in wanted[1:]]
        if not all(math.isfinite(one) for one in numbers) or not all(one.is_integer() for one in numbers[1:]):
            raise FileError(f"{where}: time, offset and length must be numbers")
        time_s, offset, length = numbers[0] + shift_s, int(numbers[1]), int(numbers[2])
        if row["segment"] != segment:
            if time_s < last_s:  # each segment may have a clock of its own
                shift_s, time_s = shift_s + last_s - time_s, last_s
            segment = row["segment"]
            yield Entry(time_s, "opened", text=f"segment {segment}")
        if not (last_s <= time_s and offset == reached and 0 <= length <= len(data) - offset):
            raise FileError(
                f"{where}: does not follow on from the line before, or runs past the end of {path}"
            )
        yield Entry(time_s, "bytes", data[offset : offset + length])
        last_s, reached = time_s, offset + length
    if reached != len(data):
        raise FileError(f"{timing_path}: lists {reached} bytes, {path} has {len(data)}")


def replay(capture: Capture, stream: Stream) -> float:
    """Feed a capture through a stream, with the recorded times as its clock; returns the last time.

    A line under way when the link was lost, or opened anew, counts as unfinished; so does one at the end
    of a bare file. Where the user stopped listening it does not: more may have come.
    """
    now_s = 0.0
    for entry in capture.entries:
        now_s = entry.time_s
        if entry.kind == "bytes":
            stream.feed(now_s, entry.data)
        elif entry.kind == "opened":
            stream.opened(now_s)
        elif entry.kind == "error":
            stream.say(f"link lost at {now_s:.1f} s: {entry.text}")
            stream.lost(f"link lost: {entry.text}")
        elif entry.kind == "mark" and entry.text.startswith(ASKED):
            stream.input.asked(now_s)
    stream.tick(now_s)
    if capture.bare:
        stream.input.restart(lost=True)  # a line under way can't be known from a cut one
    if capture.torn:
        stream.say("the last record is torn, and was left out")
    return now_s
