"""What the user is warned of, once: screen, plain mode, commands and paper take their sentences from here.

A guard keeps people from falling and a small offcut near a blade takes a finger: these are no decoration.
`FRONTS` says what each front must show, and a test looks whether it does. The facts of timber and saw are
common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from types import MappingProxyType
from typing import Final

TEXTS: Final = MappingProxyType[str, str](
    {
        "guard": (
            "A guard keeps people from falling. shimfit makes posts plumb; it does not design the "
            "connection. Height, openings, loads and fixings follow the local code and a licensed "
            "professional where one is required."
        ),
        "rot": "Packs must be of a material that does not rot or creep (no cedar shingles under a guard).",
        "sideways": "Packs must not be what carries a sideways load.",
        "membrane": (
            "Never cut or pack through the membrane that seals the end grain, never pack into the rod hole."
        ),
        "chisel": "Cut flush with the chisel away from your hand, and do not cut the membrane.",
        "again": "Tighten again, and read again, after the timber has dried.",
        "eyes": "Wear eye protection when cutting small wedges and tips.",
        "hand": (
            "Never hold a small offcut by hand near the blade: leave it on the long strip, use a stop and a "
            "hold-down, and let the blade stop before you reach for a piece."
        ),
        "too-short": "A strip that has become too short to hold is not saw stock any more.",
    }
)
FRONTS: Final = MappingProxyType[str, tuple[str, ...]](
    {
        "readme": tuple(TEXTS),
        "first start": ("guard",),
        "help": ("guard", "rot", "sideways", "membrane", "again", "eyes", "hand"),
        "record": ("guard", "rot", "sideways", "membrane", "again"),
        "sawing": ("eyes", "hand", "too-short"),
        "tips": ("eyes", "hand"),
        "labels": ("membrane", "chisel", "eyes", "hand"),
        "trim": ("chisel",),
        "rails": ("guard",),
        "kit": ("rot", "eyes", "hand"),
        "makeup": ("guard", "again"),
    }
)
"""`sawing`: plan and cut sheet with wedges to saw; `tips`: with no more than tips of tapers to cut off."""

_ROTS: Final = re.compile(
    r"\b(?:cedar|shingles?|shakes?|cardboard|paper|pine|fir|spruce|hemlock|softwood|mdf|chipboard|"
    r"particle ?board|plywood|poplar|osb)\b",
    re.IGNORECASE,
)


def cautions_of(front: str) -> tuple[str, ...]:
    """Sentences that a front shows, in order. KeyError for a front that FRONTS does not name: our mistake."""
    return tuple(TEXTS[one] for one in FRONTS[front])


def caution_of_material(materials: Iterable[str]) -> str | None:
    """What is said of pieces of these materials, as typed; None where none is known to rot or creep."""
    found = sorted({material.strip() for material in materials if _ROTS.search(material)})
    if not found:
        return None
    said = "rots or creeps under a guard; take plastic, metal or a durable hardwood instead."
    return f"{', '.join(found)}: {said}"
