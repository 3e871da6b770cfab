"""Help by topic: what the README has no room for, as text to read in a terminal."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path

from shimfit.core.cautions import cautions_of
from shimfit.errors import UsageError


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic: its name, one line about it, the text."""

    name: str
    says: str
    text: str


@cache
def topics() -> tuple[Topic, ...]:
    """All of topics.txt, in its order; the cautions take their sentences from their own list."""
    whole = Path(__file__).with_name("topics.txt").read_text("utf-8")
    found = []
    for part in whole.split("\n== ")[1:]:
        heading, _, text = part.partition("\n")
        name, _, says = heading.partition("  ")
        if name == "cautions":
            text = "\n\n".join(cautions_of("readme"))
        found.append(Topic(name, says.strip(), text.strip("\n")))
    return tuple(found)


def topic_text(name: str) -> str:
    """The text of a topic under its heading; UsageError names what there is."""
    for topic in topics():
        if topic.name == name:
            return f"{topic.name.upper()}: {topic.says}\n\n{topic.text}"
    names = [topic.name for topic in topics()]
    close = get_close_matches(name, names, 1)
    hint = f"did you mean {close[0]}?" if close else f"there are {', '.join(names)}"
    raise UsageError(f"there is no help topic {name!r}; {hint}")
