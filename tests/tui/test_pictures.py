"""Pictures are plain values: packs on the side that the top leans to, to scale, in both sign sets."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.model import Face, Foot, Lean, Pack, PostState, Seat
from shimfit.text.canvas import HEIGHT, STACKED_HEIGHT, Canvas, numerals, stacked
from shimfit.text.glyphs import ASCII, ROLES, UNICODE
from shimfit.text.phrases import entering_face, low_face
from shimfit.text.pictures import (
    SPANS,
    PostInRun,
    elevation,
    foot_plan,
    run_as_it_stands,
    run_in_plan,
    span_for,
    strip,
    target,
    trend,
)

NAMES = {face: face.value for face in Face}
FOOT = Foot(90.0, 90.0)
slopes = st.floats(-0.05, 0.05)
sizes = st.tuples(st.integers(0, 120), st.integers(0, 50))


def pack(seat: Seat, purpose: str = "lift") -> Pack:
    return Pack(seat, 1.0, 1.0, (0.0, 0.0), purpose=purpose)


def cells(canvas: Canvas, role: str) -> list[tuple[int, int]]:
    """(x, y) of every cell in a role."""
    found = []
    for y in range(canvas.height):
        x = 0
        for text, roles in canvas.runs(y):
            if role in roles.split():
                found += [(x + index, y) for index in range(len(text))]
            x += len(text)
    return found


@pytest.mark.parametrize("seat", list(Seat))
@pytest.mark.parametrize("size", [(40, 8), (52, 13), (60, 25)])
def test_a_pack_is_drawn_on_its_own_side(seat: Seat, size: tuple[int, int]) -> None:
    lean = Lean(0.008 * seat.sign_along, 0.005 * seat.sign_across)
    width, height = size
    drawn = foot_plan(FOOT, [pack(seat)], lean, 1000, names=NAMES, glyphs=UNICODE, width=width, height=height)
    where = cells(drawn, "lift") + cells(drawn, "number")
    frame = [x for x, y in cells(drawn, "frame")], [y for x, y in cells(drawn, "frame")]
    left, right, top, bottom = min(frame[0]), max(frame[0]), min(frame[1]), max(frame[1])
    face = low_face(seat, lean)
    assert where
    for x, y in where:
        assert {
            Face.NEXT: x > right,
            Face.PREV: x < left,
            Face.OUT: y < top,
            Face.HOUSE: y > bottom,
        }[face]


def test_packs_bear_the_numbers_that_they_have_in_the_list() -> None:
    """Whatever order an answer has them in: those that lift first, the thickest first, then the fillers."""
    only, thin, thick = (
        replace(pack(seat), purpose=purpose, made_mm=made_mm)
        for seat, purpose, made_mm in zip(
            (Seat.NEXT, Seat.OUT, Seat.PREV), ("fill", "lift", "lift"), (2.0, 0.5, 1.5), strict=True
        )
    )
    size = {"width": 60, "height": 25}
    drawn = foot_plan(FOOT, [only, thin, thick], None, 1000, names=NAMES, glyphs=UNICODE, **size)
    row_of = {text: y for y, row in enumerate(drawn.text().splitlines()) for text in "123" if text in row}
    numbered = [line for line in drawn.text().splitlines() if "1" in line or "3" in line]
    assert row_of["2"] < min(row_of["1"], row_of["3"]), "the thin lift lies under the out edge"
    assert len(numbered) == 1
    assert numbered[0].index("1") < numbered[0].index("3"), "the thick lift under prev, the filler under next"


@pytest.mark.parametrize("seat", [Seat.NEXT_OUT, Seat.PREV, Seat.HOUSE])
@pytest.mark.parametrize("inside_mm", [20.0, 32.0])
def test_what_lies_under_the_foot_is_drawn_as_far_in_as_it_goes(seat: Seat, inside_mm: float) -> None:
    lean = Lean(0.008 * seat.sign_along, 0.005 * seat.sign_across)
    flats = replace(pack(seat), inside_mm=inside_mm)
    size = {"width": 120, "height": 50}
    drawn = foot_plan(FOOT, [flats], lean, 1000, names=NAMES, glyphs=UNICODE, **size)
    face = low_face(seat, lean)
    axis = 0 if face.is_along else 1
    frame = [at[axis] for at in cells(drawn, "frame")]
    low, high = min(frame), max(frame)
    under = {at[axis] for at in cells(drawn, "lift") if low < at[axis] < high}
    # The frame's own cell is the first of those that it goes in by.
    assert len(under) + 1 == pytest.approx(inside_mm / 90.0 * (high - low + 1), abs=1.0)
    assert (high - 1 if face in (Face.NEXT, Face.HOUSE) else low + 1) in under


def test_a_corner_pack_goes_in_from_the_steeper_low_face() -> None:
    # commands.md: "at a corner from the low face, the steeper of the two (along the run on a tie)"
    assert low_face(Seat.NEXT_OUT, Lean(0.01, 0.005)) is Face.NEXT
    assert low_face(Seat.NEXT_OUT, Lean(0.005, 0.01)) is Face.OUT
    assert low_face(Seat.NEXT_OUT, Lean(0.01, 0.01)) is Face.NEXT
    assert low_face(Seat.PREV_OUT, Lean(0.01, 0.005)) is Face.OUT, "prev is the high side"
    assert low_face(Seat.NEXT_HOUSE, Lean(0.005, 0.01)) is Face.NEXT, "house is the high side"
    pushed = replace(pack(Seat.NEXT_OUT), enters=Face.OUT)
    assert entering_face(pushed, Lean(0.01, 0.005)) is Face.OUT, "it stays so, whatever is left of the lean"


@pytest.mark.parametrize(
    ("lean", "arrow"),
    [
        (Lean(0.01, 0.0), "→"),
        (Lean(-0.01, 0.0), "←"),
        (Lean(0.0, 0.01), "↑"),
        (Lean(0.0, -0.01), "↓"),
        (Lean(0.01, 0.01), "↗"),
        (Lean(-0.01, 0.01), "↖"),
        (Lean(0.01, -0.01), "↘"),
        (Lean(-0.01, -0.01), "↙"),
    ],
)
def test_the_arrow_points_where_the_top_leans(lean: Lean, arrow: str) -> None:
    for size in ((40, 6), (60, 25)):
        drawn = foot_plan(FOOT, [], lean, 1000, names=NAMES, glyphs=UNICODE, width=size[0], height=size[1])
        assert arrow in drawn.text()
    frame = cells(drawn, "frame")
    middle = (sum(x for x, _ in frame) / len(frame), sum(y for _, y in frame) / len(frame))
    head = next((x, y) for x, y in cells(drawn, "arrow") if drawn.text().split("\n")[y][x] == arrow)
    for is_beyond, slope in (
        (head[0] - middle[0], lean.slope_along),
        (middle[1] - head[1], lean.slope_across),
    ):
        assert (is_beyond > 1) == (slope > 0)
        assert (is_beyond < -1) == (slope < 0)


def test_the_arrow_is_to_scale() -> None:
    # 12 mm over a foot of 90 mm: 12/90 of the frame's width, times the factor that the picture names.
    drawn = foot_plan(FOOT, [], Lean(0.012, 0.0), 1000, names=NAMES, glyphs=UNICODE, width=80, height=25)
    columns = [x for x, y in cells(drawn, "frame")]
    side = max(columns) - min(columns) + 1
    arrow = [x for x, _ in cells(drawn, "arrow")]
    factor = int(drawn.text().partition("arrow ×")[2].split()[0])
    length = max(arrow) - (min(columns) + side // 2)
    assert length == pytest.approx(12 / 90 * side * factor, abs=1.0)


@given(slopes, slopes, sizes)
def test_no_size_and_no_lean_breaks_a_picture(along: float, across: float, size: tuple[int, int]) -> None:
    lean, (width, height) = Lean(along, across), size
    packs = [pack(seat, "fill" if seat.is_corner else "lift") for seat in Seat]
    top = lean.top_mm(1000)
    span = span_for(math.hypot(*top), 2.0)
    drawn = [
        foot_plan(FOOT, packs, lean, 1000, names=NAMES, glyphs=ASCII, width=width, height=height),
        target(top, 2.0, span=span, names=NAMES, glyphs=ASCII, width=width, height=height),
        elevation(lean, 1000, names=NAMES, glyphs=ASCII, width=width, height=height),
        trend([3.0, 0.0, 1.0], 2.0, glyphs=ASCII, width=width, height=height),
        run_as_it_stands(
            [
                PostInRun("1", 0, PostState.PACK, top_mm=top),
                PostInRun("2", 1200, PostState.TO_READ, top_mm=None),
            ],
            0,
            names=NAMES,
            glyphs=ASCII,
            width=width,
            height=height,
        ),
    ]
    for canvas in drawn:
        assert all(len(row) <= width for row in canvas.text().split("\n"))
        assert canvas.text().isascii()


def test_the_mark_is_within_the_ring_exactly_when_the_top_is_within_the_tolerance() -> None:
    for off, role in ((1.9, "within"), (2.1, "beyond")):
        drawn = target((off, 0.0), 2.0, span=2.0, names=NAMES, glyphs=UNICODE, width=40, height=19)
        assert cells(drawn, role)
        assert not cells(drawn, "beyond" if role == "within" else "within")


def test_the_scale_does_not_flicker() -> None:
    assert span_for(1.0, 2.0) == SPANS[0]
    wide = span_for(7.0, 2.0)
    assert wide == 4.0
    assert span_for(3.8, 2.0, wide) == wide, "kept while the mark fits it well"
    assert span_for(0.5, 2.0, wide) == SPANS[0]
    assert span_for(9.0, 2.0, wide) == 8.0


def test_a_long_run_shows_the_stretch_around_the_post_on_screen() -> None:
    states = [PostState.PLUMB] * 50 + [PostState.PACK] + [PostState.TO_READ] * 949
    row = strip(states, 50, glyphs=UNICODE, width=40).text()
    assert len(row) == 40
    assert row.count("▸") == 1
    assert row.startswith("‹")
    assert row.endswith("›")
    assert strip(states[48:53], 2, glyphs=UNICODE, width=40).text() == "✓✓▸··"


def test_every_state_differs_by_sign_in_both_sets() -> None:
    for glyphs in (UNICODE, ASCII):
        assert len({glyphs.states[state] for state in PostState}) == len(PostState)
        assert all(len(sign) == 1 for sign in glyphs.states.values())
    assert all(sign.isascii() for sign in ASCII.states.values())
    assert len(set(ROLES.values())) == len(PostState)


def test_numerals_are_three_rows_and_fractions_stack() -> None:
    assert numerals("29.5", blocks=True).text() == ("▀▀█ █▀█   █▀▀\n█▀▀ ▀▀█   ▀▀█\n▀▀▀ ▀▀▀ ▀ ▀▀▀")
    assert numerals("1/2", blocks=False).height == HEIGHT
    assert numerals("1/2", blocks=False).text().isascii()
    figure = stacked("1", "3", "8", blocks=True, bar="─")
    assert figure.height == STACKED_HEIGHT
    assert "───" in figure.text().split("\n")[HEIGHT]


def test_digits_can_be_told_apart() -> None:
    for blocks in (True, False):
        shapes = {numerals(digit, blocks=blocks).text() for digit in "0123456789/.-+"}
        assert len(shapes) == 14


def test_leans_are_exaggerated_alike_for_every_post() -> None:
    posts = [
        PostInRun("1", 0, PostState.PACK, top_mm=(10.0, 0.0)),
        PostInRun("2", 2000, PostState.PACK, top_mm=(-10.0, 0.0)),
        PostInRun("3", 4000, PostState.TO_READ, top_mm=None),
    ]
    drawn = run_as_it_stands(posts, 2, names=NAMES, glyphs=ASCII, width=80, height=14)
    top, foot = drawn.text().split("\n")[0], drawn.text().split("\n")[5]
    upper = [x for x, sign in enumerate(top) if sign == "|"]
    lower = [x for x, sign in enumerate(foot) if sign == "|"]
    assert len(upper) == len(lower) == 3
    shifts = [a - b for a, b in zip(upper, lower, strict=True)]
    assert shifts[0] == pytest.approx(-shifts[1], abs=1)
    assert shifts[0] > 0 > shifts[1]
    assert shifts[2] == 0


def test_a_run_in_plan_turns_where_its_corners_turn() -> None:
    """Right, down towards the house, then back: a sign at each post, a length at each leg."""
    turns = (None, None, -90.0, None, -90.0, None)
    stations = (0.0, 1000.0, 2000.0, 3000.0, 4000.0, 5000.0)
    marks = [
        PostInRun(str(number), station, PostState.PLUMB if number == 1 else PostState.TO_READ, turn)
        for number, (station, turn) in enumerate(zip(stations, turns, strict=True), start=1)
    ]
    names = {face: face.value for face in Face}
    rows = (
        run_in_plan(marks, 0, length=lambda mm: f"{mm:.0f}", names=names, glyphs=UNICODE, width=60, height=16)
        .text()
        .splitlines()
    )
    signs = [(x, y) for y, row in enumerate(rows) for x, sign in enumerate(row) if sign in "✓·"]
    assert len(signs) == 6
    first, second, corner = sorted(signs, key=lambda at: (at[1], at[0]))[:3]
    assert first[1] == second[1] == corner[1], "the first leg is level"
    assert max(y for _, y in signs) > corner[1], "and the second goes down"
    assert min(x for x, y in signs if y == max(y for _, y in signs)) < corner[0], "the third comes back"
    assert sum(row.count("2000") for row in rows) == 2
    assert "1000" in "\n".join(rows)
