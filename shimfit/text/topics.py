"""Help by topic: what the README has no room for, as text to read in a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from itertools import groupby
from pathlib import Path

from shimfit.core.cautions import cautions_of
from shimfit.errors import UsageError
from shimfit.text.phrases import wrapped


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


def topic_text(name: str, width: int) -> str:
    """A topic under its heading, sentences broken to a width, lines to type left whole.

    UsageError names what there is.
    """
    for topic in topics():
        if topic.name == name:
            head = f"{topic.name.upper()}: {topic.says}"
            return "\n".join([head, "", *_broken(topic.text, width)])
    names = [topic.name for topic in topics()]
    close = get_close_matches(name, names, 1)
    hint = f"did you mean {close[0]}?" if close else f"there are {', '.join(names)}"
    raise UsageError(f"there is no help topic {name!r}; {hint}")


def _broken(text: str, width: int) -> Iterator[str]:
    for is_sentence, lines in groupby(text.splitlines(), key=lambda line: line[:1] not in ("", " ")):
        if is_sentence:
            yield from wrapped(" ".join(lines), width)
        else:
            yield from lines
