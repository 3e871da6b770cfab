"""The home screen's parts as pictures, and how many rows each gets, from 40 x 10 to 200 x 60."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.cautions import cautions_of
from shimfit.entry.result import Incomplete, Refused, Understood, number_text
from shimfit.model import Lean, PostState
from shimfit.quantities import shown
from shimfit.settings.actions import USUAL_KEYS, KeyWords
from shimfit.text.canvas import HEIGHT, STACKED_HEIGHT, Canvas, numerals, stacked, twice, written
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import broken, clipped, fitting, wrapped
from shimfit.text.pictures import foot_plan, strip
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.entry.result import ParseResult
    from shimfit.model import Prescription
    from shimfit.standing import PostRecord, RunState
    from shimfit.text.canvas import Run
    from shimfit.text.glyphs import Glyphs
    from shimfit.text.phrases import PackLine, PostView, Words
    from shimfit.tui.sensing import Live
    from shimfit.tui.session import Session
    from shimfit.workflow.solving import Advice

LIST_COLUMNS, VAST_LIST_COLUMNS = 28, 44
SIDE_COLUMNS, VAST_SIDE_COLUMNS = 38, 60
MID_FROM, BROAD_FROM, VAST_FROM = 64, 110, 150
LOW_FROM, TALL_FROM, STACKED_FROM, DOUBLED_FROM, VAST_ROWS_FROM = 14, 24, 30, 34, 45
PAD_ROWS, SQUAT_PAD_ROWS = 8, 4
LEAST_PLAN_ROWS = 5
LIVE_PLAN_ROWS = 9
"""Rows of the plan, or of the target in its place, while an inclinometer streams: it is what one looks at."""
TAPER_ROWS = 3

LIVE_ANSWER = "Packs for the lean as it is now; Space logs it"
NO_RUN = (
    "No job in this data file yet.\n"
    "Enter starts the sample job: a made-up boardwalk to try everything on; shimfit demo --remove takes "
    "it out again. F5 sets up a job of your own.\n\n" + "\n".join(cautions_of("first start"))
)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One look. `run`, `record`, `words`, `view` are None together: no run is open."""

    glyphs: Glyphs
    keys: KeyWords = USUAL_KEYS
    run: RunState | None = None
    record: PostRecord | None = None
    words: Words | None = None
    view: PostView | None = None
    index: int = 0
    """Position in walking order, from 0."""
    done: int = 0
    """How many of the steps were ticked: the next one stands in large figures."""
    parsed: ParseResult | None = None
    """How the line is understood; None while nothing is typed."""
    live: Live | None = None
    looks: int = 0
    advice: Advice | None = None
    live_packs: tuple[PackLine, ...] = ()
    """What is to be put in or pushed by that advice; stands before the packs of the record."""

    @property
    def packs(self) -> tuple[PackLine, ...]:
        """Packs in the order in which they go in."""
        if self.live_packs:
            return self.live_packs
        return self.view.packs if self.view is not None else ()

    @property
    def live_answer(self) -> Prescription | None:
        """The answer to the lean as it is now, while the post stands bare."""
        answer = self.advice.answer if self.advice is not None else None
        return answer if answer is not None and answer.packs else None

    @property
    def prescription(self) -> Prescription | None:
        """The answer that the packs on screen belong to."""
        return self.live_answer or (self.record.going_in if self.record is not None else None)

    @property
    def steps(self) -> tuple[PackLine, ...]:
        """What is to be done one after another before tightening: all packs, or those that change."""
        if self.view is None or (self.view.state is PostState.TIGHTEN and not self.live_packs):
            return ()
        return tuple(pack for pack in self.packs if pack.changed) or self.packs

    @property
    def pack(self) -> PackLine | None:
        """The step in large figures; None when all are done."""
        return self.steps[self.done] if self.done < len(self.steps) else None

    @property
    def understood(self) -> Understood | None:
        """The reading that is on the line, when it is one."""
        parsed = self.parsed
        return parsed if isinstance(parsed, Understood) and not parsed.is_gauge_only else None


