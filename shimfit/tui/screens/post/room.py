"""How many rows each part of the home screen gets, from 40 x 10 to 200 x 60."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.cautions import cautions_of
from shimfit.model import PostState
from shimfit.text.canvas import HEIGHT, STACKED_HEIGHT
from shimfit.text.phrases import clipped, wrapped

if TYPE_CHECKING:
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import PackLine
    from shimfit.tui.screens.post.sight import Sight

LIST_COLUMNS = 28
SIDE_COLUMNS, VAST_SIDE_COLUMNS = 38, 60
MID_FROM, BROAD_FROM, VAST_FROM = 64, 110, 150
LOW_FROM, TALL_FROM, STACKED_FROM = 14, 24, 30
PAD_ROWS, SQUAT_PAD_ROWS = 8, 4
LEAST_PLAN_ROWS = 5

LIVE_ANSWER = "Packs for the lean as it is now; Space logs it"
NO_RUN = (
    "No job in this data file yet.\n"
    "Enter starts the sample job: a made-up boardwalk to try everything on; shimfit demo --remove takes "
    "it out again. F5 sets up a job of your own.\n\n" + "\n".join(cautions_of("first start"))
)


@dataclass(frozen=True, slots=True)
class Room:
    """The screen's size and what it is good for."""

    columns: int
    rows: int
    pad: bool = False
    """The tap pad is shown."""
    banner: int = 0
    """Rows that the banner takes."""
    echo: int = 1
    """Rows that the echo takes."""

    @property
    def slim(self) -> bool:
        """No room for a list beside the post."""
        return self.columns < MID_FROM

    @property
    def squat(self) -> bool:
        """A phone with its keyboard up."""
        return self.rows < LOW_FROM

    @property
    def pad_rows(self) -> int:
        """Rows of the tap pad while it is shown."""
        if not self.pad:
            return 0
        return SQUAT_PAD_ROWS if self.squat else PAD_ROWS

    @property
    def stacks(self) -> bool:
        """Tall enough for stacked fractions."""
        return self.rows >= STACKED_FROM

    @property
    def has_side(self) -> bool:
        """Wide and tall enough for the column of pictures beside the post."""
        return self.columns >= BROAD_FROM and self.rows >= TALL_FROM

    @property
    def middle(self) -> int:
        """Columns of the part with sentences, figures and plan."""
        left = self.columns - (LIST_COLUMNS if self.columns >= MID_FROM else 0)
        if not self.has_side:
            return left
        return left - (VAST_SIDE_COLUMNS if self.columns >= VAST_FROM else SIDE_COLUMNS)


@dataclass(frozen=True, slots=True)
class Shares:
    """Rows for each part; the plan gets what is left."""

    said: int
    big: int
    answer: int


def share_out(sight: Sight, room: Room) -> Shares:
    """Sentences and figures first, then the packs; the plan keeps its least rows where it can."""
    said = len(said_rows(sight, room))
    big = big_rows(sight, room)
    answer = len(answer_rows(sight, room))
    shared = (3 if room.squat else 5) + room.echo + room.banner + room.pad_rows
    body = room.rows - shared
    left = body - said - big
    # Remarks give way to the plan; packs do not.
    plan = LEAST_PLAN_ROWS if left >= len(sight.packs) + LEAST_PLAN_ROWS else 0
    return Shares(said, big, max(0, min(answer, left - plan)))


def said_rows(sight: Sight, room: Room) -> list[Run]:
    """The sentences: how it stands, what to do, how far off."""
    view = sight.view
    if view is None:
        return [(row, "") for row in wrapped(sight.keys.spell(NO_RUN), room.middle)]
    if sight.live_answer is not None and sight.words is not None and sight.record is not None:
        now = sight.words.lean(sight.live_answer.lean, sight.record.height_mm)
        shown = [(now, "strong"), (LIVE_ANSWER, "")][: 1 if room.squat or room.slim else 2]
        return [(row, role) for text, role in shown for row in wrapped(text, room.middle)]
    lean = view.lean_both if len(view.lean_both) <= room.middle else view.lean
    if room.squat:
        shown = [(lean, "strong")] if lean else [(view.do, "")]
    elif room.slim and sight.packs:
        shown = [(lean, "strong"), (view.do_briefly, ""), (view.result, "")]
        if room.echo > 1:  # what was just logged says there how far off it is
            shown.pop()
    elif view.state is PostState.PLUMB:
        shown = [(lean, "strong"), (view.do, "")]  # how far off stands beside the word in large letters
    else:
        shown = [(lean, "strong"), (view.do, ""), (view.result, "")]
    rows = [(row, role) for text, role in shown if text for row in wrapped(text, room.middle)]
    return rows[: 1 if room.squat and lean else 2 if room.squat else 5]


def big_rows(sight: Sight, room: Room) -> int:
    """Rows of the large figures; 0 where there is nothing to read from afar."""
    if sight.heard is not None:
        return HEIGHT  # also while half typed: rows must not jump from key to key
    if sight.pack is not None:
        return STACKED_HEIGHT if room.stacks and "/" in sight.pack.figure else HEIGHT
    plumb = sight.view is not None and sight.view.state is PostState.PLUMB
    return HEIGHT if plumb else 0


def answer_rows(sight: Sight, room: Room) -> list[Run]:
    """One row a pack, then what matters besides; a squat screen shows the packs after the large one."""
    if sight.view is None:
        return []
    packs = sight.packs
    if room.squat and packs:
        packs = (packs[sight.shown_pack + 1 :] + packs[: sight.shown_pack])[:2]
    forms = [_pack_forms(sight, pack) for pack in packs]
    # All rows in one form, the longest that fits every one of them.
    fit = (texts for texts in zip(*forms, strict=True) if max(map(len, texts)) <= room.middle)
    texts = next(fit, tuple(clipped(form[-1], room.middle, sight.glyphs.more) for form in forms))
    rows = [
        (text, "strong" if not room.squat and pack.number == sight.shown_pack + 1 else "")
        for pack, text in zip(packs, texts, strict=True)
    ]
    if not (room.squat and packs):
        rows += [(row, "") for remark in sight.view.remarks for row in wrapped(remark, room.middle)]
    return rows


def _pack_forms(sight: Sight, pack: PackLine) -> tuple[str, ...]:
    """One pack in a row, from the longest form to the shortest."""
    lead = f"{pack.number} {sight.glyphs.seats[pack.seat]} "
    side = pack.where.rpartition(" ")[0]
    changed = f"{pack.changed}: " if pack.changed else ""
    filler = "" if pack.lifts else "filler "
    return (
        f"{lead}{pack.where}  {filler}{changed}{pack.what}",
        f"{lead}{side}  {changed}{pack.what}",
        f"{lead}{side}  {changed}{pack.short}",
        f"{lead}{side}  {pack.short}",
        f"{lead}{pack.short}",
    )
