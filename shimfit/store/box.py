"""The carpenter's box, worked out event by event: lots with what is left, instruments, settings.

A box belongs to a data file. Events of the box that came from another crew's file by import stay in the log
but move nothing here, until `box-joined {log}` says that the other box was emptied into this one (as when
everything moves to a new machine). Instruments are distinguished by name and known from all logs, so that a
record can name what a reading was taken with.

stock-imported: the lots as counted, replacing lots of the same name · stock-added: pieces put in ·
stock-out: pieces gone, all when no count is given · taken: which pieces went into packs, what was cut from
which copy, and what came out and goes back (core/ledger). Events count in the order in which they happened,
so that files which hold the same events hold the same box, in whatever order they were imported.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import astuple, field
from functools import partial
from typing import TYPE_CHECKING, Any

from shimfit.codec import from_json
from shimfit.core.cutting import TakenTwice
from shimfit.core.ledger import Ledger
from shimfit.model import Instrument, Lot
from shimfit.store.events import BOX_KINDS, UNDONE, Event, left_out, read_data, said_by
from shimfit.store.history import Voided
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.store.log import Log


@dataclass(frozen=True, slots=True)
class BoxState:
    """The carpenter's box: what is left, the instruments and settings. One box for all jobs."""

    lots: tuple[Lot, ...] = ()
    """What is left, count > 0, in the order it came in; remainders are lots of their own."""
    used_up: tuple[Lot, ...] = ()
    """Lots that were in the box and are out, count 0."""
    short: tuple[tuple[str, int], ...] = ()
    """(lot, pieces) that were logged as used but were not in the box: the box was counted wrong."""
    taken_twice: tuple[TakenTwice, ...] = ()
    """Wood that two packs were logged to be made of, as when two crews drew on one box."""
    stock: Ledger = field(default_factory=Ledger, compare=False, repr=False)
    """The same pieces one by one: copies, cuts, what remainders were cut from. Not to be changed: copy it."""
    instruments: tuple[Instrument, ...] = ()
    """Latest entry of each instrument, in the order they were first entered."""
    instrument_history: tuple[Instrument, ...] = ()
    """Every entry in order: the zero over time."""
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Key -> value as last set; read only."""
    unread: tuple[str, ...] = ()
    """Events of the box that this version could not understand, a sentence each."""

    def lot(self, name: str) -> Lot | None:
        """What is left of a lot, or None."""
        return next((lot for lot in self.lots if lot.lot == name), None)

    def instrument(self, name: str) -> Instrument | None:
        """The instrument of that name, or None."""
        return next((one for one in self.instruments if one.name == name), None)


def fold_box(events: Iterable[Event], log: str) -> BoxState:
    """State of the box of a log, from its events and every `undone`, in order."""
    fold = BoxFold(log)
    for event in events:
        fold.add(event)
    return fold.state()


_HALF = 50


class BoxFold:
    """State of the box, brought forward by `add`; what an `undone` touches is worked out again.

    With an archive only the latest events are kept, behind a base that all before them made: taking back what
    was done lately costs these few.
    """

    def __init__(self, log: str, archive: Log | None = None, void: Voided | None = None) -> None:
        """void: what is known not to stand by now."""
        self._log = log
        self._archive = archive
        self._void = void or Voided()
        self._go_on_from(_Contents({log}), 0)

    def _go_on_from(self, base: _Contents, upto: int, events: Iterable[Event] = ()) -> None:
        """From what the events up to a place made, with those behind it."""
        self._base, self._upto = base, upto
        self._events: list[Event] = []
        self._steps: set[str] = set()
        self._contents = base.copy()
        for event in events:
            self._count(event)

    def work_out(self, late: Iterable[Event]) -> None:
        """All again from the first event on; late: those that are not in the base."""
        early = self._archive.events(kinds=BOX_KINDS, upto=self._upto) if self._archive and self._upto else []
        events = sorted([*early, *late], key=_happened)
        standing = (event for event in events if event.step not in self._void.steps)
        self._go_on_from(_Contents(joined_logs(self._log, standing)), 0, events)

    def add(self, event: Event) -> None:
        """Bring the state forward by one event; an event that is not of the box changes nothing."""
        if event.kind == UNDONE:
            self._undo(self._void.add(event))
        elif event.kind == "box-joined" or (
            event.kind in BOX_KINDS and self._events and _happened(event) < _happened(self._events[-1])
        ):
            self.work_out([*self._events, event])
        elif event.kind in BOX_KINDS:
            self._count(event)

    def _count(self, event: Event) -> None:
        self._events.append(event)
        self._steps.add(event.step)
        if event.step not in self._void.steps:
            self._contents.add(event)
        if self._archive is not None and len(self._events) % (2 * _HALF) == 0:
            self._let_go()

    def _let_go(self) -> None:
        """The first half of the events goes into the base, unless it can't be told from the rest."""
        half = len(self._events) // 2
        first, rest = self._events[:half], self._events[half:]
        steps, upto = {event.step for event in rest}, max(event.seq for event in first)
        if steps.isdisjoint(event.step for event in first) and upto < min(event.seq for event in rest):
            for event in first:
                if event.step not in self._void.steps:
                    self._base.add(event)
            self._upto, self._events, self._steps = upto, rest, steps

    def _undo(self, changed: set[str]) -> None:
        archive = self._archive if self._upto else None
        earlier = (archive.of_step(None, None, step) for step in changed - self._steps) if archive else ()
        if any(event.kind in BOX_KINDS for events in earlier for event in events):
            self.work_out(self._events)
        elif not changed.isdisjoint(self._steps):
            if self._upto:
                self._go_on_from(self._base, self._upto, self._events)
            else:
                self.work_out(self._events)

    def state(self) -> BoxState:
        """Frozen value."""
        return self._contents.state()

    # ------------------------------------------------------------ from a snapshot

    def to_snapshot(self) -> dict[str, Any]:
        """What `from_snapshot` goes on from, in JSON."""
        return {"upto": self._upto, "base": self._base.to_rows()}

    @classmethod
    def from_snapshot(cls, log: str, kept: dict[str, Any], seq: int, void: Voided, archive: Log) -> BoxFold:
        """The fold that `to_snapshot` was asked of at a place in the log. void: what did not stand then.

        Raises ValueError, KeyError, TypeError for what is none, FileError for an event that is damaged.
        """
        fold = cls(log, archive, void)
        late = sorted(archive.events(kinds=BOX_KINDS, after=kept["upto"], upto=seq), key=_happened)
        fold._go_on_from(_Contents.from_rows(kept["base"]), kept["upto"], late)
        return fold


