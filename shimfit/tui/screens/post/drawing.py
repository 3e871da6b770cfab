"""Drawing the home screen's parts: functions from one look at the post to a Canvas."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.entry.result import Incomplete, Refused, Understood, number_text
from shimfit.model import Face, Lean, PostState
from shimfit.quantities import shown
from shimfit.text.canvas import HEIGHT, STACKED_HEIGHT, Canvas, numerals, stacked
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import clipped, fitting, state_word, wrapped
from shimfit.text.pictures import foot_plan, strip
from shimfit.tui.screens.post.advice import in_order
from shimfit.tui.screens.post.room import LEAST_PLAN_ROWS, answer_rows, said_rows

if TYPE_CHECKING:
    from shimfit.entry.result import Component, ParseResult
    from shimfit.standing import PostRecord
    from shimfit.text.glyphs import Glyphs
    from shimfit.text.phrases import PackLine
    from shimfit.tui.screens.post.room import Room
    from shimfit.tui.screens.post.sight import Sight

WIDEST_PLAN, TALLEST_PLAN = 64, 25
LEAST_BESIDE = 8
"""Columns beside a large figure that its words can do with."""


def headline(sight: Sight, room: Room, width: int) -> Canvas:
    """Run, post, state; on a squat screen with the strip in the same row."""
    canvas = Canvas(width, 1)
    run, record = sight.run, sight.record
    if run is None or record is None:
        canvas.put(0, 0, "shimfit: no run yet", "strong")
        return canvas
    state = f" {sight.glyphs.states[record.state]} {state_word(record.state)} "
    count = f"{sight.index + 1}/{len(run.posts)}"
    if room.squat:
        head = f"post {record.name} ({count})"
        canvas.put(0, 0, head, "strong")
        canvas.put(len(head) + 1, 0, state, ROLES[record.state] + " here")
        x = len(head) + len(state) + 2
        canvas.paste(x, 0, _strip(sight, width - x))
        return canvas
    head = f"{run.name}  post {record.name} ({count})"
    if len(head) + len(state) + 2 > width:
        head = f"post {record.name} ({count})"
    canvas.put(0, 0, head, "strong")
    canvas.put(len(head) + 2, 0, state, ROLES[record.state] + " here")
    allowed = shown.fine(record.tolerance.allowed_top_mm(record.height_mm), run.units)
    told = f"allowed {allowed} at {shown.tape(record.height_mm, run.units)}"
    if len(head) + len(state) + len(told) + 4 <= width:
        canvas.put_right(width, 0, told, "label")
    return canvas


def strip_row(sight: Sight, width: int, height: int) -> Canvas:
    """The run as one row of signs."""
    return _strip(sight, width) if sight.run is not None else Canvas(width, height)


def _strip(sight: Sight, width: int) -> Canvas:
    assert sight.run is not None
    states = [post.state for post in sight.run.posts]
    return strip(states, sight.index, glyphs=sight.glyphs, width=max(1, width))


def said(sight: Sight, room: Room, width: int, height: int) -> Canvas:
    """The sentences."""
    canvas = Canvas(width, height)
    for y, (text, role) in enumerate(said_rows(sight, room)):
        canvas.put(0, y, text, role)
    return canvas


def answer(sight: Sight, room: Room, width: int, height: int) -> Canvas:
    """The packs, one a row, and remarks as far as there is room; one that goes on ends in a sign."""
    canvas = Canvas(width, height)
    rows = answer_rows(sight, room)
    if len(rows) > height > len(sight.packs):
        text, role = rows[height - 1]
        rows[height - 1] = (clipped(f"{text} {rows[height][0]}", width, sight.glyphs.more), role)
    for y, (text, role) in enumerate(rows):
        canvas.put(0, y, text, role)
    return canvas


# ---------------------------------------------------------------- large figures


def big(sight: Sight, room: Room, width: int, height: int) -> Canvas:
    """Draw what is typed; else the pack to put in; else the word PLUMB."""
    if sight.understood is not None:
        return _heard_figures(sight.understood, sight.glyphs, width, height)
    if sight.heard is not None:
        return Canvas(width, height)
    if sight.pack is not None:
        return _pack_figure(sight, sight.pack, room, width, height)
    canvas = Canvas(width, height)
    if sight.view is not None and sight.view.state is PostState.PLUMB:
        word = numerals("PLUMB", blocks=sight.glyphs.blocks, role="plumb")
        canvas.paste(0, 0, word)
        room_left = max(8, width - word.width - 2)
        for y, row in enumerate(wrapped(sight.view.result, room_left)[:HEIGHT]):
            canvas.put(word.width + 2, y, row, "strong")
    return canvas


def _heard_figures(heard: Understood, glyphs: Glyphs, width: int, height: int) -> Canvas:
    """Draw both leans at arm's length: did it hear me right."""
    canvas = Canvas(width, height)
    x = 0
    for part in (heard.along, heard.across):
        if part is None:
            continue
        sign, text = glyphs.faces[part.face], _figure_text(part)
        figure = numerals(f"{sign}{text}", blocks=glyphs.blocks)
        if x + figure.width > width:  # two mixed numbers do not fit a phone: the second in plain size
            canvas.put(min(x, max(0, width - len(text) - 2)), HEIGHT - 1, f"{sign} {text}", "strong")
            break
        canvas.paste(x, 0, figure)
        x += figure.width + 3
    return canvas


def _figure_text(part: Component) -> str:
    return number_text(part) + {"strong": "+", "shy": "-", None: ""}[part.qualifier]


