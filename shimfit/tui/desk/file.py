"""What is done to the run and its file: posts inserted, moved, taken out; undo and redo; writing here."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.errors import ShimfitError
from shimfit.tui import marks
from shimfit.tui.desk.outcome import Outcome
from shimfit.tui.desk.standing import Standing

if TYPE_CHECKING:
    from collections.abc import Callable


class RunFile(Standing):
    """Changes the run that is open, and takes changes back."""

    def insert_post(self, text: str) -> Outcome:
        """One more post at a station of this run."""
        return self.attempt(lambda place: Outcome(marks.insert(self.site, place, text)))

    def move_post(self, name: str, text: str) -> Outcome:
        """Another station for a post of this run."""
        return self.attempt(lambda place: Outcome(marks.move(self.site, replace(place, post=name), text)))

    def remove_post(self, name: str) -> Outcome:
        """Take a post out of this run."""
        return self.attempt(lambda place: Outcome(marks.remove(self.site, replace(place, post=name))))

    def undo(self, *, box: bool = False) -> Outcome:
        """Take back the last thing that was logged in this job, or (box) that was done to the box."""
        return self._box_or_job(self.site.undo, box=box)

    def undo_is_of(self, *, box: bool = False) -> tuple[str, str, bool] | None:
        """What undo would take back: (id of the step, in words, it was done at the post in view)."""
        if self.place is None and not box:
            return None
        found = self.site.journal.to_undo(None if box or self.place is None else self.place.job)
        if found is None:
            return None
        step, said = found
        here = (self.place.run, self.place.post) if self.place is not None else None
        return step.id, said, not step.posts or here in step.posts

    def redo(self, *, box: bool = False) -> Outcome:
        """Bring back what was taken back last."""
        return self._box_or_job(self.site.redo, box=box)

    def _box_or_job(self, move: Callable[[str | None], str], *, box: bool) -> Outcome:
        if not box:
            outcome = self.attempt(lambda place: Outcome(move(place.job)))
        else:
            try:
                outcome = Outcome(move(None))
            except ShimfitError as error:
                return Outcome(error.message, done=False, bell="refused")
        self.answer_missing()
        return outcome
