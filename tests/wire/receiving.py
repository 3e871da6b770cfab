"""What the wire's tests share: sentences with right sums, and three ways of feeding them."""

from __future__ import annotations

import csv
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from shimfit.wire.formats import Text, Xdr
from shimfit.wire.lines import LineInput
from shimfit.wire.samples import Sample, Tally

FIXTURES = Path(__file__).parents[2] / "fixtures"


def published(name: str) -> list[dict[str, str]]:
    """Rows of a table of published values; each row names its source and how it was come by."""
    with (FIXTURES / "published" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def sentence(body: str) -> bytes:
    """A sentence with its sum, worked out here byte by byte and not by the code under test."""
    total = 0
    for byte in body.encode("ascii"):
        total ^= byte
    return f"${body}*{total:02X}".encode("ascii")


def xdr(x_deg: float, y_deg: float) -> bytes:
    return sentence(f"IIXDR,A,{x_deg:.3f},D,PITCH,A,{y_deg:.3f},D,ROLL") + b"\r\n"


@dataclass
class Received:
    samples: list[Sample]
    tally: Tally

    @property
    def angles(self) -> list[tuple[float, float]]:
        return [(sample.x_deg, sample.y_deg) for sample in self.samples]

    @property
    def refused(self) -> dict[str, int]:
        return {str(reason): count for reason, count in self.tally.refused.items()}


def receive(chunks: list[bytes], description: Text | Xdr | None = None) -> Received:
    """Feed chunks through framing and dialect, all at time 0."""
    tally = Tally()
    received = LineInput(description or Xdr(), tally)
    return Received([sample for chunk in chunks for sample in received.feed(chunk, 0.0)], tally)


def receive_three_ways(data: bytes, description: Text | Xdr | None = None) -> Received:
    """Feed the same bytes whole, byte by byte, and with a tail after them; all must come to the same."""
    whole = receive([data], description)
    single = receive([data[at : at + 1] for at in range(len(data))], description)
    tail = b"$IIXDR,A,1" if isinstance(description, Xdr) or description is None else b"1.0"
    with_tail = receive([data + tail], description)
    for other in (single, with_tail):
        assert other.samples == whole.samples
        assert other.tally == whole.tally
    return whole


def wait_for(what: Callable[[], bool], seconds: float = 10.0) -> None:
    """Until it is true; fails after a time that is far more than it takes."""
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.005)
