"""The shortest plain way to type an understood entry again: typed back, it has to mean the same."""

from __future__ import annotations

from shimfit.entry.result import Component, Understood, length_text, number_text

UNITS = {"mm": "mm", "cm": "cm", "in": '"', "deg": "d", "mm/m": "mm/m", "cm/m": "cm/m", "in/ft": "in/ft"}
"""Each unit of a lean in the fewest keys."""


def typed_again(entry: Understood) -> str:
    """`1/4n 3/8h @48in`: letters as the run has them, the unit always written unless it is a fraction."""
    typed = [_amount(part, entry) for part in entry.parts]
    if entry.over is not None:
        figure, unit = length_text(entry.over).rsplit(" ", 1)
        typed.append(f"@{figure.replace(' ', '-')}{unit}")
    elif entry.at_height:
        typed.append("@height")
    return " ".join(typed)


def _amount(part: Component, entry: Understood) -> str:
    sign = {"strong": "+", "shy": "-", None: ""}[part.qualifier]
    bare = part.in_minutes or (part.typed.is_fraction and part.unit == "in")
    return f"{number_text(part)}{'' if bare else UNITS[part.unit]}{sign}{entry.settings.letter(part.face)}"