def take_snapshot(session: Session, parsed: ParseResult | None, live: Live | None) -> Snapshot:
    """Take a look."""
    run, record = session.run, session.record
    look = Snapshot(session.glyphs, session.keys, parsed=parsed, live=live)
    if run is None or record is None:
        return look
    words, view, index = session.words, session.view, session.index
    return replace(look, run=run, record=record, words=words, view=view, index=index)


@dataclass(frozen=True, slots=True)
class ScreenSize:
    """The screen's size and what it is good for; banner and echo: rows that they take."""

    columns: int
    rows: int
    pad: bool = False
    banner: int = 0
    echo: int = 1

    @property
    def slim(self) -> bool:
        """No room for a list beside the post."""
        return self.columns < MID_FROM

    @property
    def squat(self) -> bool:
        """A phone with its keyboard up."""
        return self.rows < LOW_FROM

    @property
    def in_brief(self) -> bool:
        """A phone: the packs that come after the one in large figures share a row."""
        return self.slim and self.rows < TALL_FROM

    @property
    def stacks(self) -> bool:
        """Tall enough for stacked fractions."""
        return self.rows >= STACKED_FROM

    @property
    def doubles(self) -> bool:
        """Room for figures of twice the size that are not stacked."""
        return self.columns >= BROAD_FROM and self.rows >= DOUBLED_FROM

    @property
    def vast(self) -> bool:
        """Room for figures of twice the size."""
        return self.rows >= VAST_ROWS_FROM and self.columns >= VAST_FROM

    @property
    def has_side(self) -> bool:
        """Wide and tall enough for the column of pictures beside the post."""
        return self.columns >= BROAD_FROM and self.rows >= TALL_FROM

    @property
    def list_columns(self) -> int:
        """Columns of the list of posts with the free one beside it; 0 without one."""
        if self.slim:
            return 0
        return VAST_LIST_COLUMNS if self.columns >= VAST_FROM else LIST_COLUMNS

    @property
    def middle(self) -> int:
        """Columns of the part with sentences, figures and plan."""
        side = VAST_SIDE_COLUMNS if self.columns >= VAST_FROM else SIDE_COLUMNS
        return self.columns - self.list_columns - (side if self.has_side else 0)


def share_out(snapshot: Snapshot, size: ScreenSize) -> tuple[int, int, int, int]:
    """Rows of the sentences, the large figures, the taper and the packs; the plan gets what is left.

    Sentences and figures come first, then the packs; the plan keeps its least rows where it can. Remarks give
    way to the plan, packs do not; on a phone the plan and the taper give way to the first remark, which is
    whole or not there.
    """
    above, big = len(sentence_rows(snapshot, size)), big_rows(snapshot, size)
    packs, remarks = _pack_rows(snapshot, size), _remark_rows(snapshot, size)
    answer = len(packs) + sum(map(len, remarks))
    pad = (SQUAT_PAD_ROWS if size.squat else PAD_ROWS) if size.pad else 0
    shared = 3 if size.squat else 7 if size.slim and size.rows >= TALL_FROM else 5  # to be tapped on a phone
    left = size.rows - shared - size.echo - size.banner - pad - above - big
    least = 1 if size.in_brief else len(snapshot.packs)
    if size.in_brief and snapshot.live is not None and size.echo > 2:
        least = 0  # a long question takes the row of what comes after before it takes the target's
    if size.slim and remarks and not size.in_brief:
        least += len(remarks[0])
    wanted = LEAST_PLAN_ROWS if snapshot.live is None else min(LIVE_PLAN_ROWS, left - least)
    plan = max(wanted, LEAST_PLAN_ROWS) if left >= least + LEAST_PLAN_ROWS else 0
    taper, pack = 0, snapshot.pack
    if pack is not None and pack.mark_mm is not None and not snapshot.live_packs:
        spare = left - plan - (0 if size.in_brief else min(least, answer))
        taper = 0 if size.squat or spare < TAPER_ROWS - 1 else min(TAPER_ROWS, spare)
    return above, big, taper, max(0, min(answer, left - plan - taper))


