"""A crew that logs by hand: short words for the events of a run on an invented jetty."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from itertools import count
from pathlib import Path

import pytest

from shimfit import codec
from shimfit.model import (
    Change,
    Foot,
    Lean,
    Pack,
    Piece,
    Prescription,
    Reading,
    Resting,
    Seat,
    Tolerance,
)
from shimfit.standing import Here, Making
from shimfit.store.events import Draft
from shimfit.store.journal import Journal

TOLERANCE = Tolerance("1:500", "ratio", 0.002)
FOOT = Foot(90.0, 90.0)
HEIGHT_MM = 1000.0
PACK = Pack(Seat.NEXT, 0.9, 0.9, (45.0, 0.0), (Piece("F2", "flat", 0.9),))
OTHER_PACK = Pack(Seat.OUT, 1.5, 1.5, (0.0, 45.0), (Piece("F3", "flat", 1.5),))


class Clock:
    """Clock that goes on one second each time it is looked at, and can be set."""

    def __init__(self, start: str = "2026-05-04T08:00:00+02:00") -> None:
        self.now = datetime.fromisoformat(start)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now

    def set(self, text: str) -> None:
        self.now = datetime.fromisoformat(text)


class Crew:
    """A journal with the words of the site."""

    def __init__(self, journal: Journal, clock: Clock, by: str) -> None:
        self.journal, self.clock, self.by = journal, clock, by

    def log(self, kind, data=None, *, post=None, run="east", job="jetty"):
        return self.journal.append(kind, data, job=job, run=run, post=post, by=self.by)

    def lay_out(self, posts=3, job="jetty", run="east", **more):
        names = {known.name for known in self.journal.jobs()}
        if job not in names:
            self.journal.append("job-added", {"name": job, "sample": False, "units": "mm"}, job=job)
        head = {
            "foot": codec.to_json(FOOT),
            "height_mm": HEIGHT_MM,
            "tolerance": codec.to_json(TOLERANCE),
        } | more
        drafts = [Draft("run-added", head, job, run, by=self.by)]
        drafts += [
            Draft(
                "post-added", {"name": str(n), "leg": 1, "station_mm": 1200.0 * n, "kind": "line"}, job, run
            )
            for n in range(1, posts + 1)
        ]
        self.journal.append_all(drafts)
        return self

    def read(self, post, along=0.009, across=0.0, *, stage="stood", u=0.0002, text=None, **where):
        reading = Reading(text or f"{along} {across}", along, across, HEIGHT_MM, stage, u_along=u, u_across=u)
        return self.log("reading", codec.to_json(reading), post=post, **where)

    def prescribe(self, post, packs=(PACK,), *, change=(), status="proven", **where):
        here = Here(self.journal.log, {"saw_deg": [1.0]}, self.journal.box().lots)
        data = {
            "answer": answer(packs, change=change, status=status),
            "asked": here.asked(Making(), "95", ("saw_deg",)),
        }
        return self.log("prescribed", data, post=post, **where)

    def pack(self, post, *packs, as_prescribed=False, **where):
        rows = [codec.to_json(pack) for pack in packs]
        return self.log("packed", {"packs": rows, "as_prescribed": as_prescribed}, post=post, **where)

    def run(self, job="jetty", run="east", **more):
        return self.journal.run(job, run, **more)

    def post(self, name, **where):
        found = self.run(**where).post(name)
        assert found is not None
        return found


def answer(packs=(PACK,), *, change=(), status="proven"):
    return codec.prescription_to_json(
        Prescription(
            FOOT,
            HEIGHT_MM,
            Lean(0.009, 0.0),
            TOLERANCE,
            tuple(packs),
            Resting(Lean(0.0001, 0.0), 0.0, 0.7),
            within=True,
            status=status,
            why="no piece is thick enough" if status == "impossible" else None,
            change=tuple(change),
        ),
        entry="9mm n 0",
    )


@pytest.fixture
def crew(tmp_path):
    """Make crews, each with a data file of its own; all are closed at the end."""
    opened = []
    numbers = count(1)

    def make(name="north", *, path: Path | None = None, clock: Clock | None = None, **more) -> Crew:
        clock = clock or Clock()
        ids = (f"{name}-{n:06d}" for n in numbers)
        journal = Journal.open(path or tmp_path / f"{name}.db", clock=clock, ids=lambda: next(ids), **more)
        opened.append(journal)
        return Crew(journal, clock, name)

    yield make
    for journal in opened:
        journal.close()


@pytest.fixture
def packs():
    """Two different packs, and a change from one thickness to another."""
    return PACK, OTHER_PACK, Change(Seat.NEXT, 0.9, 1.2)


@pytest.fixture
def make_clock():
    return Clock


@pytest.fixture
def make_answer():
    return answer


@pytest.fixture
def somewhere_else():
    return timezone(timedelta(hours=-8))
