"""Bytes in, whole lines out. No port, no clock; memory stays bounded whatever comes.

The rules, in full: CR or LF ends a line, and empty lines are nothing (so CR, LF, CRLF, LFCR and CRCRLF all
work). NUL and 0xFF at the start of a line are breaks and noise and are stripped. A line of more than
LONGEST bytes is dropped up to its end and counted once. Cutting the same bytes into other chunks
changes neither lines nor counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.wire.tally import Refusal

if TYPE_CHECKING:
    from shimfit.wire.tally import Tally

LONGEST = 1024
"""Bytes of a line, its end not counted; NMEA 0183 allows 82, chatter at start-up is longer."""
_LINE_NOISE = b"\x00\xff"


class LineFramer:
    """Cuts a byte stream into lines; hold one per link."""

    def __init__(self, tally: Tally, *, drop_first: bool = False) -> None:
        """`drop_first`: the first line after a start is not believed ("12.4" cut to "2.4" looks fine)."""
        self._tally = tally
        self._drop_first = drop_first
        self._rest = b""
        self._overlong = False
        self._first = drop_first

    def feed(self, chunk: bytes) -> list[bytes]:
        """Whole lines that these bytes complete, without their ends, in order."""
        if b"\n" not in chunk and b"\r" not in chunk:
            self._keep(self._rest + chunk)
            return []
        *whole, rest = (self._rest + chunk).replace(b"\r", b"\n").split(b"\n")
        lines = []
        for raw in whole:
            line = raw.lstrip(_LINE_NOISE)
            if self._overlong:
                self._overlong = False  # the end of a line that was counted when it grew too long
                self._first = False
            elif not line:
                continue
            elif self._first:
                self._first = False
            elif len(line) > LONGEST:
                self._tally.refuse(Refusal.TOO_LONG)
            else:
                lines.append(line)
        self._keep(rest)
        return lines

    def _keep(self, rest: bytes) -> None:
        """Hold back the unfinished line, at most LONGEST bytes of it."""
        if self._overlong:
            self._rest = b""
            return
        rest = rest.lstrip(_LINE_NOISE)
        if len(rest) > LONGEST:
            if not self._first:
                self._tally.refuse(Refusal.TOO_LONG)
            self._overlong = True
            rest = b""
        self._rest = rest

    def restart(self, *, lost: bool) -> None:
        """Begin anew: after opening, a change of speed or a loss.

        `lost`: the link went away, so a line that was under way counts as unfinished. An unfinished line
        is never parsed.
        """
        if lost and self._rest and not self._first:
            self._tally.refuse(Refusal.UNFINISHED)
        self._rest = b""
        self._overlong = False
        self._first = self._drop_first