def sentence_rows(snapshot: Snapshot, size: ScreenSize) -> list[Run]:
    """The sentences: how it stands, what to do, how far off; with packs to go in, the one to put in now."""
    view, record, words = snapshot.view, snapshot.record, snapshot.words
    if view is None or record is None or words is None:
        no_list = size.middle + size.list_columns
        return broken([(snapshot.keys.spell(NO_RUN), "")], no_list)
    pack = snapshot.pack
    if snapshot.steps and not snapshot.live_packs and size.squat:
        forms = (view.then, "Tighten, read again") if pack is None else (pack.step, pack.short)
        return [(fitting(size.middle, snapshot.glyphs.more, *forms), "strong"), (view.lean, "")]
    if snapshot.steps and not snapshot.live_packs:
        steps = (view.then,) if pack is None else (pack.step, pack.under)
        if record.is_stuck:
            steps = (view.do, *steps)  # or the packs would seem to make it plumb
        elif view.first and size.in_brief and snapshot.done == 0:  # no other card has room for remarks
            steps = (view.briefly[view.first], *steps)
        result = view.result if len(view.result) <= size.middle else view.result_briefly
        if size.slim and snapshot.live is not None and snapshot.live.believed is not None:
            result = ""  # how far off it is now stands under the target
        return broken([*((text, "strong") for text in steps), (view.lean, ""), (result, "")], size.middle)
    if snapshot.live_answer is not None:
        now = words.lean(snapshot.live_answer.lean, record.height_mm)
        return broken(
            [(now, "strong"), (LIVE_ANSWER, "")][: 1 if size.squat or size.slim else 2], size.middle
        )
    if size.squat:
        return broken([(view.lean, "strong")], size.middle)[:1] or broken([(view.do, "")], size.middle)[:2]
    # Of a plumb post, how far off it is stands beside the word in large letters.
    result = "" if view.state is PostState.PLUMB else view.result
    return broken([(view.lean, "strong"), (view.do, ""), (result, "")], size.middle)[:5]


def big_rows(snapshot: Snapshot, size: ScreenSize) -> int:
    """Rows of the large figures; 0 where there is nothing to read from afar."""
    times = 2 if size.doubles and snapshot.glyphs.blocks else 1
    if snapshot.pack is not None:  # also while something is typed: nothing jumps at the first key
        if size.stacks and "/" in snapshot.pack.figure:
            return STACKED_HEIGHT * (times if size.vast else 1)
        return times * HEIGHT
    plumb = snapshot.view is not None and snapshot.view.state is PostState.PLUMB
    # Also while half typed: rows must not jump from key to key.
    return times * HEIGHT if snapshot.parsed is not None or plumb else 0


def answer_rows(snapshot: Snapshot, size: ScreenSize, height: int | None = None) -> list[Run]:
    """One row a pack, then what matters besides; a squat screen shows the packs after the large one.

    height: rows that there are for it; where they are too few the remarks stand in their shorter form.
    """
    packs, remarks = _pack_rows(snapshot, size), _remark_rows(snapshot, size)
    if height is not None and len(packs) + sum(map(len, remarks)) > height:
        remarks = _remark_rows(snapshot, size, briefly=True)
    return [*packs, *(row for rows in remarks for row in rows)]


