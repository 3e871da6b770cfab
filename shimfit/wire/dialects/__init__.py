"""What a line means: NMEA 0183 XDR sentences and delimited text, each told by a description.

A description is data (a small TOML file); a reader is built from it and does no I/O.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.wire.dialects.description import Description, Modbus, Register, Text, Xdr, parse_description
from shimfit.wire.dialects.text import TextReader
from shimfit.wire.dialects.xdr import XdrReader

if TYPE_CHECKING:
    from shimfit.wire.sample import Reader
    from shimfit.wire.tally import Tally

__all__ = [
    "Description",
    "Modbus",
    "Register",
    "Text",
    "TextReader",
    "Xdr",
    "XdrReader",
    "line_reader",
    "parse_description",
]


def line_reader(description: Xdr | Text, tally: Tally) -> Reader:
    """The reader for a format that comes in lines."""
    if isinstance(description, Xdr):
        return XdrReader(description, tally)
    return TextReader(description, tally)