def _happened(event: Event) -> tuple[int, str, int]:
    """Order of events over all logs; each log's own order holds in it, whatever its clock showed."""
    return event.stamp, event.log, event.first_place.seq


def joined_logs(log: str, events: Iterable[Event]) -> set[str]:
    """Logs whose boxes were emptied into this one, and those that were emptied into them before."""
    joining = (event for event in events if event.kind == "box-joined")
    said = [(event.log, data["log"]) for event in joining if (data := said_by(event))]
    logs = {log}
    while more := {other for own, other in said if own in logs} - logs:
        logs |= more
    return logs


@dataclass
class _Contents:
    """What is in the box, changed by each event in turn."""

    logs: set[str]
    """Whose boxes these are."""
    stock: Ledger = field(default_factory=Ledger)
    instruments: dict[str, Instrument] = field(default_factory=dict)
    history: list[Instrument] = field(default_factory=list)
    settings: dict[str, Any] = field(default_factory=dict)
    unread: list[str] = field(default_factory=list)

    def copy(self) -> _Contents:
        return _Contents(**{name: one.copy() for name, one in vars(self).items()})

    def to_rows(self) -> dict[str, Any]:
        return vars(self) | {
            "logs": sorted(self.logs),
            "stock": self.stock.to_rows(),
            "instruments": [self.history.index(one) for one in self.instruments.values()],
            "history": list(map(astuple, self.history)),
        }

    @classmethod
    def from_rows(cls, rows: Mapping[str, Any]) -> _Contents:
        history = [Instrument(*row) for row in rows["history"]]
        named = {history[index].name: history[index] for index in rows["instruments"]}
        stock = Ledger.from_rows(rows["stock"])
        read = {"logs": set(rows["logs"]), "stock": stock, "history": history, "instruments": named}
        return cls(**{**rows, **read})

    def add(self, event: Event) -> None:
        data, fault = read_data(event)
        if data is None:
            self.unread.append(left_out(event, fault))
            return
        if event.kind == "instrument":
            entry = from_json(Instrument, data, time=event.time, event=event.id)
            self.history.append(entry)
            # Another crew's instrument must not change the zero of ours that has the same name.
            if event.log in self.logs or entry.name not in self.instruments:
                self.instruments[entry.name] = entry
        elif event.log in self.logs:
            match event.kind:
                case "stock-imported":
                    self.stock.count_again(from_json(Lot, row) for row in data["lots"])
                case "stock-added":
                    self.stock.put(from_json(Lot, data))
                case "stock-out":
                    self.stock.out(data["lot"], data.get("count"))
                case "taken":
                    self.stock.count_taken(data, partial(from_json, Lot))
                case "setting":
                    self.settings[data["key"]] = data["value"]

    def state(self) -> BoxState:
        return BoxState(
            lots=self.stock.lots(),
            used_up=self.stock.used_up(),
            short=self.stock.short,
            taken_twice=self.stock.taken_twice,
            stock=self.stock.copy(),
            instruments=tuple(self.instruments.values()),
            instrument_history=tuple(self.history),
            settings=dict(self.settings),
            unread=tuple(self.unread),
        )
