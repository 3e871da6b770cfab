"""What is done at the post: packed, cut flush, tightened, noted, skipped."""

from __future__ import annotations

from shimfit.tui.desk.outcome import Outcome
from shimfit.tui.desk.standing import Standing
from shimfit.workflow.place import Place


class Work(Standing):
    """Logs what was done at the post."""

    def packed_otherwise(self, text: str) -> Outcome:
        """Log what really went in: `next-out=T1@30+F2 out=F3`."""

        def pack(place: Place) -> Outcome:
            from shimfit.workflow.by_hand import parse_packs

            run, post = self.site.run(place.job, place.run), self.site.post(place)
            lean = post.reading.lean if post.reading else None
            packs = parse_packs(text.split(), post.foot, lean, self.site.box().lots, run.units)
            return Outcome(self.site.pack(place, packs))

        return self.attempt(pack)

    def trimmed(self) -> Outcome:
        """Log that the packs were cut flush."""
        return self.attempt(lambda place: Outcome(self.site.trim(place)))

    def packed(self) -> Outcome:
        """Log that the packs went in as prescribed; not before the answer has come."""
        if self.place in self.working:
            return Outcome("the answer is still being worked out: nothing can have gone in by it", done=False)
        return self.attempt(lambda place: Outcome(self.site.pack(place)))

    def tightened(self, torque_nm: float | None = None) -> Outcome:
        """Log that the nut was tightened."""
        return self.attempt(lambda place: Outcome(self.site.tighten(place, torque_nm)))

    def torqued(self, text: str) -> Outcome:
        """Log that the nut was tightened, and to what torque: `40`, `40 Nm`, `30 lbf ft`."""
        from shimfit.quantities.typed import to_torque_nm

        return self.attempt(lambda place: Outcome(self.site.tighten(place, to_torque_nm(text))))

    def photographed(self, file: str) -> Outcome:
        """Name a photo's file at this post."""
        if not file.strip():
            return Outcome("name the photo's file", done=False)
        return self.attempt(lambda place: Outcome(self.site.photo(place, file.strip())))

    def skipped(self, why: str) -> Outcome:
        """Leave this post for later, and say why."""
        if not why.strip():
            return Outcome("say why it is skipped", done=False)
        return self.attempt(lambda place: Outcome(self.site.skip(place, why.strip())))

    def noted(self, text: str) -> Outcome:
        """Leave a note at this post."""
        if not text.strip():
            return Outcome("an empty note was not kept", done=False)
        return self.attempt(lambda place: Outcome(self.site.note(place, text.strip())))
