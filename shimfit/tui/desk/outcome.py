"""What came of a move: words for the person, never an exception for something that he can put right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Bell = Literal["none", "refused", "plumb"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a move."""

    message: str
    done: bool = True
    """False: refused, nothing was changed or logged; what was typed is kept."""
    at: int | None = None
    """Characters before the bad spot of what was typed."""
    bell: Bell = "none"