def _pack_rows(snapshot: Snapshot, size: ScreenSize) -> list[Run]:
    """One row a pack, ticked when it is in; on a phone, one row of what comes after the large figure."""
    packs, done, more = snapshot.packs, snapshot.steps[: snapshot.done], snapshot.glyphs.more
    seats, to_come = snapshot.glyphs.seats, snapshot.steps[snapshot.done + 1 :]
    if size.squat:
        packs = to_come[:1]
    elif size.in_brief and snapshot.steps and not snapshot.live_packs:
        rest = ", ".join(f"{pack.number} {seats[pack.seat]} {pack.changed or pack.short}" for pack in to_come)
        then = f"then {rest or 'tighten, read again'}"
        return [(fitting(size.middle, more, then), "")] if snapshot.pack is not None else []

    def forms(pack: PackLine) -> tuple[str, ...]:
        """From the longest form to the shortest."""
        lead = f"{snapshot.glyphs.understood if pack in done else pack.number} {seats[pack.seat]} "
        side, changed = pack.where.rpartition(" ")[0], f"{pack.changed}: " if pack.changed else ""
        return (
            f"{lead}{pack.where}  {'' if pack.lifts else 'filler '}{changed}{pack.what}",
            f"{lead}{side}  {changed}{pack.what}",
            f"{lead}{side}  {changed}{pack.short}",
            f"{lead}{side}  {pack.short}",
            f"{lead}{pack.short}",
        )

    # All rows in one form, the longest that fits every one of them.
    alike = [*zip(*map(forms, packs), strict=True)] or [()]
    fit = (texts for texts in alike if max(map(len, texts), default=0) <= size.middle)
    texts = next(fit, tuple(clipped(text, size.middle, more) for text in alike[-1]))
    now = None if size.squat else snapshot.pack
    return [
        (text, "strong" if now is not None and pack.number == now.number else "")
        for pack, text in zip(packs, texts, strict=True)
    ]


def _remark_rows(snapshot: Snapshot, size: ScreenSize, *, briefly: bool = False) -> list[list[Run]]:
    """What matters besides, each remark in its rows; on a phone in its shorter form where it has one."""
    view = snapshot.view
    if view is None or (size.squat and snapshot.steps[snapshot.done + 1 :]):
        return []
    short = view.briefly if briefly or (size.slim and not snapshot.live_packs) else {}
    is_packed = bool(snapshot.steps) and snapshot.pack is None  # too late for what was said of the choice
    remarks = [one for one in view.remarks if not (is_packed and one in view.until_packed)]
    return [broken([(short.get(remark, remark), "")], size.middle) for remark in remarks]


WIDEST_PLAN, TALLEST_PLAN = 84, 33
LEAST_BESIDE = 8
"""Columns beside a large figure that its words can do with."""


def headline(snapshot: Snapshot, size: ScreenSize, width: int) -> Canvas:
    """Run, post, state; on a squat screen with the strip in the same row."""
    canvas = Canvas(width, 1)
    run, record = snapshot.run, snapshot.record
    if run is None or record is None:
        canvas.put(0, 0, "shimfit: no run yet", "strong")
        return canvas
    state = f" {snapshot.glyphs.states[record.state]} {record.state} "
    count = f"{snapshot.index + 1}/{len(run.posts)}"
    if size.squat:
        head = f"post {record.name} ({count})"
        canvas.put(0, 0, head, "strong")
        canvas.put(len(head) + 1, 0, state, ROLES[record.state] + " here")
        x = len(head) + len(state) + 2
        canvas.paste(x, 0, strip_row(snapshot, width - x, 1))
        return canvas
    head = f"{run.name}  post {record.name} ({count})"
    if len(head) + len(state) + 2 > width:
        head = f"post {record.name} ({count})"
    canvas.put(0, 0, head, "strong")
    canvas.put(len(head) + 2, 0, state, ROLES[record.state] + " here")
    allowed = shown.fine(record.tolerance.allowed_top_mm(record.height_mm), run.units)
    reported = f"allowed {allowed} at {shown.tape(record.height_mm, run.units)}"
    if len(head) + len(state) + len(reported) + 4 <= width:
        canvas.put_right(width, 0, reported, "label")
    return canvas


def strip_row(seen: Snapshot | Session, width: int, height: int) -> Canvas:
    """The run as one row of signs."""
    if seen.run is None:
        return Canvas(width, height)
    states = [post.state for post in seen.run.posts]
    return strip(states, seen.index, glyphs=seen.glyphs, width=max(1, width))


def sentences(snapshot: Snapshot, size: ScreenSize, width: int, height: int) -> Canvas:
    """The sentences."""
    return written(sentence_rows(snapshot, size), width, height)


