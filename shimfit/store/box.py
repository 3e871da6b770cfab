"""The carpenter's box, worked out event by event: lots with what is left, instruments, settings.

A box belongs to a data file. Events of the box that came from another crew's file by import stay in the log
but move nothing here, until `box-joined {log}` says that the other box was emptied into this one (as when
everything moves to a new machine). Instruments are told apart by name and known from all logs, so that a
record can name what a reading was taken with.

stock-imported: the lots as counted, replacing lots of the same name · stock-added: pieces put in ·
stock-out: pieces gone, all when no count is given · taken: which pieces went into packs, what was cut from
which copy, and what came out and goes back (core/ledger). Events count in the order in which they happened,
so that files which hold the same events hold the same box, in whatever order they were imported.
"""

from __future__ import annotations

from bisect import insort
from typing import TYPE_CHECKING, Any

from shimfit.core.ledger import Ledger
from shimfit.model import Instrument, Lot
from shimfit.store.shapes import left_out, number, read_data
from shimfit.store.state import BoxState
from shimfit.store.steps import UNDONE, Voided

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from shimfit.store.events import Event

BOX_KINDS = (
    "stock-imported",
    "stock-added",
    "stock-out",
    "taken",
    "instrument",
    "setting",
    "box-joined",
)


def fold_box(events: Iterable[Event], log: str) -> BoxState:
    """State of the box of a log, from its events and every `undone`, in order."""
    fold = BoxFold(log)
    for event in events:
        fold.add(event)
    return fold.state()


class BoxFold:
    """State of the box, brought forward by `add`; what an `undone` touches is worked out again."""

    def __init__(self, log: str) -> None:
        self._log = log
        self._events: list[Event] = []
        self._steps: set[str] = set()
        self._void = Voided()
        self._contents = _Contents({log})

    def add(self, event: Event) -> None:
        """Bring the state forward by one event; an event that is not of the box changes nothing."""
        if event.kind == UNDONE:
            if not self._steps.isdisjoint(self._void.add(event)):
                self._rebuild()
        elif event.kind in BOX_KINDS:
            in_order = not self._events or _happened(self._events[-1]) < _happened(event)
            insort(self._events, event, key=_happened)
            self._steps.add(event.step)
            if event.kind == "box-joined" or not in_order:
                self._rebuild()
            elif event.step not in self._void.steps:
                self._contents.add(event)

    def _rebuild(self) -> None:
        standing = [event for event in self._events if event.step not in self._void.steps]
        self._contents = _Contents(_joined(self._log, standing))
        for event in standing:
            self._contents.add(event)

    def state(self) -> BoxState:
        """Frozen value."""
        return self._contents.state()


def _happened(event: Event) -> tuple[int, str, int]:
    """Order of events over all logs; each log's own order holds in it, whatever its clock showed."""
    return event.stamp, event.log, event.first_place.seq


def _joined(log: str, events: Iterable[Event]) -> set[str]:
    """Logs whose boxes were emptied into this one, and those that were emptied into them before."""
    joining = (event for event in events if event.kind == "box-joined")
    said = [(event.log, data["log"]) for event in joining if (data := read_data(event)[0])]
    logs = {log}
    while more := {other for own, other in said if own in logs} - logs:
        logs |= more
    return logs


class _Contents:
    """What is in the box, changed by each event in turn."""

    def __init__(self, logs: set[str]) -> None:
        self._logs = logs
        self._stock = Ledger()
        self._instruments: dict[str, Instrument] = {}
        self._history: list[Instrument] = []
        self._settings: dict[str, Any] = {}
        self._unread: list[str] = []
        self._last_seq = 0

    def add(self, event: Event) -> None:
        data, trouble = read_data(event)
        if data is None:
            self._unread.append(left_out(event, trouble))
            return
        if event.kind == "instrument":
            self._instrument(event, data)
        elif event.log in self._logs:
            self._move(event.kind, data)
        self._last_seq = max(self._last_seq, event.seq)

    def _move(self, kind: str, data: dict[str, Any]) -> None:
        match kind:
            case "stock-imported":
                self._stock.count_again(lot_from_row(row) for row in data["lots"])
            case "stock-added":
                self._stock.put(lot_from_row(data))
            case "stock-out":
                self._stock.out(data["lot"], data.get("count"))
            case "taken":
                self._stock.count_taken(data, lot_from_row)
            case "setting":
                self._settings[data["key"]] = data["value"]

    def _instrument(self, event: Event, data: dict[str, Any]) -> None:
        entry = Instrument(
            name=data["name"],
            kind=data["kind"],
            length_mm=number(data.get("length_mm")),
            accuracy_slope=number(data.get("accuracy_slope")),
            graduation_mm=number(data.get("graduation_mm")),
            zero_along=float(data.get("zero_along") or 0.0),
            zero_across=float(data.get("zero_across") or 0.0),
            u_zero=number(data.get("u_zero")),
            checked=data.get("checked"),
            axes=data.get("axes"),
            zero_degc=number(data.get("zero_degc")),
            dropped=data.get("dropped"),
            floor_deg=number(data.get("floor_deg")),
            memory_s=number(data.get("memory_s")),
            serial=data.get("serial"),
            time=event.time,
            event=event.id,
        )
        self._history.append(entry)
        # Another crew's instrument must not change the zero of ours that has the same name.
        if event.log in self._logs or entry.name not in self._instruments:
            self._instruments[entry.name] = entry

    def state(self) -> BoxState:
        return BoxState(
            lots=self._stock.lots(),
            used_up=self._stock.used_up(),
            short=self._stock.short,
            taken_twice=self._stock.taken_twice,
            stock=self._stock.copy(),
            instruments=tuple(self._instruments.values()),
            instrument_history=tuple(self._history),
            settings=dict(self._settings),
            last_seq=self._last_seq,
            unread=tuple(self._unread),
        )


def lot_from_row(row: Mapping[str, Any]) -> Lot:
    """Lot of a stock row whose shape was checked."""
    sizes = {key: number(row.get(key)) for key in _SIZES}
    return Lot(
        lot=row["lot"],
        form=row["form"],
        count=row["count"],
        material=row.get("material", ""),
        origin=row.get("origin", "offcut"),
        note=row.get("note", ""),
        **sizes,
    )


_SIZES = ("length_mm", "width_mm", "thickness_mm", "thin_mm", "thick_mm")
