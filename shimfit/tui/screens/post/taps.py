"""What can be tapped on the home screen: directions while typing, actions on the empty line, the pad."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.entry.result import DEFAULT_LETTERS, Understood
from shimfit.model import Face
from shimfit.tui.widgets.taps import Tap

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.tui.screens.post.sight import Sight

AS_DRAWN = (Face.PREV, Face.NEXT, Face.OUT, Face.HOUSE)


def asking(sight: Sight) -> list[Tap]:
    """While something else than a reading is asked for."""
    return [Tap("Esc leave", "leave"), Tap(f"{sight.glyphs.enter} keep", "enter")]


def typing(sight: Sight) -> list[Tap]:
    """Direction buttons type the run's own letters."""
    letters, glyphs = _letters(sight), sight.glyphs
    names = sight.words.names if sight.words else {face: face.value for face in Face}
    buttons = [Tap(f"{glyphs.faces[face]} {names[face]}", f"type:{letters[face]}") for face in AS_DRAWN]
    return [*buttons, Tap(glyphs.enter, "enter")]


def resting(sight: Sight, *, slim: bool) -> list[Tap]:
    """Actions on the empty line: at most five on a phone."""
    if sight.run is None:
        return [Tap("Enter sample", "sample"), Tap("F5 own job", "go_setup"), Tap("F1 help", "help")]
    taps = [Tap("F1 help", "help")]
    if len(sight.packs) > 1:
        taps.append(Tap(f"Tab {sight.shown_pack + 1}/{len(sight.packs)}", "next_pack"))
    if not slim:
        taps += [Tap(f"{sight.glyphs.enter} next post", "next_post"), Tap("/ find", "find")]
    return [*taps, Tap("^Z undo", "undo"), Tap("^T pad", "pad"), Tap("^P all", "palette")]


def pad(sight: Sight) -> list[list[Tap]]:
    """Large keys: figures of the run's unit, directions, Log."""
    inch = sight.run is not None and sight.run.units == "inch"
    figures = (
        (("1/8", "1/4", "3/8", "1/2"), ("5/8", "3/4", "7/8", "1/16"))
        if inch
        else (("1", "2", "3", "4", "5"), ("6", "7", "8", "9", "0"))
    )
    letters, glyphs = _letters(sight), sight.glyphs
    rows = [[Tap(text, f"type:{text}") for text in row] for row in figures]
    rows.append([Tap(f"{glyphs.faces[face]} {letters[face]}", f"type:{letters[face]}") for face in AS_DRAWN])
    fine = [Tap("strong", "type:+"), Tap("shy", "type:-")] if inch else [Tap(".5", "type:.5")]
    rows.append([*fine, Tap("erase", "erase"), Tap("LOG", "enter", "here")])
    return rows


def _letters(sight: Sight) -> Mapping[Face, str]:
    if isinstance(sight.heard, Understood):
        return sight.heard.settings.all_letters
    return {face: DEFAULT_LETTERS[face.value] for face in Face}
