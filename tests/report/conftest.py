"""A boardwalk that nobody built: invented readings, enough of them to fill pages."""

import random
from datetime import UTC, datetime, timedelta

import pytest

from shimfit.model import Foot, Instrument, Lean, Pack, Piece, PostState, Reading, Seat, Tolerance
from shimfit.standing import PostRecord, RunState
from shimfit.store.box import BoxState

START = datetime(2026, 5, 12, 7, 30, tzinfo=UTC)
TOLERANCE = Tolerance(
    "1:500", "ratio", 0.002, source="AISC 303-16, 7.13.1.1 (steel columns), chosen by the user"
)
FOOT = Foot(90.0, 90.0)
U = 0.0003
STATES = {"plumb": PostState.PLUMB, "out": PostState.OUT, "too-close": PostState.TOO_CLOSE}


def standing_by(post, *readings, **other):
    """The post as it stands by these verifying readings, the last of which counts."""
    from dataclasses import replace

    from shimfit.standing import decide

    verdict = decide(readings[-1], post.tolerance, post.rule) if readings else None
    return replace(
        post,
        readings=(*([post.before] if post.before else []), *readings),
        left_out=(),
        reading=readings[-1] if readings else post.before,
        verifying=readings,
        after=readings[-1] if readings else None,
        verdict=verdict,
        state=STATES[verdict.decision] if verdict else PostState.PACK,
        **other,
    )


def reading(lean, when, stage="verify", **other):
    along, across = lean.top_mm(1000.0)
    given = {"by": "Rowan", "instrument": "long level", "u_along": U, "u_across": U} | other
    text = f"{abs(along):.1f}mm{'n' if along >= 0 else 'p'} {abs(across):.1f}mm{'o' if across >= 0 else 'h'}"
    return Reading(text, lean.slope_along, lean.slope_across, 1000.0, stage, time=when.isoformat(), **given)


def packs_for(lean):
    """Two edge middles and a filler, in the way a prescription would name them."""
    along, across = (
        Seat.NEXT if lean.slope_along > 0 else Seat.PREV,
        Seat.OUT if lean.slope_across > 0 else Seat.HOUSE,
    )
    taper = Piece("T1", "taper", 1.0, mark_mm=29.4)
    return (
        Pack(
            along,
            45 * abs(lean.slope_along),
            45 * abs(lean.slope_along),
            (45.0, 0.0),
            (taper, Piece("F2", "flat", 0.5)),
        ),
        Pack(
            across,
            45 * abs(lean.slope_across),
            45 * abs(lean.slope_across),
            (0.0, 45.0),
            (Piece("F4", "flat", 0.8),),
        ),
        Pack(Seat.NEXT_OUT, 1.2, 1.1, (45.0, 45.0), (Piece("F1", "flat", 1.1),), "fill"),
    )


def post(i, chance, *, fall=0.0003, tries=None):
    before = Lean(chance.gauss(0.002, 0.004), chance.gauss(0.006, 0.003) + fall * i)
    when = START + timedelta(minutes=9 * i)
    readings = [reading(before, when, "stood")]
    tries = tries or (1 if chance.random() < 0.75 else 2)
    for k in range(tries):
        sigma = 0.0004 if k == tries - 1 else 0.0016
        after = Lean(chance.gauss(0, sigma), chance.gauss(0, sigma))
        readings.append(reading(after, when + timedelta(minutes=4 + k)))
    return standing_by(
        PostRecord(
            name=str(i + 1),
            leg=1 if i < 12 else 2,
            station_mm=1500.0 * i,
            kind="end" if i == 0 else "corner" if i == 11 else "line",
            foot=FOOT,
            height_mm=1000.0,
            tolerance=TOLERANCE,
            packs_in_place=packs_for(before),
            packed_as_prescribed=i != 3,
            tightened=True,
            torque_nm=24.0 if i % 3 == 0 else None,
            rounds=tries,
            before=readings[0],
            last_time=readings[-1].time,
        ),
        *readings[1:],
    )


def run_of(n, *, seed=7, **other):
    chance = random.Random(seed)
    posts = [post(i, chance) for i in range(n)]
    given = {"due_days": 90, "units": "mm"} | other
    return RunState(
        "North shore boardwalk", "Lake side", FOOT, 1000.0, TOLERANCE, posts=tuple(posts), **given
    )


def box():
    checks = (("2026-04-02T08:00:00+00:00", 0.0002), ("2026-05-12T07:00:00+00:00", 0.00026))
    history = tuple(
        Instrument("long level", "level", 1200.0, 0.0005, 0.5, zero, -0.0001, 0.00008, when, when)
        for when, zero in checks
    )
    return BoxState(instruments=history[-1:], instrument_history=history)


def noted(run_state):
    """The same run with notes, photos, a skipped and an unread post."""
    from dataclasses import replace

    posts = list(run_state.posts)
    note = "Board cupped; planed 1 mm off the high edge before standing the post."
    posts[2] = replace(posts[2], notes=(note,), photos=("IMG_0412.jpg", "IMG_0413.jpg"))
    posts[-2] = PostRecord(
        posts[-2].name,
        2,
        posts[-2].station_mm,
        "line",
        FOOT,
        1000.0,
        TOLERANCE,
        skipped="rod missing",
        state=PostState.SKIPPED,
    )
    return replace(run_state, posts=tuple(posts))


@pytest.fixture(scope="session")
def boardwalk():
    """Makes the RunState of an invented run of n posts."""
    return run_of


@pytest.fixture(scope="session")
def toolbox():
    return box()


@pytest.fixture(scope="session")
def stands_by():
    """A post as it stands by given verifying readings."""
    return standing_by
