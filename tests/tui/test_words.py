"""Lengths and sentences: what a tape can be set to, both sides of a lean, tolerance beside every result."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.model import Foot, Lean, Pack, Piece, PostState, Prescription, Reading, Resting, Seat
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_tolerance
from shimfit.standing import PostRecord, RunState, decide
from shimfit.text.glyphs import UNICODE
from shimfit.text.phrases import Words, post_view

FOOT = Foot(90.0, 90.0)
TOLERANCE = parse_tolerance("1:500")


@pytest.mark.parametrize(
    ("mm", "units", "reported"),
    [
        (29.4, "mm", "29.5 mm"),
        (29.2, "mm", "29 mm"),
        (9.525, "inch", '3/8"'),
        (12.7, "inch", '1/2"'),
        (9.525 + 0.4, "inch", '3/8" strong'),
        (9.525 - 0.4, "inch", '3/8" shy'),
        (34.925, "inch", '1 3/8"'),
        (50.8, "inch", '2"'),
        (0.3, "inch", '1/64"'),
        (0.1, "inch", '0"'),
        (9.525 + 0.8, "inch", '13/32"'),
        (0.0, "inch", '0"'),
    ],
)
def test_a_push_is_told_as_a_tape_shows_it(mm: float, units: str, reported: str) -> None:
    assert shown.tape(mm, units) == reported


@given(st.floats(0, 500))
def test_shown_inches_are_within_half_a_64th(mm: float) -> None:
    figure, rest = shown.on_tape(mm)
    marked = sum(Fraction(part) for part in figure.split(" "))
    said = float(marked) + {"": 0.0, " strong": 1 / 64, " shy": -1 / 64}[rest]
    assert abs(mm / 25.4 - said) <= 1 / 128 + 1e-9


def test_a_small_lean_is_told_as_it_was_typed() -> None:
    assert shown.lean(0.3, "mm") == "0.3 mm"
    assert shown.lean(9.5, "mm") == "9.5 mm"


def record(state: PostState, lean: Lean | None, **more: object) -> tuple[RunState, PostRecord]:
    reading = None
    if lean is not None:
        reading = Reading("typed", lean.slope_along, lean.slope_across, 1000.0)
    readings = (reading,) if reading else ()
    post = PostRecord("7", 1, 0.0, "line", FOOT, 1000.0, TOLERANCE, readings, reading, state=state)
    post = replace(post, prescription_is_current=True)
    return RunState("heron", "jetty", FOOT, 1000.0, TOLERANCE), replace(post, **more)


def answer(lean: Lean, *packs: Pack, status: str = "proven", why: str | None = None) -> Prescription:
    return Prescription(
        FOOT, 1000.0, lean, TOLERANCE, packs, Resting(Lean(0.0002, 0.0), 0.0, 0.8), True, status, why=why
    )


def reported(run: RunState, post: PostRecord, **more: object):
    return post_view(post, Words(run, UNICODE, **more))


def test_lean_and_edge_are_always_told_together() -> None:
    lean = Lean(0.0, 0.012)
    taper = Piece("T1", "taper", 1.1, mark_mm=29.4)
    prescription = answer(lean, Pack(Seat.OUT, 1.1, 1.1, (0.0, 45.0), (taper,)))
    view = reported(*record(PostState.PACK, lean, prescription=prescription))
    assert view.lean == "TOP leans 12 mm ↑ out"
    assert "Pack the OUT edge" in view.do
    assert view.packs[0].where == "OUT edge"
    assert view.packs[0].what == "T1 push to 29.5 mm"
    assert view.packs[0].figure == "29.5"
    assert view.result == "12.0 off now · about 0.2 after this; allowed 2.0 mm"


def test_in_the_runs_own_names_and_spoken_without_arrows() -> None:
    run, post = record(PostState.PACK, Lean(0.01, -0.01), prescription=answer(Lean(0.01, -0.01)))
    run = replace(run, face_names=(("out", "lake"), ("house", "lawn")))
    view = reported(run, post)
    assert view.lean == "TOP leans 10 mm → next, 10 mm ↓ lawn"
    assert "NEXT and LAWN edges" in view.do
    assert reported(run, post, words_only=True).lean == "TOP leans 10 mm towards next, 10 mm towards lawn"


@pytest.mark.parametrize("state", list(PostState))
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_every_result_has_its_tolerance_beside_it(state: PostState, units: str) -> None:
    lean = None if state in (PostState.TO_READ, PostState.HALF_READ) else Lean(0.003, 0.001)
    run, post = record(state, lean, skipped="no access" if state is PostState.SKIPPED else None)
    view = reported(run, post, units=units)
    assert view.word
    assert view.do
    if lean is None:
        assert view.result == ""
    else:
        assert "off" in view.result.lower()
        assert ("allowed 2.0 mm" if units == "mm" else 'allowed 1/16" strong') in view.result


def test_impossible_says_why() -> None:
    lean = Lean(0.02, 0.0)
    prescription = answer(lean, status="impossible", why="next needs 1.8 mm: nothing in the box makes it")
    view = reported(*record(PostState.OUT, lean, prescription=prescription))
    assert view.do == "No pack from this box can do it"
    assert "nothing in the box makes it" in view.remarks[0]


def test_left_out_beside_the_other_posts_is_not_said_to_be_impossible() -> None:
    lean = Lean(0.02, 0.0)
    prescription = answer(
        lean,
        status="impossible",
        why="enough for it alone, not beside the others: buy more",
    )
    view = reported(*record(PostState.OUT, lean, prescription=prescription))
    assert view.do == "Not from this box beside the other posts"


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_figures_side_by_side_subtract(units: str) -> None:
    """A post too close to call names its margin only where its two figures look alike."""
    named = 0
    for hundredths in range(150, 251):
        run, post = record(PostState.TOO_CLOSE, Lean(hundredths / 1e5, 0.0))
        read = replace(post.readings[0], u_along=0.0003, u_across=0.0003)
        post = replace(post, readings=(read,), reading=read, after=read, verifying=(read,))
        post = replace(post, verdict=decide(read, TOLERANCE, "95"))
        said = reported(run, post, units=units).result
        off, allowed = (shown.fine(mm, units) for mm in (hundredths / 1e5 * 1000.0, 2.0))
        assert said.startswith(f"{off.capitalize()} off, allowed {allowed}")
        assert any(word in said for word in ("inside", "beyond", "on the limit")) == (off == allowed)
        named += off == allowed
    assert named > 5
