"""Where the person stands: the open file, run and post, what is said there, and walking on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.entry.result import Understood
from shimfit.errors import EntryError, ShimfitError, UsageError
from shimfit.model import PostState
from shimfit.text.phrases import PostView, Words, post_view
from shimfit.tui.deeds import USUAL_KEYS, KeyWords
from shimfit.tui.desk.outcome import Outcome
from shimfit.workflow.place import Place
from shimfit.workflow.reading import Asked

if TYPE_CHECKING:
    from collections.abc import Callable, Container

    from shimfit.quantities.typed import Units
    from shimfit.settings import Settings
    from shimfit.standing import PostRecord, RunState
    from shimfit.store.state import BoxState, JobState
    from shimfit.text.glyphs import Glyphs
    from shimfit.workflow.site import Site

TAUGHT = 2
"""Plumb posts in a run of one's own after which the first-run hints go away."""


class Standing:
    """One person at one post of an open data file."""

    def __init__(self, site: Site, glyphs: Glyphs, *, spoken: bool = False) -> None:
        """spoken: directions in words alone."""
        self.site = site
        self._spoken = spoken
        self.glyphs = glyphs
        self.keys: KeyWords = USUAL_KEYS
        """How the keys are called in what is said."""
        self.place: Place | None = None
        self.run: RunState | None = None
        self._sure_of: str | None = None
        self._asked = Asked()
        self._changes = site.journal.changes_by_others()
        self.answers_later: Callable[[Place], bool] | None = None
        """Works out a post's answer in its own time; says whether it is there already. None: at once."""
        self.working: Container[Place] = ()
        """Posts whose answer is being worked out."""
        self.walks_on = False
        """True (survey): a logged reading moves on to the next post by itself."""
        self.only_left = False
        """True: the lists and the walk leave out what is plumb or skipped."""

    @property
    def settings(self) -> Settings:
        """The settings that are in force."""
        return self.site.settings

    @property
    def record(self) -> PostRecord | None:
        """The post on screen."""
        if self.run is None or self.place is None:
            return None
        return self.run.post(self.place.post)

    @property
    def index(self) -> int:
        """Position of the post on screen in walking order, from 0."""
        if self.run is None or self.place is None:
            return 0
        names = [post.name for post in self.run.posts]
        return names.index(self.place.post) if self.place.post in names else 0

    @property
    def words(self) -> Words | None:
        """How this run is spoken of; None while no run is open."""
        if self.run is None:
            return None
        return Words(
            self.run,
            self.glyphs,
            units=self._typed_units(),
            graduation=self.settings.graduation,
            spoken=self._spoken,
        )

    def _typed_units(self) -> Units | None:
        """Unit that this post's last reading was typed in: it is told back in the same; None = the run's."""
        record = self.record
        if record is None or self.place is None or not record.readings:
            return None
        last = record.readings[-1]
        if last.method != "typed":
            return None
        heard = self.site.echo(self.place, last.text)
        if not isinstance(heard, Understood):
            return None
        typed = {part.unit for part in (heard.along, heard.across) if part is not None and part.value}
        if typed <= {"in"}:
            return "inch" if typed else None
        return "mm" if typed <= {"mm", "cm"} else None

    @property
    def view(self) -> PostView | None:
        """What is to be said at the post on screen."""
        if self.run is None or self.record is None or self.words is None:
            return None
        view = post_view(self.record, self.words)
        if self.place in self.working:
            view = replace(view, do=f"working{self.glyphs.more}")
        remarks = (*self._remarks(self.record), *view.remarks)
        return replace(view, remarks=tuple(map(self.glyphs.spell, remarks)))

    def _remarks(self, record: PostRecord) -> tuple[str, ...]:
        """What the post's own record does not hold: an instrument to check, the bow.

        Spoken, also that two crews laid the run out differently; the screens have a banner for it.
        """
        told = [self.run.conflict] if self._spoken and self.run is not None and self.run.conflict else []
        if self.site.box().instruments:
            from shimfit.workflow.instruments import due

            told += due(self.site, self.site.now().date())
        if any(reading.stage == "mid" for reading in record.readings):
            from shimfit.workflow.reading import bow_words

            told += [words for words in (bow_words(record),) if words]
        return tuple(told)

    @property
    def wants_hints(self) -> bool:
        """First-run hints go away by themselves: two plumb posts in a run of one's own have taught enough."""
        if self.run is None or not self.settings.hints:
            return False
        return self.run.sample or sum(post.state is PostState.PLUMB for post in self.run.posts) < TAUGHT

    def others_logged(self) -> bool:
        """True once for what another program has logged since the last look."""
        changes = self.site.journal.changes_by_others()
        new, self._changes = changes != self._changes, changes
        return new

    def jobs(self) -> tuple[JobState, ...]:
        """All jobs in the file."""
        return tuple(self.site.jobs())

    def box(self) -> BoxState:
        """What is left in the box."""
        return self.site.box()

    def open_last(self) -> bool:
        """Go to where work stopped; False when the file holds no run yet."""
        place = self.site.last_place()
        if place is None:
            return False
        self.go(place)
        return True

    def go(self, place: Place) -> None:
        """Stand at a post."""
        self.run = self.site.run(place.job, place.run)
        self.place = place
        self._sure_of = None
        self._asked = Asked()
        self._ask_for_missing()

    def _ask_for_missing(self) -> None:
        """A post that was read when the program was stopped before its answer came gets it now."""
        record = self.record
        if record is None or self.place is None or self.answers_later is None or self.site.read_only:
            return
        if record.asks_again(self.site.box().last_seq) and self.place not in self.working:
            self.answers_later(self.place)
            self.run = self.site.run(self.place.job, self.place.run)

    def answer_missing(self) -> None:
        """Every post whose answer is not one any more gets another: the box was filled, the run changed."""
        from shimfit.workflow.reading import missing_answers

        if self.site.read_only:
            return
        for place in missing_answers(self.site):
            if place in self.working:
                continue
            if self.answers_later is None:
                self.site.answer(place)
            else:
                self.answers_later(place)
        self.refresh()

    def go_run(self, job: str, run: str) -> Outcome:
        """Stand at the first post of a run that still wants something."""
        state = self.site.run(job, run)
        if not state.posts:
            return Outcome(f"{job}/{run} has no posts yet", done=False)
        post = next(iter(state.left_to_do), state.posts[0])
        self.go(Place(job, run, post.name))
        return Outcome(f"{job}/{run}, {len(state.posts)} posts")

    def refresh(self) -> None:
        """Read the run again from the log; where the post is gone from it, stand at its neighbour."""
        if self.place is None:
            return
        index = self.index
        self.run = self.site.run(self.place.job, self.place.run)
        if self.record is None and self.run.posts:
            post = self.run.posts[min(index, len(self.run.posts) - 1)]
            self.go(Place(self.place.job, self.place.run, post.name))

    def step(self, by: int) -> Outcome:
        """Walk to the next (+1) or previous (-1) post; with `only_left`, to one that wants something."""
        if self.run is None or self.place is None:
            return Outcome("no run is open", done=False)
        posts = self.run.posts
        left = {post.name for post in self.run.left_to_do}
        index = self.index + by
        while 0 <= index < len(posts) and self.only_left and posts[index].name not in left:
            index += by
        if not 0 <= index < len(posts):
            end = "last" if by > 0 else "first"
            hand_over = (
                "write makes the record" if self._spoken else self.keys.spell("F4 hands over the record")
            )
            more = f"; {len(left)} left to do" if left else f"; every post is done: {hand_over}"
            return Outcome(f"this is the {end} post of the run{more}", done=False)
        self.go(Place(self.place.job, self.place.run, posts[index].name))
        return Outcome(f"post {posts[index].name}")

    def find(self, text: str) -> Outcome:
        """Go to the post that is called so, or whose name or notes hold the text, from here onwards."""
        if self.run is None or self.place is None:
            return Outcome("no run is open", done=False)
        wanted = text.strip().casefold()
        posts = self.run.posts
        in_turn = posts[self.index + 1 :] + posts[: self.index + 1]
        exact = (post for post in in_turn if post.name.casefold() == wanted)
        near = (
            post
            for post in in_turn
            if wanted in post.name.casefold() or any(wanted in note.text.casefold() for note in post.notes)
        )
        found = next(exact, None) or next(near, None)
        if not wanted or found is None:
            return Outcome(
                f"no post of this run is called {text.strip()!r} or has a note with it", done=False
            )
        self.go(Place(self.place.job, self.place.run, found.name))
        return Outcome(f"post {found.name}")

    def attempt(self, move: Callable[[Place], Outcome]) -> Outcome:
        """Make a move; what the person can put right comes back as words."""
        if self.place is None:
            return Outcome("no run is open", done=False)
        try:
            outcome = move(self.place)
        except EntryError as error:
            return Outcome(error.message, done=False, at=error.at, bell="refused")
        except UsageError as error:
            return Outcome(error.message, done=False, bell="refused")
        except ShimfitError as error:
            if error.kind == "internal":
                raise
            return Outcome(error.message, done=False, bell="refused")
        self.refresh()
        return outcome
