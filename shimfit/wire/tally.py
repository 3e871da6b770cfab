"""What the wire brought, counted: good samples, refusals by reason, and what was rightly ignored."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum


class Refusal(StrEnum):
    """Why bytes did not become a sample. The value is the key in the JSON of `listen`."""

    BAD_CHECKSUM = "bad_checksum"
    NO_CHECKSUM = "no_checksum"
    FIELD_COUNT = "field_count"
    """An XDR sentence whose fields are not its name and whole groups of four."""
    COLUMN_COUNT = "column_count"
    NOT_A_NUMBER = "not_a_number"
    OUT_OF_RANGE = "out_of_range"
    NOT_ONE_G = "not_one_g"
    """An acceleration triple whose size is not between 0.5 and 1.5 g."""
    DAMAGED_BYTE = "damaged_byte"
    """A NUL, control or non-ASCII byte: a byte was lost or made up on the way."""
    TRUNCATED = "truncated"
    """The front of a line that another sentence cut into."""
    UNFINISHED = "unfinished"
    """A line (or an answer) that was not complete when the link was lost."""
    TOO_LONG = "too_long"
    UNPAIRED = "unpaired"
    """One axis without the other in time."""
    REPEAT = "repeat"
    """Same device time and same values as before."""
    BAD_CRC = "bad_crc"
    SHORT_ANSWER = "short_answer"
    NO_ANSWER = "no_answer"
    WRONG_STATION = "wrong_station"
    WRONG_FUNCTION = "wrong_function"
    WRONG_BYTE_COUNT = "wrong_byte_count"
    DEVICE_REFUSED = "device_refused"


@dataclass(slots=True)
class Tally:
    """Running counts of one stream. One owner writes it; copy it to show it elsewhere."""

    bytes: int = 0
    good: int = 0
    """Samples with both directions."""
    other: int = 0
    """Lines that are no errors and no angles: other sentences, comments, start-up chatter."""
    refused: dict[Refusal, int] = field(default_factory=dict)

    def refuse(self, reason: Refusal, count: int = 1) -> None:
        """Count a refusal."""
        self.refused[reason] = self.refused.get(reason, 0) + count

    @property
    def refused_total(self) -> int:
        """All refusals together."""
        return sum(self.refused.values())

    def copy(self) -> Tally:
        """An independent copy, to be shown while this one goes on."""
        return Tally(self.bytes, self.good, self.other, dict(self.refused))
