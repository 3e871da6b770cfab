"""The carpenter's box, worked out event by event: lots with what is left, instruments, settings.

A box belongs to a data file. Events of the box that came from another crew's file by import stay in the log
but move nothing here, until `box-joined {log}` says that the other box was emptied into this one (as when
everything moves to a new machine). Instruments are told apart by name and known from all logs, so that a
record can name what a reading was taken with.

stock-imported: the lots as counted, replacing lots of the same name · stock-added: pieces put in · stock-out:
pieces gone, all when no count is given · taken: pieces used for a pack, with remainders that go back as lots.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimfit.model import Lot
from shimfit.store.fold import trouble_with, unread_because
from shimfit.store.state import BoxState, InstrumentRecord
from shimfit.store.steps import UNDONE, voided_steps

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
        self._undone: list[Event] = []
        self._void: frozenset[str] = frozenset()
        self._contents = _Contents({log})

    def add(self, event: Event) -> None:
        """Bring the state forward by one event; an event that is not of the box changes nothing."""
        if event.kind == UNDONE:
            if trouble_with(event) is None:
                self._undone.append(event)
                before, self._void = self._void, voided_steps(self._undone)
                if not self._steps.isdisjoint(before ^ self._void):
                    self._rebuild()
        elif event.kind in BOX_KINDS:
            self._events.append(event)
            self._steps.add(event.step)
            if event.kind == "box-joined":
                self._rebuild()
            elif event.step not in self._void:
                self._contents.add(event)

    def _rebuild(self) -> None:
        standing = [event for event in self._events if event.step not in self._void]
        self._contents = _Contents(_joined(self._log, standing))
        for event in standing:
            self._contents.add(event)

    def state(self) -> BoxState:
        """Frozen value."""
        return self._contents.state()


def _joined(log: str, events: Iterable[Event]) -> set[str]:
    """Logs whose boxes were emptied into this one, and those that were emptied into them before."""
    said = [(event.log, event.data["log"]) for event in events if _joins(event)]
    logs = {log}
    while more := {other for own, other in said if own in logs} - logs:
        logs |= more
    return logs


def _joins(event: Event) -> bool:
    return event.kind == "box-joined" and trouble_with(event) is None


class _Contents:
    """What is in the box, changed by each event in turn."""

    def __init__(self, logs: set[str]) -> None:
        self._logs = logs
        self._lots: dict[str, Lot] = {}
        self._short: dict[str, int] = {}
        self._instruments: dict[str, InstrumentRecord] = {}
        self._history: list[InstrumentRecord] = []
        self._settings: dict[str, Any] = {}
        self._unread: list[str] = []
        self._last_seq = 0

    def add(self, event: Event) -> None:
        trouble = trouble_with(event)
        if trouble is not None:
            self._unread.append(unread_because(event, trouble))
            return
        if event.kind == "instrument":
            self._instrument(event, event.data)
        elif event.log in self._logs:
            self._move(event.kind, event.data)
        self._last_seq = max(self._last_seq, event.seq)

    def _move(self, kind: str, data: dict[str, Any]) -> None:
        match kind:
            case "stock-imported":
                self._count_again(data["lots"])
            case "stock-added":
                _put(self._lots, lot_from_row(data))
            case "stock-out":
                lot = self._lots.get(data["lot"])
                count = data.get("count")
                self._take(data["lot"], (lot.count if lot else 0) if count is None else count)
            case "taken":
                for used in data["used"]:
                    self._take(used["lot"], used.get("count", 1))
                for row in data.get("back", ()):
                    _put(self._lots, lot_from_row(row))
            case "setting":
                self._settings[data["key"]] = data["value"]

    def _count_again(self, rows: list[dict[str, Any]]) -> None:
        counted: dict[str, Lot] = {}
        for row in rows:
            _put(counted, lot_from_row(row))
        self._lots |= counted

    def _take(self, name: str, count: int) -> None:
        lot = self._lots.get(name)
        there = lot.count if lot else 0
        if lot is not None:
            self._lots[name] = replace(lot, count=max(0, there - count))
        if count > there:
            self._short[name] = self._short.get(name, 0) + count - there

    def _instrument(self, event: Event, data: dict[str, Any]) -> None:
        entry = InstrumentRecord(
            name=data["name"],
            kind=data["kind"],
            length_mm=_number(data.get("length_mm")),
            accuracy_slope=_number(data.get("accuracy_slope")),
            graduation_mm=_number(data.get("graduation_mm")),
            zero_along=float(data.get("zero_along") or 0.0),
            zero_across=float(data.get("zero_across") or 0.0),
            u_zero=_number(data.get("u_zero")),
            checked=data.get("checked"),
            time=event.time,
            event=event.id,
        )
        self._history.append(entry)
        # Another crew's instrument must not change the zero of ours that has the same name.
        if event.log in self._logs or entry.name not in self._instruments:
            self._instruments[entry.name] = entry

    def state(self) -> BoxState:
        lots = tuple(self._lots.values())
        return BoxState(
            lots=tuple(lot for lot in lots if lot.count),
            used_up=tuple(lot for lot in lots if not lot.count),
            short=tuple(self._short.items()),
            instruments=tuple(self._instruments.values()),
            instrument_history=tuple(self._history),
            settings=dict(self._settings),
            last_seq=self._last_seq,
            unread=tuple(self._unread),
        )


def _put(lots: dict[str, Lot], lot: Lot) -> None:
    """Put pieces in: more of a lot that is alike, else a lot of its own (`A2`, `A2 (2)`): never mixed."""
    name, number = lot.lot, 1
    while name in lots:
        there = lots[name]
        if replace(there, count=0, note="") == replace(lot, lot=name, count=0, note=""):
            lots[name] = replace(there, count=there.count + lot.count)
            return
        number += 1
        name = f"{lot.lot} ({number})"
    lots[name] = replace(lot, lot=name)


def lot_from_row(row: Mapping[str, Any]) -> Lot:
    """Lot of a stock row whose shape was checked."""
    sizes = {key: _number(row.get(key)) for key in _SIZES}
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


def _number(value: Any) -> float | None:
    return None if value is None else float(value)
