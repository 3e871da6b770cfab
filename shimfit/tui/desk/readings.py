"""What is read at the post: typed, taken from the inclinometer, or with the level turned."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.entry.result import Incomplete, Refused, Understood
from shimfit.errors import UsageError
from shimfit.model import PostState
from shimfit.text.phrases import state_word
from shimfit.tui.desk.outcome import Outcome
from shimfit.tui.desk.standing import Standing
from shimfit.workflow.place import Place
from shimfit.workflow.reading import Asked

if TYPE_CHECKING:
    from shimfit.model import Reading
    from shimfit.standing import PostRecord

KINDS = {
    "": Asked(),
    "bed": Asked(bed=True),
    "mid": Asked(mid=True),
    "rails-on": Asked(rails_on=True),
    "verify": Asked(after=True),
}
"""What a reading can be besides a plain one."""


class Readings(Standing):
    """Hears an entry, asks for a second look where it is odd, logs it and says how the post stands."""

    def echo(self, text: str) -> Incomplete | Understood | Refused | None:
        """How the entry is understood so far; None on an empty line or without a post."""
        if self.place is None or not text.strip():
            return None
        return self.site.echo(self.place, text)

    def enter(self, text: str) -> Outcome:
        """Log what was typed at this post. An entry that wants a second look is taken the second time."""
        if self.place is None:
            own = self.keys.spell("F5 sets up your own")
            return Outcome(f"no run is open yet: Esc, then Enter opens the sample job; {own}", done=False)
        heard = self.site.echo(self.place, text)
        if isinstance(heard, Incomplete):
            heard = heard.refused
        if isinstance(heard, Refused):
            return _refusal(heard)
        reason = None if self._asked.mid else self.site.second_look(self.place, heard)
        if reason is not None and self._sure_of != text:
            self._sure_of = text
            return Outcome(_with_enter(reason), done=False)
        return self.attempt(lambda place: self._log(place, text))

    def take(self, reading: Reading) -> Outcome:
        """Log a reading that the inclinometer has taken."""

        def log(place: Place) -> Outcome:
            self.site.log_sensor_reading(place, reading, self._how_asked())
            return self._after_reading(place)

        return self.attempt(log)

    def kind_of_next(self, text: str) -> Outcome:
        """What the next reading is: `bed`, `mid`, `rails-on`, `rocks next-out 0.5`; nothing: a plain one."""
        word, _, rest = text.strip().lower().partition(" ")

        def set_kind(place: Place) -> Outcome:
            from shimfit.workflow.by_hand import parse_seat_lengths

            if word == "rocks":
                units = self.site.run(place.job, place.run).units
                feelers = parse_seat_lengths("=".join(rest.split()), units)
                self._asked = Asked(rocks=tuple(feelers.items()))
            elif word in KINDS:
                self._asked = KINDS[word]
            else:
                raise UsageError(f"the next reading can be {', '.join(KINDS)} or rocks, not {word!r}")
            return Outcome(
                f"the next reading is: {text.strip()}" if word else "the next reading is a plain one"
            )

        return self.attempt(set_kind)

    def rails_on(self) -> Outcome:
        """The next reading is taken with the rails on."""
        return self.kind_of_next("rails-on")

    def turned(self, first: str, second: str) -> Outcome:
        """Log two readings of one post, the level turned end for end between them."""

        def log(place: Place) -> Outcome:
            from shimfit.workflow.instruments import log_turned

            log_turned(self.site, place, first, second, self._how_asked())
            return self._after_reading(place)

        return self.attempt(log)

    def _log(self, place: Place, text: str) -> Outcome:
        logged = self.site.log_reading(place, text, self._how_asked(), sure=self._sure_of == text)
        self._sure_of = None
        if logged.reading.slope_along is None and logged.reading.slope_across is None:
            return Outcome(logged.message)  # only a level's length was typed
        return self._after_reading(place)

    def _how_asked(self) -> Asked:
        return replace(self._asked, answer_later=self.answers_later is not None)

    def _after_reading(self, place: Place) -> Outcome:
        if self.answers_later is not None and not self._asked.mid:
            self.answers_later(place)
        self._asked = Asked()
        self.run = self.site.run(place.job, place.run)
        record = self.record
        told = self._told(record) if record is not None else ""
        plumb = record is not None and record.state is PostState.PLUMB
        if self.walks_on and record is not None and record.state is not PostState.HALF_READ:
            self.step(+1)
        return Outcome(f"post {place.post} logged: {told}", bell="plumb" if plumb else "none")

    def _told(self, record: PostRecord) -> str:
        """The state, and how far off with the tolerance beside it: `pack, 10.3 of 2.0 mm`."""
        words, word = self.words, state_word(record.state)
        if words is None or record.reading is None or record.reading.lean is None:
            return word
        off = words.off_by(record.reading.lean, record).removesuffix(" mm")
        mean = f", mean of {record.mean_of}" if record.counts is not None and record.mean_of > 1 else ""
        return f"{word}, {off} of {words.allowed(record)}{mean}"


def _with_enter(reason: str) -> str:
    """The doubt, and how to overrule it where it does not say so itself."""
    return reason if "Enter" in reason else f"{reason}: Enter again if it is so"


def _refusal(heard: Refused) -> Outcome:
    meant = f" (meant {heard.meant}?)" if heard.meant and heard.meant not in heard.reason else ""
    return Outcome(f"{heard.reason}{meant}", done=False, at=heard.at, bell="refused")
