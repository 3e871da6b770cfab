"""What is typed and done at a post: every step is one entry of the log."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from shimfit.contract import pack_to_json
from shimfit.core.cautions import cautions_of
from shimfit.entry import EntrySettings, ParseResult, Understood, parse_entry
from shimfit.errors import UsageError
from shimfit.quantities import shown
from shimfit.store.events import Draft
from shimfit.workflow.place import Place
from shimfit.workflow.reading import Asked, Logged
from shimfit.workflow.site.keeping import Keeping

if TYPE_CHECKING:
    from shimfit.model import Pack, Prescription, Reading
    from shimfit.standing import PostRecord, RunState


class Site(Keeping):
    """One open data file and everything that can be done on it."""

    # ------------------------------------------------------------ what is typed

    def entry_settings(self, run: RunState) -> EntrySettings:
        """How entries are understood in a run."""
        from fractions import Fraction

        settings = self.settings
        units = self._options.get("units") or run.units
        faces = dict(EntrySettings().faces) | dict(run.face_names)
        return EntrySettings(
            units=units,
            graduation_in=Fraction(1, settings.graduation),
            gauge_mm=run.gauge_mm,
            faces=faces,
        )

    def echo(self, place: Place, text: str) -> ParseResult:
        """How an entry is understood so far, on every key; never raises on any text."""
        return parse_entry(text, self.entry_settings(self.run(place.job, place.run)))

    def second_look(self, place: Place, understood: Understood) -> str | None:
        """Why this entry wants a second Enter at this post; None when it does not."""
        from shimfit.workflow.reading import second_look

        return second_look(self.post(place), understood)

    def log_reading(
        self, place: Place, text: str, asked: Asked | None = None, *, sure: bool = False
    ) -> Logged:
        """Log what was typed, then answer. EntryError when refused, or wants a second look and not `sure`."""
        from shimfit.workflow.reading import log_typed

        return log_typed(self, place, text, asked or Asked(), sure=sure)

    def log_sensor_reading(self, place: Place, reading: Reading, asked: Asked | None = None) -> Logged:
        """Log a reading that the inclinometer has taken (in the post's directions), then answer."""
        from shimfit.workflow.reading import log_taken

        return log_taken(self, place, reading, asked or Asked())

    def answer(self, place: Place) -> Prescription | None:
        """Answer for how the post stands now; None when nothing full was read or it stands plumb.

        Worked out and logged here when a reading was logged without its answer (the program was killed
        between the two, or two halves came together).
        """
        from shimfit.workflow.reading import answer_now

        return answer_now(self, place)

    # ------------------------------------------------------------ what happens at a post

    def pack(self, place: Place, packs: Sequence[Pack] | None = None) -> str:
        """Log what went in: as prescribed (None), or these packs. Returns what was logged, in words."""
        post = self.post(place)
        as_prescribed = packs is None
        if packs is None:
            answer = self.answer(place)
            if answer is None or answer.status == "impossible":
                raise UsageError(
                    f"there is no prescription for post {place.post}: read it first, or say what went in"
                )
            packs = answer.packs
        drafts = [
            *self.moved(place, post.packs_in_place, packs),
            self._draft(
                place,
                "packed",
                {
                    "packs": [pack_to_json(pack) for pack in packs],
                    "as_prescribed": as_prescribed,
                    "before": [pack_to_json(pack) for pack in post.packs_in_place],
                },
            ),
        ]
        self.journal.append_all(drafts)
        if as_prescribed:
            return "packed as prescribed"
        return (
            "packed with 1 pack of your own"
            if len(packs) == 1
            else f"packed with {len(packs)} packs of your own"
        )

    def tighten(self, place: Place, torque_nm: float | None = None) -> str:
        """Log that the nut was tightened; if a prescription was open, it was packed as prescribed."""
        post = self.post(place)
        data = {"torque_nm": torque_nm, "follows": post.implied is not None}
        drafts = [*self.implied_packing(place, post), self._draft(place, "tightened", data)]
        self.journal.append_all(drafts)
        if torque_nm is None:
            return "tightened"
        return f"tightened to {shown.torque(torque_nm, self.run(place.job, place.run).units)}"

    def trim(self, place: Place) -> str:
        """Log that the packs were cut flush; the verifying reading comes after it."""
        post = self.post(place)
        data = {"follows": post.implied is not None}
        drafts = [*self.implied_packing(place, post), self._draft(place, "trimmed", data)]
        self.journal.append_all(drafts)
        return f"trimmed: read again, trimming can move a pack. {cautions_of('trim')[0]}"

    def skip(self, place: Place, why: str) -> str:
        """Leave a post for later, and say why."""
        self.post(place)
        self.journal.append_all([self._draft(place, "skipped", {"why": why})])
        return "skipped"

    def note(self, place: Place, text: str) -> str:
        """Leave a sentence at a post."""
        self.post(place)
        self.journal.append_all([self._draft(place, "noted", {"text": text})])
        return "noted"

    def photo(self, place: Place, file: str) -> str:
        """Name a photo's file at a post; the file itself stays where it is."""
        self.post(place)
        self.journal.append_all([self._draft(place, "photo", {"file": file})])
        return f"photo {file}"

    def undo(self, job: str | None) -> str:
        """Take back the last step of a job (None: of the box); UsageError when there is none."""
        words = self.journal.undo(job, by=self.settings.by or None)
        if words is None:
            raise UsageError("there is nothing to take back")
        return f"taken back: {words}"

    def redo(self, job: str | None) -> str:
        """Bring back what was taken back last; UsageError when there is nothing."""
        words = self.journal.redo(job, by=self.settings.by or None)
        if words is None:
            raise UsageError("there is nothing to bring back")
        return f"brought back: {words}"

    # ------------------------------------------------------------ the sample jobs

    def write_sample(self) -> Place:
        """Write the sample jobs into the file; returns where to begin."""
        from shimfit.workflow.sample import write_sample

        return write_sample(self)

    def remove_sample(self) -> str:
        """Take the sample jobs out again; returns what went, in words."""
        from shimfit.workflow.sample import remove_sample

        return remove_sample(self)

    # ------------------------------------------------------------ for the modules beside this one

    def implied_packing(self, place: Place, post: PostRecord) -> list[Draft]:
        """Box movement of packs that what is logged next at the post says went in as prescribed."""
        return [] if post.implied is None else self.moved(place, post.packs_in_place, post.implied)

    def moved(self, place: Place, before: Sequence[Pack], after: Sequence[Pack]) -> list[Draft]:
        """What putting other packs under a post moves in the box."""
        from shimfit.workflow.packs import moved_packs, pushed_packs
        from shimfit.workflow.solving import options_of, promised

        stock, (came_out, went_in) = self.box().stock, moved_packs(before, after)
        keep = stock.promised_copies(promised(self, place)) if stock.asks_for_a_copy(went_in) else None
        kerf_mm = options_of(self.run(place.job, place.run), self.settings).saw.kerf_mm
        pushed = pushed_packs(before, after)
        data = stock.moved(came_out, went_in, str(place), kerf_mm, keep=keep, pushed=pushed)
        return [] if data is None else [Draft("taken", data, by=self.settings.by or None)]