def answer(snapshot: Snapshot, size: ScreenSize, width: int, height: int) -> Canvas:
    """The packs, one a row, and remarks as far as there is room; one that goes on ends in a sign."""
    rows = answer_rows(snapshot, size, height)
    if len(rows) > height > (1 if size.in_brief else len(snapshot.packs)):
        (text, role), more = rows[height - 1], snapshot.glyphs.more
        rows[height - 1] = (clipped(f"{text} {more}", width, more), role)
    return written(rows, width, height)


# ---------------------------------------------------------------- large figures


def big(snapshot: Snapshot, size: ScreenSize, width: int, height: int) -> Canvas:
    """Draw what is typed; else the pack to put in; else the word PLUMB."""
    doubles = size.doubles and snapshot.glyphs.blocks
    if snapshot.understood is not None:
        figures, wide = _parsed_figures(snapshot.understood, snapshot.glyphs, width)
        return twice(figures) if doubles and 2 * wide <= width else figures
    if snapshot.parsed is not None:
        return Canvas(width, height)
    if snapshot.pack is not None:
        return _pack_figure(snapshot, snapshot.pack, size, width, height)
    canvas = Canvas(width, height)
    if snapshot.view is not None and snapshot.view.state is PostState.PLUMB:
        word = numerals("PLUMB", blocks=snapshot.glyphs.blocks, role="plumb")
        word = twice(word) if doubles else word
        canvas.paste(0, 0, word)
        room_left = max(8, width - word.width - 2)
        for y, row in enumerate(wrapped(snapshot.view.result, room_left)[:height]):
            canvas.put(word.width + 2, y, row, "strong")
    return canvas


def _parsed_figures(parsed: Understood, glyphs: Glyphs, width: int) -> tuple[Canvas, int]:
    """Draw both leans at arm's length, was it understood right; and the columns that they take."""
    canvas = Canvas(width, HEIGHT)
    x = 0
    for part in parsed.parts:
        sign = glyphs.faces[part.face]
        text = number_text(part) + {"strong": "+", "shy": "-", None: ""}[part.qualifier]
        figure = numerals(f"{sign}{text}", blocks=glyphs.blocks)
        if x + figure.width > width:  # two mixed numbers do not fit a phone: the second in plain size
            canvas.put(min(x, max(0, width - len(text) - 2)), HEIGHT - 1, f"{sign} {text}", "strong")
            return canvas, width
        canvas.paste(x, 0, figure)
        x += figure.width + 3
    return canvas, x


