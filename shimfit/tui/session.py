"""Where the user stands and what is done there: the one set of moves behind the screens and plain mode."""

from __future__ import annotations

import contextlib
import re
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

from shimfit.entry.result import EntrySettings, NotUnderstood, Understood
from shimfit.errors import FileError, ShimfitError, UsageError
from shimfit.model import FACE_NAMES, Face, Instrument, PostState
from shimfit.quantities import shown
from shimfit.quantities.typed import whole_number
from shimfit.settings.actions import BY_NAME, USUAL_KEYS, KeyWords
from shimfit.text.phrases import PostView, Words, post_view
from shimfit.values import dataclass
from shimfit.workflow.site import Place

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from shimfit.entry.result import ParseResult
    from shimfit.model import Lot, Reading, Seat
    from shimfit.quantities.typed import Units
    from shimfit.report.due import DueRow
    from shimfit.settings import Settings
    from shimfit.standing import PostRecord, RunState
    from shimfit.text.glyphs import Glyphs
    from shimfit.workflow.reading import Asked
    from shimfit.workflow.site import Site

Bell = Literal["none", "refused", "logged", "plumb"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a move."""

    message: str
    done: bool = True
    """False: refused, nothing was changed or logged; what was typed is kept."""
    at: int | None = None
    """Characters before the bad spot of what was typed."""
    bell: Bell = "none"
    asks: bool = False
    """True: not refused, asked about; the same again says yes."""


def refused(why: ShimfitError | str) -> Outcome:
    """What was refused, in the error's own words and at its spot."""
    if isinstance(why, str):
        return Outcome(why, done=False, bell="refused")
    return Outcome(why.message, done=False, at=why.at, bell="refused")


def outcome_of(move: Callable[[], object]) -> Outcome:
    """Make a move; what the person can put right comes back as words, the program's own faults are raised."""
    try:
        came = move()
    except ShimfitError as error:
        if error.kind == "internal":
            raise
        return refused(error)
    return came if isinstance(came, Outcome) else Outcome(came if isinstance(came, str) else "")


NO_RUN = Outcome("no run is open", done=False)
TAUGHT = 2
"""Plumb posts in a run of one's own after which the first-run hints go away."""
KINDS: Mapping[str, Mapping[str, Any]] = {
    "": {},
    "bed": {"bed": True},
    "mid": {"mid": True},
    "rails-on": {"rails_on": True},
    "verify": {"after": True},
    "again": {"again": True},
}
"""What a reading can be besides a plain one: fields of workflow.reading.Asked."""
TOGGLES = {
    "survey": ("walks_on", "each reading walks on to the next post", "each reading stays at its post"),
    "left_to_do": ("only_left", "the list shows only what is left to do", "the list shows all posts"),
    "by_worst": ("by_worst", "furthest out first", "as they stand in the run"),
}
"""Actions that turn something of the session on or off: what, and what is said of either."""


class Session:
    """One person at one post of an open data file."""

    def __init__(self, site: Site, glyphs: Glyphs, *, words_only: bool = False) -> None:
        """words_only: directions in words, as a voice reads them; no arrows."""
        self.site = site
        self._words_only = words_only
        self.glyphs = glyphs
        self.keys: KeyWords = USUAL_KEYS
        """How the keys are called in what is said."""
        self.place: Place | None = None
        self.run: RunState | None = None
        """The run of `place`; both are None while no run is open."""
        self._gone: str | None = None  # the job whose run in view was taken back
        self._sure_of: str | None = None  # what was asked about, and is done when it comes again
        self._asked = KINDS[""]
        self._changes = site.journal.changes_by_others()
        self.answers_later: Callable[[Place], bool] | None = None
        """Works out a post's answer in its own time; says whether it is there already. None: at once."""
        self.working: Collection[Place] = ()
        self.walks_on = False
        """True (survey): a logged reading moves on to the next post by itself."""
        self.by_worst = False
        """True: the run's list has the posts that are furthest out first."""
        self.only_left = False
        """True: the lists and the walk leave out what is plumb or skipped."""
        self.plan_made: tuple[object, dict[str, Any]] | None = None
        """The log's end when a plan was kept last, and the plan: see `planned`."""
        self.due: Mapping[str, DueRow] = {}
        """Posts of the re-tighten walk, in walking order, with how each stood; empty: all posts."""

    # ------------------------------------------------------------ what is in view

    @property
    def settings(self) -> Settings:
        """The settings that are in force."""
        return self.site.settings

    @property
    def record(self) -> PostRecord | None:
        """The post on screen."""
        return self.run.post(self.place.post) if self.run is not None and self.place is not None else None

    @property
    def listed(self) -> tuple[PostRecord, ...]:
        """The posts that are walked and listed: all of the run, or what wants something."""
        if self.run is None:
            return ()
        return self.run.left_to_do if self.only_left else self.run.posts

    @property
    def index(self) -> int:
        """Position of the post on screen in walking order, from 0."""
        names = [post.name for post in self.run.posts] if self.run is not None else []
        return names.index(self.place.post) if self.place is not None and self.place.post in names else 0

    @property
    def words(self) -> Words | None:
        """How this run is worded; None while no run is open.

        A post whose last reading was typed in one unit is shown in the same.
        """
        if self.run is None:
            return None
        units: Units | None = None
        last = self.record.readings[-1] if self.record is not None and self.record.readings else None
        if last is not None and last.method == "typed" and self.place is not None:
            parsed = self.site.echo(self.place, last.text)
            parts = parsed.parts if isinstance(parsed, Understood) else ()
            typed = {part.unit for part in parts if part.value}
            units = "inch" if typed == {"in"} else "mm" if typed and typed <= {"mm", "cm"} else None
        return Words(
            self.run,
            self.glyphs,
            units=units,
            graduation=self.settings.graduation,
            words_only=self._words_only,
        )

    @property
    def letters(self) -> Mapping[Face, str]:
        """The letters that stand for the four faces in this run."""
        entry = self.site.entry_settings(self.run) if self.run is not None else EntrySettings()
        return entry.all_letters

    @property
    def directions(self) -> str:
        """The four letters with what they stand for: `n next, p prev, o out, h house`."""
        names = self.words.names if self.words is not None else FACE_NAMES
        return ", ".join(f"{letter} {names[face]}" for face, letter in self.letters.items())

    @property
    def units(self) -> Units:
        """The unit of a bare number here."""
        return self.run.units if self.run is not None else self.settings.units

    def example(self, *, half: bool = False, across: bool = False) -> str:
        """A reading as it may be typed here: `6n10h`, `1/4n3/8h`; half: only along, or only across."""
        one, other = ("1/4", "3/8") if self.units == "inch" else ("6", "10")
        parts = f"{one}{self.letters[Face.NEXT]}", f"{other}{self.letters[Face.HOUSE]}"
        return parts[across] if half else "".join(parts)

    @property
    def view(self) -> PostView | None:
        """What is to be said at the post on screen."""
        record, words = self.record, self.words
        if record is None or words is None:
            return None
        view, working = self.view_of(record, words), self.works_on(record.name)
        if not working and self.is_to_tighten(record):
            view = replace(view, do="Tighten the nut, read again.")
        elif not working and record.state is PostState.PLUMB:
            view = replace(view, do=f"{view.do}. {self._what_comes_next}")
        remarks = (*self._remarks(record, words), *view.remarks)
        return replace(view, remarks=tuple(map(self.glyphs.spell, remarks)))

    def view_of(self, record: PostRecord, words: Words) -> PostView:
        """What is to be said of a post of the open run; not the answer that is worked out anew just now."""
        view = post_view(record, words)
        return replace(view, do=f"working{self.glyphs.more}") if self.works_on(record.name) else view

    def works_on(self, post: str) -> bool:
        """True while the answer of a post of the open run is being worked out."""
        return self.place is not None and replace(self.place, post=post) in self.working

    @property
    def _what_comes_next(self) -> str:
        """Where one goes from a post that is plumb."""
        assert self.run is not None
        left = len(self.run.left_to_do)
        if self._ahead(+1) is not None and (self.due or left):
            return f"Enter walks on to the next {'that is due' if self.due else 'post'}"
        if self.due:
            return f"The last that is due; {self._read_again}"
        if not left:
            return f"Every post is done: {self._hands_over} the record"
        return f"The last post; {left} before it {'is' if left == 1 else 'are'} left to do"

    @property
    def _hands_over(self) -> str:
        return self._asked_by("F4 hands over", "write makes")

    def _asked_by(self, key: str, word: str) -> str:
        """How a thing is asked for here: on the screen by a key, line by line by its word."""
        return word if self._words_only else self.keys.spell(key)

    def _remarks(self, record: PostRecord, words: Words) -> list[str]:
        """What the post's own record does not hold: the re-tighten walk, an instrument to check, the bow.

        Line by line also that two crews laid the run out differently; the screens have a banner for it.
        """
        remarks = [self._due_words(self.due[record.name], record, words)] if record.name in self.due else []
        if self._words_only and self.run is not None and self.run.warning:
            remarks.append(self.run.warning)
        if self.site.box().instruments:
            from shimfit.workflow.instruments import due

            remarks += due(self.site, self.site.journal.now().date())
        if any(reading.stage == "mid" for reading in record.readings) and (bow := record.bow):
            from shimfit.core.lean import bow_words

            remarks.append(bow_words(bow, words.names))
        return [remark for remark in remarks if remark]

    def is_to_tighten(self, record: PostRecord) -> bool:
        """True on the re-tighten walk until the post is read again."""
        row = self.due.get(record.name)
        return row is not None and (record.reading is None or record.reading.time == row.latest.time)

    def _due_words(self, row: DueRow, record: PostRecord, words: Words) -> str:
        """On the re-tighten walk: how the post stood, how it stands, how far its top moved."""
        if row.latest.lean is None:
            return ""
        number = [*self.due].index(record.name) + 1
        stood = words.lean(row.latest.lean, record.height_mm)
        said = f"re-tighten {number} of {len(self.due)}: on {row.read[:10]} the {stood}"
        if self.is_to_tighten(record) or record.reading is None or record.reading.lean is None:
            return said
        from shimfit.report.due import moved_mm

        now = words.lean(record.reading.lean, record.height_mm).removeprefix("TOP ")
        moved = shown.small(moved_mm(row.latest, record.reading) or 0.0, words.units)
        return f"{said}; now it {now}, moved {moved}"

    @property
    def wants_hints(self) -> bool:
        """First-run hints go away by themselves: two plumb posts in a run of one's own have taught enough."""
        if self.run is None or not self.settings.hints:
            return False
        return self.run.sample or sum(post.state is PostState.PLUMB for post in self.run.posts) < TAUGHT

    @property
    def planned(self) -> dict[str, Any] | None:
        """The plan that was made last: it knows its gap, what it can't serve and what to buy for that.

        None: none was made, or something was logged since.
        """
        made = self.plan_made
        return made[1] if made is not None and made[0] == self.site.journal.head else None

    # ------------------------------------------------------------ going from post to post

    def others_logged(self) -> bool:
        """True once for what another program has logged since the last look."""
        changes = self.site.journal.changes_by_others()
        new, self._changes = changes != self._changes, changes
        return new

    def open_last(self) -> bool:
        """Go to where work stopped; False when the file holds no run yet."""
        place = self.site.last_place()
        if place is not None:
            self.go(place)
        return place is not None

    def go(self, place: Place) -> None:
        """Stand at a post."""
        if self.place is not None and self.place.run_path != place.run_path:
            self.due = {}
        self.run = self._as_told(place)
        self.place = place
        self._sure_of = None
        self._asked = KINDS[""]
        record = self.record
        if self.answers_later is None or self.site.journal.read_only or record is None or not record.readings:
            return
        from shimfit.workflow.packs import asks_again

        # A post that was read when the program was stopped before its answer came gets it now.
        if asks_again(self.site, record) and place not in self.working:
            self.answers_later(place)
            self.run = self._as_told(place)

    def _as_told(self, place: Place) -> RunState:
        from shimfit.workflow.packs import as_told

        return as_told(self.site, self.site.run(place.job, place.run))

    def go_post(self, name: str) -> Outcome:
        """Stand at another post of this run."""
        assert self.place is not None
        self.go(replace(self.place, post=name))
        return Outcome(f"post {name}")

    def go_run(self, job: str, run: str) -> Outcome:
        """Stand at the first post of a run that still wants something."""
        state = self.site.run(job, run)
        if not state.posts:
            return Outcome(f"{job}/{run} has no posts yet", done=False)
        self.go(Place(job, run, next(iter(state.left_to_do), state.posts[0]).name))
        return Outcome(f"{job}/{run}, {len(state.posts)} posts")

    def answer_missing(self) -> None:
        """Every post that has no answer, or none any more, gets one: the box was filled, the run changed."""
        from shimfit.workflow.reading import answer_all, missing_answers

        missing = () if self.site.journal.read_only else missing_answers(self.site)
        if self.answers_later is None:
            answer_all(self.site, missing)
        else:
            for place in missing:
                if place not in self.working:
                    self.answers_later(place)
        self.refresh()

    def look_anew(self) -> None:
        """A command may have logged something: look at everything anew."""
        self.others_logged()
        if self.place is None:
            self.open_last()
        self.answer_missing()

    def refresh(self) -> None:
        """Read the run again from the log; where the post is gone from it, stand at its neighbour.

        Where the run itself is gone (laying it out was taken back, here or by another program), stand where
        work stopped before, or nowhere: the first page.
        """
        if self.place is None:
            return
        index = self.index
        try:
            self.run = self._as_told(self.place)
        except UsageError:
            self._gone, self.place, self.run, self.due = self.place.job, None, None, {}
            self.open_last()
            return
        if self.record is None and self.run.posts:
            self.go_post(self.run.posts[min(index, len(self.run.posts) - 1)].name)

    def step(self, by: int) -> Outcome:
        """Walk to the next (+1) or previous (-1) post."""
        if self.run is None:
            return NO_RUN
        if (name := self._ahead(by)) is not None:
            return self.go_post(name)
        end, left = "last" if by > 0 else "first", len(self.run.left_to_do)
        if self.due:
            leave = self._asked_by("^P Re-tighten walk, end", "retighten end")
            return Outcome(f"the {end} that is due; {self._read_again}; {leave}: all posts", done=False)
        more = f"{left} left to do" if left else f"every post is done: {self._hands_over} the record"
        return Outcome(f"this is the {end} post of the run; {more}", done=False)

    def _ahead(self, by: int) -> str | None:
        """The post that a walk comes to; None at its end.

        On the re-tighten walk one that is due; with `only_left`, one that wants something.
        """
        assert self.run is not None
        walked = self.due or {post.name for post in self.listed}
        ahead = self.run.posts[self.index + 1 :] if by > 0 else self.run.posts[: self.index][::-1]
        return next((post.name for post in ahead if post.name in walked), None)

    @property
    def _read_again(self) -> str:
        assert self.run is not None
        again = sum(not self.is_to_tighten(post) for post in self.run.posts if post.name in self.due)
        return f"{again} of {len(self.due)} read again"

    def _retighten(self, text: str) -> Outcome:
        """Walk only the posts that are due: proven plumb as many days ago as typed, or as the run says.

        `end` walks every post again.
        """
        if self.run is None:
            return NO_RUN
        if text == "end":
            self.due = {}
            return Outcome("every post is walked again")
        from shimfit.report.due import due_list

        days = whole_number(text, "the number of days") if text else self.run.due_days
        if days is None:
            return Outcome("due after how many days? The run has no interval of its own", done=False)
        rows = {
            row.post.name: row
            for row in due_list(replace(self.run, due_days=days), self.site.journal.now())
            if row.is_due
        }
        if not rows:
            return Outcome(f"no post was proven plumb {days} days ago or more: none is due", done=False)
        self.due = {post.name: rows[post.name] for post in self.run.posts if post.name in rows}
        self.go_post(next(iter(self.due)))
        return Outcome(f"{len(rows)} of {len(self.run.posts)} posts are due: tighten each, read it again")

    def _find(self, text: str) -> Outcome:
        """Go to the post that is called so, or whose name or notes hold the text, from here onwards."""
        if self.run is None:
            return NO_RUN
        wanted, posts = text.casefold(), self.run.posts
        in_turn = posts[self.index + 1 :] + posts[: self.index + 1]
        exact = (post for post in in_turn if post.name.casefold() == wanted)
        near = (
            post for post in in_turn if any(wanted in held.casefold() for held in (post.name, *post.notes))
        )
        found = next(exact, None) or next(near, None)
        if not wanted or found is None:
            return Outcome(f"no post of this run is called {text!r} or has a note with it", done=False)
        return self.go_post(found.name)

    # ------------------------------------------------------------ reading

    def echo(self, text: str) -> ParseResult | None:
        """How the entry is understood so far; None on an empty line or without a post."""
        entry = _addressed(text)[2]
        return self.site.echo(self.place, entry) if self.place is not None and entry.strip() else None

    def as_typed(self, lines: Sequence[str]) -> list[str]:
        """A pasted table of readings, line by line as it is typed: `4, 6n10h` is `4:6n10h`.

        Where every line begins with another post of the run, its first one aside, which may be a heading.
        """
        rows = [re.sub(r"\s*[\t,;:]\s*|\s+", "\n", line, count=1).partition("\n") for line in lines]
        posts = {post.name for post in self.run.posts} if self.run is not None else set()
        rows = rows[rows[0][0] not in posts :]
        names = {name for name, _, _ in rows}
        is_table = len(names) == len(rows) and names <= posts
        return [f"{name}:{entry}" for name, _, entry in rows] if is_table else [*lines]

    def aim(self, text: str) -> str:
        """What an entry is for: `post 4: `, `corrects the last: `; empty: this post's next reading."""
        name, mark, _ = _addressed(text)
        return (f"post {name}: " if name else "") + _MARKS[mark]

    def enter(self, text: str, *, post: str = "") -> Outcome:
        """Log what was typed at a post (empty: this one), and stand there.

        `4:6n10h` is a reading of post 4, `=6n10h` one in the place of the last, `+6n10h` one more of the post
        as it stands, no pack in yet. An entry that wants a second look is taken the second time; where the
        post stands as it did before its packs, as such a repeat.
        """
        if self.run is None or self.place is None:
            own = self.keys.spell("F5 sets up your own")
            return Outcome(f"no run is open yet: Esc, then Enter opens the sample job; {own}", done=False)
        from shimfit.workflow.reading import AS_BEFORE, UNLIKE, second_look

        name, mark, entry = _addressed(text)
        place = replace(self.place, post=name or post or self.place.post)
        record = self.run.post(place.post)
        if record is None:
            return replace(refused(f"this run has no post {name!r}"), at=0)
        parsed = self.site.echo(place, entry)
        if isinstance(parsed, NotUnderstood):
            meant = f" (meant {parsed.meant}?)" if parsed.meant and parsed.meant not in parsed.reason else ""
            before = len(text) - len(entry)  # the post that it named, or =
            return replace(refused(f"{parsed.reason}{meant}"), at=(parsed.at or 0) + before)
        if mark and parsed.is_gauge_only:
            return replace(refused(f"a length alone is no reading: type it without the {mark}"), at=0)
        if mark == "=":
            return self._correct(place, entry, parsed)
        asked = self._how_asked(again=mark == "+")
        reason = None if asked.mid else second_look(self.site, place, self.site.post(place), parsed, asked)
        if reason == AS_BEFORE:
            asked = self._how_asked(again=True)
            reason = self._not_in_yet(f"Enter, both count; ={entry.strip()} corrects the last")
        elif reason == UNLIKE:
            reason = f"{self._unlike('Enter')}; ={entry.strip()} if the last one was wrong"
        if reason is not None and self._sure_of != text:
            self._sure_of = text
            overrule = "" if "Enter" in reason else ": Enter again if it is so"
            return Outcome(f"{reason}{overrule}", done=False, asks=True)
        sure, here = self._sure_of == text, self.place
        self._sure_of = None
        if place != here:
            self.go(place)

        def log(at: Place) -> Outcome:
            if not parsed.is_gauge_only:
                self._tighten_first(at, asked)
            return self._log(at, entry, asked, sure=sure)

        outcome = self.attempt(log)
        if not outcome.done and place != here:
            self.go(here)
        return outcome

    def enter_all(self, lines: Sequence[str]) -> tuple[Outcome, Sequence[str]]:
        """Log lines one after the other: what came of the last one tried, and those still to be logged.

        A line that is refused, or asked about, is the first of these. What was logged is on disk as one: a
        program that is killed meanwhile leaves none of it, and the table can be given again.
        """
        outcome, here = Outcome(""), self.place
        try:
            with self.site.journal.all_or_none():
                for number, line in enumerate(lines):
                    outcome = self.enter(line)
                    if not outcome.done:
                        return outcome, lines[number:]
        except FileError as error:
            if here is not None:  # what was shown meanwhile isn't on the disk
                with contextlib.suppress(FileError):  # it can't be read either: what is wrong is said below
                    self.go(here)
            return refused(error), lines
        return outcome, ()

    def _correct(self, place: Place, entry: str, parsed: Understood) -> Outcome:
        """Put a reading in the place of the last one: taken back and logged in one go.

        Where it completes a half, read while packs are waited for, that is the last whole one.
        """
        if not self._was_read_last(place):
            found = self.site.journal.to_undo(place.job)
            last = f"; {self._asked_by('^Z', 'undo')} takes back {found[1]}" if found is not None else ""
            message = f"a reading of post {place.post} is not what was logged last: = can't correct it{last}"
            return replace(refused(message), at=0)
        record = self.site.post(place)
        ways = [slope is not None for slope in parsed.slopes(record.height_mm)]
        if (half := record.half) is not None and record.implied and ways[half.slope_along is not None]:
            self.site.undo(place.job)
            outcome = self._correct(place, entry if all(ways) else f"{half.text} {entry}", parsed)
            if not outcome.done:
                self.site.redo(place.job)
            return outcome
        outcome = self._in_place_of_last(place, lambda at, asked: self._log(at, entry, asked, sure=True))
        return replace(outcome, message=f"corrected: {outcome.message}") if outcome.done else outcome

    def _was_read_last(self, place: Place) -> bool:
        """True where a reading of the post is what was logged last in its job."""
        found, here = self.site.journal.to_undo(place.job), ("reading", place.run, place.post)
        return found is not None and here in ((one.kind, one.run, one.post) for one in found[0].events)

    def _in_place_of_last(self, place: Place, log: Callable[[Place, Asked], Outcome]) -> Outcome:
        """Take the reading that was logged last back and log another; where that fails it is back."""
        found, was = self.site.journal.to_undo(place.job), self.site.post(place).readings[-1]
        again = found is not None and any(one.data.get("again") for one in found[0].events)
        kind = "" if was.stage in ("stood", "verify") else was.stage
        self.site.undo(place.job)
        self.go(place)
        # What kind of reading it is stays as it was: of the bed, say, or once more with no pack in yet.
        self._asked = {**KINDS[kind], "rocks": was.rocks}
        outcome = self.attempt(lambda at: log(at, self._how_asked(again=again)))
        if not outcome.done:
            self.site.redo(place.job)
            self.go(place)
        return outcome

    def _log(self, place: Place, text: str, asked: Asked, *, sure: bool) -> Outcome:
        from shimfit.workflow.reading import log_reading

        logged = log_reading(self.site, place, text, asked, sure=sure)
        if logged.reading.slope_along is None and logged.reading.slope_across is None:
            return Outcome(logged.message)  # only a level's length was typed
        return self._after_reading(place, asked)

    def _tighten_first(self, place: Place, asked: Asked) -> None:
        """On the re-tighten walk a post is read once its nut was turned, as the screen asks for it.

        Nor is such a reading averaged with the one that it is compared with.
        """
        from shimfit.workflow.reading import log_tightened

        record = self.record
        if record is not None and not (record.changed or asked.mid) and self.is_to_tighten(record):
            log_tightened(self.site, place)

    def take(self, reading: Reading) -> Outcome:
        """Log a reading that the inclinometer has taken."""
        from shimfit.workflow.reading import log_sensor_reading

        return self._once_more("Space", partial(log_sensor_reading, reading=reading))

    @property
    def to_turn_after(self) -> str:
        """The reading that was just typed here: the first of two, where the level turned settles it."""
        place, record = self.place, self.record
        if place is None or record is None or not record.is_settled_by_turning:
            return ""
        last = record.readings[-1] if record.readings else None
        if last is None or last.lean is None or last.method != "typed" or last.stage == "mid":
            return ""
        return last.text if self._was_read_last(place) and not (last.turned or "; " in last.text) else ""

    def turned(self, first: str, second: str) -> Outcome:
        """Log two readings of one post, the level turned end for end between them.

        Where the first is the one that was logged last the two take its place, or it would count twice.
        """
        from shimfit.workflow.reading import log_turned

        log = partial(log_turned, first_text=first, second_text=second)
        if self.place is None or first != self.to_turn_after:
            return self._once_more(f"{first} / {second}", log)

        def instead(place: Place, asked: Asked) -> Outcome:
            log(self.site, place, asked=asked, sure=True)
            return self._after_reading(place, asked)

        return self._in_place_of_last(self.place, instead)

    def _once_more(self, what: str, log: Callable[..., object]) -> Outcome:
        """Log a reading; where it isn't as if its packs had gone in, ask: the second time it is as said."""
        from shimfit.workflow.reading import AS_BEFORE, UNLIKE

        again, sure = (self._sure_of == f"{question} {what}" for question in (AS_BEFORE, UNLIKE))
        asked, self._sure_of = self._how_asked(again=again), None

        def move(place: Place) -> Outcome:
            self._tighten_first(place, asked)
            log(self.site, place, asked=asked, sure=sure)
            return self._after_reading(place, asked)

        outcome = self.attempt(move)
        key = f"{self._asked_by('Space', 'Enter') if what == 'Space' else 'Enter'} again"
        if outcome.message.startswith(AS_BEFORE):
            self._sure_of, said = f"{AS_BEFORE} {what}", self._not_in_yet(f"{key} logs it as well")
        elif outcome.message.startswith(UNLIKE):
            self._sure_of, said = f"{UNLIKE} {what}", self._unlike(key)
        else:
            return outcome
        return Outcome(said, done=False, asks=True)

    def _not_in_yet(self, repeat: str) -> str:
        packed = self._asked_by("^P packed", "packed")
        return f"as before the packs. Not in yet: {repeat}. In and tight: {packed} first"

    @staticmethod
    def _unlike(key: str) -> str:
        return f"not what the packs would do. Packed and read again: {key}"

    def use_level(self, name: str) -> Outcome:
        """Read with the level of that name from now on; one that is new is entered."""
        from shimfit.workflow.instruments import enter

        def use() -> str:
            level = Instrument(name.strip(), "level")
            if self.site.box().instrument(level.name) is None:
                enter(self.site, level)
            self.site.set("instrument", level.name)
            return f"read with {level.name} from now on"

        return outcome_of(use)

    def _kind_of_next(self, text: str, place: Place) -> str:
        """What the next reading is: `bed`, `mid`, `rails-on`, `rocks next-out 0.5`; nothing: a plain one."""
        word, _, rest = text.lower().partition(" ")
        if word == "rocks":
            from shimfit.workflow.packs import parse_feelers

            run, corners = self.site.run(place.job, place.run), "=".join(rest.split()).split(",")
            self._asked = {"rocks": parse_feelers(corners, run.units, dict(run.face_names))}
        elif word in KINDS:
            self._asked = KINDS[word]
        else:
            raise UsageError(
                f"the next reading can be {', '.join(filter(None, KINDS))} or rocks, not {word!r}"
            )
        return f"the next reading is: {text}" if word else "the next reading is a plain one"

    @property
    def rocks(self) -> tuple[tuple[Seat, float], ...]:
        """Of the coming reading: feelers at corners that do not touch."""
        found: tuple[tuple[Seat, float], ...] = self._asked.get("rocks", ())
        return found

    def _how_asked(self, *, again: bool = False) -> Asked:
        from shimfit.workflow.reading import Asked

        asked = dict(self._asked) | ({"again": True} if again else {})
        return Asked(**asked, answer_later=self.answers_later is not None)

    def _after_reading(self, place: Place, asked: Asked) -> Outcome:
        """Have it answered; say how far off with the tolerance beside it, and what that decides.

        While the packs are worked out behind the screen, the state that comes of them is left to the page.
        """
        if self.answers_later is not None and not asked.mid:
            self.answers_later(place)
        self._asked = KINDS[""]
        self.run = self._as_told(place)
        record, words = self.record, self.words
        assert record is not None
        said = f"{record.state.value}"
        if words is not None and record.reading is not None and record.reading.lean is not None:
            decided = record.state in (PostState.PLUMB, PostState.TOO_CLOSE) or self.answers_later is None
            mean = f", mean of {record.mean_of}" if record.counts is not None and record.mean_of > 1 else ""
            said = f"{said}, " if decided else ""
            said += f"{words.of_allowed(record.reading.lean, record)}{mean}"
            if not record.reading.zero_found:  # what it shows may be far off and decides nothing yet
                said = f"shows {words.off_by(record.reading.lean, record)} off, zero not found"
        if self.walks_on and record.state is not PostState.HALF_READ:
            self.step(+1)
        bell: Bell = "plumb" if record.state is PostState.PLUMB else "logged"
        return Outcome(f"post {place.post} logged: {said}", bell=bell)

    # ------------------------------------------------------------ the actions

    def attempt(self, move: Callable[[Place], Outcome | str]) -> Outcome:
        """Make a move at the post in view; what the person can put right comes back as words."""
        place = self.place
        if place is None:
            return NO_RUN
        outcome = outcome_of(lambda: move(place))
        if outcome.done:
            self._sure_of = None  # what was asked about before is another question now
            self.refresh()
        return outcome

    def do(self, name: str, text: str = "", *, post: str = "") -> Outcome:
        """Do an action of the table at the post in view, or at another of its run.

        text: what was answered where it asks for something, as typed.
        """
        text, empty = text.strip(), BY_NAME[name].empty
        post = post or (self.place.post if self.place is not None else "")
        record = self.run.post(post) if self.run is not None else None
        if empty and not text:
            return Outcome(empty, done=False)
        if name in TOGGLES:
            attribute, on, off = TOGGLES[name]
            setattr(self, attribute, not getattr(self, attribute))
            return Outcome(on if getattr(self, attribute) else off)
        match name:
            case "find":
                return self._find(text)
            case "retighten":
                return outcome_of(lambda: self._retighten(text))
            case "kind":
                return self.attempt(partial(self._kind_of_next, text))
            case "rails_on":
                return self.attempt(partial(self._kind_of_next, "rails-on"))
            case "packed" if self.works_on(post):
                return Outcome(
                    "the answer is still being worked out: nothing can have gone in by it", done=False
                )
            case "skip" if record is not None and record.state is PostState.PLUMB:
                asked, self._sure_of = self._sure_of, f"skip {text}"
                if asked != self._sure_of:
                    return Outcome(
                        "it stands plumb: Enter again skips it all the same", done=False, asks=True
                    )
        return self.attempt(lambda at: self._logs(name, text, replace(at, post=post)))

    def _logs(self, name: str, text: str, at: Place) -> str:
        """Log what an action of the table stands for; raises as the use case does."""
        from shimfit.workflow import layout, packs, reading

        site = self.site
        done: Mapping[str, Callable[[Site, Place], str]] = {
            "packed": reading.log_packs,
            "tightened": reading.log_tightened,
            "trimmed": reading.log_trimmed,
            "remove_post": layout.remove_post,
        }
        typed: Mapping[str, Callable[[Site, Place, str], str]] = {
            "note": reading.log_note,
            "photo": reading.log_photo,
            "skip": reading.log_skipped,
            "move_post": layout.move_post,
        }
        if name in done:
            return done[name](site, at)
        if name in typed:
            return typed[name](site, at, text)
        if name == "torque":
            from shimfit.quantities.typed import to_torque_nm

            return reading.log_tightened(site, at, to_torque_nm(text))
        if name == "insert_post":
            return layout.station_words(site, layout.insert_post(site, at.job, at.run, text))
        run, stands = site.run(at.job, at.run), site.post(at)  # packed otherwise
        lean, faces = stands.reading.lean if stands.reading else None, dict(run.face_names)
        given = packs.parse_packs(text.split(), stands.foot, lean, site.box().lots, run.units, faces=faces)
        return reading.log_packs(site, at, given)

    # ------------------------------------------------------------ the box, undo

    def lots_from(self, text: str) -> list[Lot]:
        """Lots as typed (setting_up.parse_lots), not yet in the box; EntryError."""
        from shimfit.tui.setting_up import parse_lots

        box = self.site.box()  # what is used up keeps its name: it may stand under a post
        return parse_lots(text, self.settings.units, [lot.lot for lot in (*box.lots, *box.used_up)])

    def add_lots(self, text: str, material: str = "") -> str:
        """Put lots in the box, all or none; which, in words, and what is to be said of their material.

        material: of those of which none is typed. EntryError.
        """
        from shimfit.core.cautions import caution_of_material

        lots = [replace(lot, material=lot.material or material) for lot in self.lots_from(text)]
        added = ", ".join(f"{lot.count} {self.site.add_stock(lot)}" for lot in lots)
        self.answer_missing()
        rots = caution_of_material(lot.material for lot in lots)
        return f"in the box: {added}{f'. {rots}' if rots else ''}"

    def undo(self, *, box: bool = False, step: str | None = None) -> Outcome:
        """Take back the last thing that was logged in this job, or (box) that was done to the box.

        step: the one that was looked at (`undo_is_of`); refused when another program has logged since.
        """
        return self._box_or_job(lambda job: self.site.undo(job, step), box=box)

    def undo_is_of(self, *, box: bool = False) -> tuple[str, str, bool] | None:
        """What undo would take back: (id of the step, in words, it was done at the post in view)."""
        place = self.place
        found = (
            self.site.journal.to_undo(None if box or place is None else place.job) if box or place else None
        )
        if found is None:
            return None
        step, said = found
        here = (place.run, place.post) if place is not None else None
        return step.id, said, not step.posts or here in step.posts

    def set_last(self) -> bool:
        """True when a setting was changed after whatever else undo could take back in this job."""
        of_box = self.site.journal.to_undo(None)
        if of_box is None or of_box[0].events[0].kind != "setting":
            return False
        of_job = self.site.journal.to_undo(self.place.job) if self.place is not None else None
        return of_job is None or of_job[0].events[0].seq < of_box[0].events[0].seq

    def redo(self, *, box: bool = False) -> Outcome:
        """Bring back what was taken back last, and go there where it was the run itself."""
        if box or self.place is not None or self._gone is None:
            return self._box_or_job(self.site.redo, box=box)
        gone = self._gone
        outcome = outcome_of(lambda: self.site.redo(gone))
        if outcome.done:
            self.open_last()
        return outcome

    def _box_or_job(self, move: Callable[[str | None], str], *, box: bool) -> Outcome:
        outcome = outcome_of(lambda: move(None)) if box else self.attempt(lambda place: move(place.job))
        if outcome.done or not box:
            self.answer_missing()
        return outcome


_ADDRESS = re.compile(r"\s*(?:([^\s:=]+)\s*:)?\s*([=+]?)\s*")
_MARKS = {"": "", "=": "corrects the last: ", "+": "once more, no pack in yet: "}


def _addressed(text: str) -> tuple[str, str, str]:
    """`4:=6n10h` → ("4", "=", "6n10h"): post, empty where none is named; a key of _MARKS; the entry."""
    found = _ADDRESS.match(text)
    assert found is not None
    return found[1] or "", found[2], text[found.end() :]
