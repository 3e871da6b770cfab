"""The formats behind one face: bytes with their times in, samples out, whatever the format."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from shimfit.wire.dialects import Modbus, Xdr, line_reader
from shimfit.wire.dialects.sniff import Sniffer
from shimfit.wire.dialects.xdr import XdrReader
from shimfit.wire.framing import LineFramer
from shimfit.wire.modbus import ModbusPoller, ModbusScanner

if TYPE_CHECKING:
    from shimfit.wire.options import ListenOptions
    from shimfit.wire.sample import Sample
    from shimfit.wire.tally import Tally


class Input(Protocol):
    """One format on one link."""

    needs_description: str | None
    """A description to complete, when text was found whose columns a person must name."""

    @property
    def format(self) -> str | None:
        """`xdr`, `text` or `modbus`; None while it is being found."""

    @property
    def elevation(self) -> bool:
        """True when each angle is an axis against the horizontal."""

    @property
    def step_deg(self) -> float | None:
        """Output step that the values show; None where it can't be told."""

    @property
    def no_answer(self) -> str | None:
        """Why nothing comes, where the format can tell."""

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """Samples that these bytes complete."""

    def news(self) -> list[str]:
        """Sentences for the person since the last call."""

    def restart(self, *, lost: bool) -> None:
        """Begin anew; `lost`: a line under way counts as unfinished."""

    def due(self, now_s: float) -> bytes | None:
        """What to send now; None for formats that come by themselves."""

    def asked(self, now_s: float) -> None:
        """A request went out, as a capture tells."""

    def check(self, now_s: float) -> None:
        """Time passes: requests may time out."""


def make_input(options: ListenOptions, tally: Tally, *, polled: bool) -> Input:
    """The input for the format that was told, or one that finds it by listening."""
    if isinstance(options.description, Modbus):
        if polled:
            return PolledModbus(ModbusPoller(options.description, tally))
        return OverheardModbus(ModbusScanner(options.description, tally))
    return LineInput(options, tally)


class LineInput:
    """Formats that come in lines; see Input."""

    no_answer: str | None = None

    def __init__(self, options: ListenOptions, tally: Tally) -> None:
        description = options.description
        assert not isinstance(description, Modbus)
        self._reader = line_reader(description or Xdr(), tally)
        self._framer = LineFramer(tally, drop_first=self._reader.format == "text")
        self._sniffer = None
        if isinstance(self._reader, XdrReader) and description is None:
            self._sniffer = Sniffer(self._reader)
        self._news: list[str] = []
        self.needs_description: str | None = None
        self.format = None if description is None else self._reader.format

    @property
    def elevation(self) -> bool:
        """See Input."""
        return self._reader.elevation

    @property
    def step_deg(self) -> float | None:
        """See Input."""
        return self._reader.step_deg

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        samples = []
        for line in self._framer.feed(data):
            sample = self._reader.read(line, now_s)
            if sample is not None:
                samples.append(sample)
            if self._sniffer is not None:
                self._sniff(self._sniffer, line)
        return samples

    def _sniff(self, sniffer: Sniffer, line: bytes) -> None:
        """Sentences are read from the first one on; text has to be described by a person first."""
        sniffer.line(line)
        if sniffer.is_xdr:
            self.format, self._sniffer, self.needs_description = "xdr", None, None
        elif sniffer.text is not None and self.needs_description is None:
            guess = sniffer.text
            self.format, self.needs_description = "text", guess.description()
            self._news.append(
                f"delimited text with {guess.count} columns was found, such as {guess.example!r}; "
                "what they mean can't be guessed: name them with units in a description (--format FILE.toml)"
            )

    def news(self) -> list[str]:
        """See Input."""
        news, self._news = self._news, []
        return news

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        self._framer.restart(lost=lost)
        self._reader.restart()
        if self._sniffer is not None:
            self._sniffer.restart()

    def due(self, now_s: float) -> bytes | None:  # noqa: ARG002 - lines come by themselves
        """See Input: never anything."""
        return None

    def asked(self, now_s: float) -> None:
        """See Input: lines are not asked for."""

    def check(self, now_s: float) -> None:
        """See Input: nothing times out."""


class OverheardModbus:
    """Answers in a bare file of bytes, with no word of the requests; see Input."""

    format: str | None = "modbus"
    needs_description: str | None = None

    def __init__(self, side: ModbusScanner | ModbusPoller) -> None:
        self._side = side

    @property
    def no_answer(self) -> str | None:
        """See Input: nobody asked."""
        return None

    @property
    def elevation(self) -> bool:
        """See Input."""
        return self._side.link.elevation

    @property
    def step_deg(self) -> float | None:
        """See Input."""
        return self._side.link.step_deg

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        return self._side.feed(data, now_s)

    def news(self) -> list[str]:
        """See Input."""
        why = self._side.link.refused_because
        return [] if why is None else [f"the device refused the request: {why}"]

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        self._side.restart(lost=lost)

    def due(self, now_s: float) -> bytes | None:  # noqa: ARG002 - only overheard
        """See Input: never anything."""
        return None

    def asked(self, now_s: float) -> None:
        """See Input: requests are not known of."""

    def check(self, now_s: float) -> None:
        """See Input: nothing times out."""


class PolledModbus(OverheardModbus):
    """A device that is asked; see Input."""

    def __init__(self, poller: ModbusPoller) -> None:
        super().__init__(poller)
        self._poller = poller

    @property
    def no_answer(self) -> str | None:
        """See Input."""
        if not self._poller.no_answer:
            return None
        return "no answer to three polls in a row: look at station, speed, framing and the two wires"

    def due(self, now_s: float) -> bytes | None:
        """See Input."""
        return self._poller.due(now_s)

    def asked(self, now_s: float) -> None:
        """See Input."""
        self._poller.check(now_s)
        self._poller.asked(now_s)

    def check(self, now_s: float) -> None:
        """See Input."""
        self._poller.check(now_s)