def _pack_figure(snapshot: Snapshot, pack: PackLine, size: ScreenSize, width: int, height: int) -> Canvas:
    """Side, figure, and in words what it is."""
    canvas = Canvas(width, height)
    glyphs = snapshot.glyphs
    sign = glyphs.seats[pack.seat]
    if glyphs.blocks:
        arrow = numerals(sign, blocks=True, role="lift")
    else:  # a small sign: the words are beside it
        arrow = Canvas(len(sign), HEIGHT)
        arrow.put(0, HEIGHT - 1, sign, "lift")
    is_stacked = height >= STACKED_HEIGHT and size.stacks and "/" in pack.figure
    doubles = glyphs.blocks and (size.vast if is_stacked else size.doubles)
    if is_stacked:
        whole, _, part = pack.figure.rpartition(" ")
        over, _, under = part.partition("/")
        figure = stacked(whole, over, under, blocks=glyphs.blocks, bar=glyphs.horizontal)
    else:
        figure = numerals(pack.figure, blocks=glyphs.blocks)
    if doubles:
        arrow, figure = twice(arrow), twice(figure)
    top = (height - arrow.height) // 2
    x = arrow.width + 2
    if x + figure.width + 2 + LEAST_BESIDE > width:
        x = 0  # the words beside the figure tell more than the arrow, which the row of the pack has too
    else:
        canvas.paste(0, top, arrow)
    canvas.paste(x, (height - figure.height) // 2, figure)
    x += figure.width + 2
    for y, texts in enumerate(_beside_figure(snapshot, pack, size)):
        canvas.put(x, top + y, fitting(width - x, glyphs.more, *texts), "strong" if y == 1 else "")
    return canvas


def _beside_figure(snapshot: Snapshot, pack: PackLine, size: ScreenSize) -> tuple[tuple[str, ...], ...]:
    """Three rows beside the figure, each from its longest form on: unit, where, which of how many."""
    lot = pack.short.partition(" ")[0]
    bare = pack.unit.rpartition(" ")[0]
    unit: tuple[str, ...] = (pack.unit, bare, bare.partition(",")[0])
    side = pack.where.rpartition(" ")[0]
    count = f"{snapshot.done + 1} of {len(snapshot.steps)}"
    if size.squat:
        face = pack.under.partition(", ")[2]
        return (f"{pack.unit} {lot}", *unit), (f"{side}, {face}", side), (f"{count}, Tab: it is in", count)
    if pack.changed:
        unit = (f"{pack.unit} {lot}", *unit)
    if snapshot.live_packs:
        return unit, (pack.where, side), (pack.short,)
    return unit, (pack.where, side), (f"{count}, Tab: it is in", f"{count}, Tab: in", count)


# ---------------------------------------------------------------- plan


def plan(snapshot: Snapshot, width: int, height: int) -> Canvas:
    """The foot with its packs, or with the lean that is being typed."""
    record = snapshot.record
    if record is None or height < (LEAST_PLAN_ROWS if snapshot.packs else 3):
        return Canvas(width, height)
    return _foot(snapshot, record, min(width, WIDEST_PLAN), min(height, TALLEST_PLAN))


def _foot(snapshot: Snapshot, record: PostRecord, width: int, height: int) -> Canvas:
    assert snapshot.words is not None
    packs = snapshot.prescription.packs if snapshot.prescription and snapshot.packs else ()
    lean = record.reading.lean if record.reading else None
    packed_at: Lean | None = None
    if snapshot.live_answer is not None:
        lean = snapshot.live_answer.lean
    if snapshot.understood is not None:
        along, across = snapshot.understood.slopes(record.height_mm)
        lean, packs = Lean(along or 0.0, across or 0.0), ()
    elif snapshot.prescription is None:
        packs = record.packs_in_place
        packed_at = record.before.lean if record.before is not None else None
    return foot_plan(
        record.foot,
        packs,
        lean,
        record.height_mm,
        packed_at=packed_at,
        names=snapshot.words.names,
        glyphs=snapshot.glyphs,
        width=width,
        height=height,
    )


# ---------------------------------------------------------------- the echo row


def echo_words(parsed: ParseResult | None, aim: str, glyphs: Glyphs, width: int) -> tuple[str, str]:
    """How the line is understood: sign, words, role. Half-typed text is not scolded. aim: what it is for."""
    if isinstance(parsed, Understood):
        ends = f"  {glyphs.enter} logs"
        forms = (glyphs.spell(parsed.words), _short_words(parsed, glyphs))
        fits = (f"{glyphs.understood} {aim}{words}{ends}" for words in forms)
        said = next((text for text in fits if len(text) <= width), f"{glyphs.understood} {aim}{forms[-1]}")
        return said, "strong"
    if isinstance(parsed, Refused):
        return f"{glyphs.refused} {aim}{glyphs.spell(parsed.reason)}", "refused"
    if isinstance(parsed, Incomplete):
        return f"{glyphs.incomplete} {aim}{glyphs.spell(parsed.reason)}", ""
    return aim and f"{glyphs.incomplete} {aim}type the reading", ""


def _short_words(parsed: Understood, glyphs: Glyphs) -> str:
    """`9.5 mm → next, 5 mm ↑ out`."""
    said = []
    for part in parsed.parts:
        rest = f" {part.qualifier}" if part.qualifier else ""
        name = parsed.settings.name(part.face)
        unit = glyphs.spell("°") if part.unit == "deg" else f" {part.unit}"
        said.append(f"{number_text(part)}{unit}{rest} {glyphs.faces[part.face]} {name}")
    return ", ".join(said) + (", half" if parsed.half else "")
