"""Numbers on the wire: strict, on ASCII bytes.

Text is never handed to float() untested: it takes "nan", "inf", "1_000", blanks and digits of other scripts.
"""

from __future__ import annotations

import re

NUMBER = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
DECIMAL_COMMA = re.compile(rb"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?")
PRINTABLE = bytes(range(0x20, 0x7F))


def damaged(line: bytes, allowed: bytes = PRINTABLE) -> bool:
    """True when a byte stands in the line that no such line has."""
    return bool(line.translate(None, allowed))


def printed_step(digits: bytes) -> float:
    """Value of the last digit that was printed: 0.01 for `-1.23`, 1 for `12`."""
    mantissa, _, exponent = digits.lower().partition(b"e")
    decimals = len(mantissa.partition(b".")[2])
    return 10.0 ** max(-300, min(300, int(exponent or b"0") - decimals))