def _pack_figure(sight: Sight, pack: PackLine, room: Room, width: int, height: int) -> Canvas:
    """Side, figure, and in words what it is."""
    canvas = Canvas(width, height)
    glyphs = sight.glyphs
    arrow = _side_sign(pack, glyphs)
    if height >= STACKED_HEIGHT and "/" in pack.figure:
        whole, _, part = pack.figure.rpartition(" ")
        over, _, under = part.partition("/")
        figure = stacked(whole, over, under, blocks=glyphs.blocks, bar=glyphs.horizontal)
    else:
        figure = numerals(pack.figure, blocks=glyphs.blocks)
    top = (height - HEIGHT) // 2
    x = arrow.width + 2
    if x + figure.width + 2 + LEAST_BESIDE > width:
        x = 0  # the words beside the figure tell more than the arrow, which the row of the pack has too
    else:
        canvas.paste(0, top, arrow)
    canvas.paste(x, (height - figure.height) // 2, figure)
    x += figure.width + 2
    for y, texts in enumerate(_beside_figure(sight, pack, room)):
        canvas.put(x, top + y, fitting(width - x, glyphs.more, *texts), "strong" if y == 1 else "")
    return canvas


def _beside_figure(sight: Sight, pack: PackLine, room: Room) -> tuple[tuple[str, ...], ...]:
    """Three rows beside the figure, each from its longest form to its shortest: unit, where, what."""
    lot = pack.short.partition(" ")[0]
    bare = pack.unit.removesuffix(" mark").removesuffix(" thick")
    sign = bare.replace(" strong", "+").replace(" shy", "-")  # as they may be typed
    unit: tuple[str, ...] = (pack.unit, bare, sign)
    if room.squat or pack.changed:  # the row below does not name the piece
        unit = (f"{pack.unit} {lot}", *unit)
    if pack.other and not room.squat:
        unit = (f"{pack.unit} = {pack.other}", *unit)
    what: tuple[str, ...] = (pack.short,)
    if pack.changed:
        _, arrow, new = pack.changed.partition(sight.glyphs.faces[Face.NEXT])
        what = (pack.changed, f"{arrow}{new}") if arrow else (pack.changed,)
    elif "cut tip" in pack.short:  # to be done before it goes in, so it may not be missed
        cut = pack.short.partition("cut tip ")[2].partition(" + ")[0]
        cuts = (f"cut tip {cut}", f"cut {cut}")
        what = cuts if room.squat else (pack.short, *cuts)
    elif room.squat and sight.words is not None and sight.record is not None:
        what = (f"allowed {sight.words.allowed(sight.record)}",)
    return unit, (pack.where, pack.where.rpartition(" ")[0]), what


def _side_sign(pack: PackLine, glyphs: Glyphs) -> Canvas:
    """The side to pack as a large arrow; without half blocks as small signs, the words are beside it."""
    sign = glyphs.seats[pack.seat]
    if glyphs.blocks:
        return numerals(sign, blocks=True, role="lift")
    canvas = Canvas(len(sign), HEIGHT)
    canvas.put(0, HEIGHT - 1, sign, "lift")
    return canvas


# ---------------------------------------------------------------- plan


def plan(sight: Sight, width: int, height: int) -> Canvas:
    """The foot with its packs, or with the lean that is being typed."""
    record = sight.record
    if record is None or height < (LEAST_PLAN_ROWS if sight.packs else 3):
        return Canvas(width, height)
    return _foot(sight, record, min(width, WIDEST_PLAN), min(height, TALLEST_PLAN))


def _foot(sight: Sight, record: PostRecord, width: int, height: int) -> Canvas:
    assert sight.words is not None
    packs = in_order(sight.prescription.packs) if sight.prescription and sight.packs else ()
    lean = record.reading.lean if record.reading else None
    if sight.live_answer is not None:
        lean = sight.live_answer.lean
    if sight.understood is not None:
        along, across = sight.understood.slopes(record.height_mm)
        lean, packs = Lean(along or 0.0, across or 0.0), ()
    elif sight.prescription is None:
        packs = in_order(record.packs_in_place)
    return foot_plan(
        record.foot,
        packs,
        lean,
        record.height_mm,
        names=sight.words.names,
        glyphs=sight.glyphs,
        width=width,
        height=height,
    )


# ---------------------------------------------------------------- the echo row


def echo(heard: ParseResult | None, glyphs: Glyphs, width: int) -> tuple[str, str]:
    """How the line is understood: sign, words, role. Half-typed text is not scolded."""
    if isinstance(heard, Understood):
        told = f"{glyphs.understood} {glyphs.spell(heard.words)}  {glyphs.enter} logs"
        if len(told) > width:
            told = f"{glyphs.understood} {_short_words(heard, glyphs)}  {glyphs.enter} logs"
        return told, "strong"
    if isinstance(heard, Refused):
        return f"{glyphs.refused} {glyphs.spell(heard.reason)}", "refused"
    if isinstance(heard, Incomplete):
        return f"{glyphs.incomplete} {glyphs.spell(heard.reason)}", ""
    return "", ""


def _short_words(heard: Understood, glyphs: Glyphs) -> str:
    """`9.5 mm → next, 5 mm ↑ out`."""
    said = []
    for part in (heard.along, heard.across):
        if part is None:
            continue
        rest = f" {part.qualifier}" if part.qualifier else ""
        name = heard.settings.name(part.face)
        unit = glyphs.spell("°") if part.unit == "deg" else f" {part.unit}"
        said.append(f"{number_text(part)}{unit}{rest} {glyphs.faces[part.face]} {name}")
    return ", ".join(said) + (", half" if heard.half else "")
