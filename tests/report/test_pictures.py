"""The rule of the picture: a pack is drawn on the side that the top leans to; next is right, out is up."""

from dataclasses import replace
from itertools import pairwise

import pytest

from shimfit.model import Face, Foot, Lean, Pack, Piece, Seat
from shimfit.report import pictures
from shimfit.report.page import Box, Sheet
from shimfit.report.record import LogStamp, run_record
from shimfit.text.phrases import low_face

FOOT = Foot(90.0, 90.0)


class Drawn(Sheet):
    """A sheet that remembers what was drawn."""

    def __init__(self) -> None:
        super().__init__("a4", title="", subject="", made=None)
        self.new_page()
        self.rects, self.arrows, self.circles, self.lines, self.texts = [], [], [], [], {}

    def rect(self, box, **kinds):
        self.rects.append((box, kinds.get("fill")))

    def arrow(self, x0, y0, x1, y1, **_):
        self.arrows.append((x1 - x0, y1 - y0))

    def circle(self, x, y, radius, **kinds):
        self.circles.append((x, y, radius, kinds.get("fill")))

    def line(self, x0, y0, x1, y1, **kinds):
        self.lines.append((x0, y0, x1, y1, kinds))

    def text(self, x, y, text, *_, **__):
        self.texts[text] = (x, y)


@pytest.fixture
def sheet():
    with Drawn() as drawn:
        yield drawn


@pytest.mark.parametrize("seat", list(Seat))
@pytest.mark.parametrize("purpose", ["lift", "fill"])
def test_a_pack_is_drawn_at_its_seat_inside_the_foot(sheet, seat, purpose):
    pack = Pack(seat, 1.0, 1.0, (0.0, 0.0), (), purpose)
    pictures.draw_pack(sheet, (50.0, 60.0), FOOT, 0.2, pack, face=low_face(seat, None))
    ((box, fill),) = sheet.rects
    x, y = box.x + box.width / 2, box.y + box.height / 2
    assert (x > 50) - (x < 50) == seat.sign_along
    assert (y < 60) - (y > 60) == seat.sign_across  # the page's y grows downwards, out is up
    assert box.x >= 50 - 9 - 1e-9
    assert box.right <= 50 + 9 + 1e-9
    assert box.y >= 60 - 9 - 1e-9
    assert box.bottom <= 60 + 9 + 1e-9
    assert fill == (0.0 if purpose == "lift" else 1.0)


@pytest.mark.parametrize("face", [Face.NEXT, Face.OUT])
def test_a_taper_is_drawn_from_its_face_as_far_in_as_its_mark_goes(sheet, face):
    taper = Piece("T1", "taper", 1.8, mark_mm=40.0, trim_tip_mm=12.0)
    pack = Pack(Seat.NEXT_OUT, 1.0, 1.0, (0.0, 0.0), (taper,), enters=face)
    pictures.draw_pack(sheet, (50.0, 60.0), FOOT, 0.2, pack, face=face)
    ((box, _),) = sheet.rects
    size = box.width, box.height
    assert size == pytest.approx((28 * 0.2, 30 * 0.2) if face is Face.NEXT else (30 * 0.2, 28 * 0.2))


def example(boardwalk, lean, seat):
    run = boardwalk(1)
    before = replace(run.posts[0].before, slope_along=lean.slope_along, slope_across=lean.slope_across)
    post = replace(run.posts[0], before=before, packs_in_place=(Pack(seat, 1.0, 1.25, (0.0, 0.0)),))
    return run_record(replace(run, posts=(post,)), LogStamp(1, "00"))


@pytest.mark.parametrize(
    ("lean", "seat"),
    [
        (Lean(0.01, 0.0), Seat.NEXT),
        (Lean(-0.01, 0.0), Seat.PREV),
        (Lean(0.0, 0.01), Seat.OUT),
        (Lean(0.0, -0.01), Seat.HOUSE),
    ],
)
def test_arrow_of_the_top_points_at_the_pack(sheet, boardwalk, lean, seat):
    record = example(boardwalk, lean, seat)
    pictures.post_plan(sheet, Box(0, 0, 50, 30), record, record.run.posts[0])
    ((along, down),) = sheet.arrows
    pack, _ = sheet.rects[-1]
    px, py = pack.x + pack.width / 2 - 25, pack.y + pack.height / 2 - 15
    # Same direction: no part across, and the way is the same.
    assert along * py - down * px == pytest.approx(0.0, abs=1e-6 * max(abs(along), abs(down)) * 30)
    assert along * px + down * py > 0
    assert "1.25" in sheet.texts


def test_faces_are_named_on_their_sides(sheet, boardwalk):
    record = example(boardwalk, Lean(0.01, 0.0), Seat.NEXT)
    pictures.post_plan(sheet, Box(0, 0, 50, 30), record, record.run.posts[0])
    assert sheet.texts["next → +"][0] > 25 > sheet.texts["prev"][0]
    assert sheet.texts["out ↑ +"][1] < 15 < sheet.texts["house"][1]


@pytest.mark.parametrize(("slope", "side"), [(0.004, 1), (-0.004, -1)])
def test_run_picture_leans_the_way_the_post_does_and_to_the_stated_scale(
    sheet, boardwalk, slope, side, stands_by
):
    run = boardwalk(3)
    posts = [stands_by(p, replace(p.after, slope_along=slope)) for p in run.posts]
    rows = replace(run, posts=tuple(posts)).posts
    box = Box(10, 10, 100, 16)
    scale = pictures.run_scale(rows, box)
    pictures.elevation(sheet, box, rows, scale)
    solid = [line for line in sheet.lines if not line[4].get("dash") and line[1] > line[3] + 10]
    assert len(solid) == 3
    for x0, y0, x1, y1, _ in solid:
        assert x1 - x0 == pytest.approx(side * 4.0 * scale.per_mm)
        assert y0 - y1 == pytest.approx(pictures.POST_MM)


@pytest.mark.parametrize(("lean", "to"), [(Lean(0.001, 0.0), (1, 0)), (Lean(0.0, -0.001), (0, -1))])
def test_target_dot_lies_where_the_top_is(sheet, boardwalk, lean, to, stands_by):
    right, up = to
    run = boardwalk(1)
    after = replace(run.posts[0].after, slope_along=lean.slope_along, slope_across=lean.slope_across)
    post = stands_by(run.posts[0], after)
    rows = replace(run, posts=(post,)).posts
    box = Box(0, 0, 40, 12)
    pictures.targets(sheet, box, rows, pictures.run_scale(rows, box))
    (cx, cy, radius, _), (x, y, *_) = sheet.circles
    # 1 mm of the 2 mm allowed: half a radius.
    assert (x - cx, cy - y) == pytest.approx((right * radius / 2, up * radius / 2))


def test_stations_are_to_scale_where_there_is_room_and_even_where_not(boardwalk):
    box = Box(0, 0, 100, 16)
    rows = boardwalk(4).posts
    uneven = [
        replace(row, station_mm=mm) for row, mm in zip(rows, (0.0, 1200.0, 3000.0, 4500.0), strict=True)
    ]
    first, second, third, last = pictures.run_scale(uneven, box).xs
    assert (second - first) / (last - first) == pytest.approx(1200 / 4500)
    crowded = [replace(row, station_mm=mm) for row, mm in zip(rows, (0.0, 10.0, 20.0, 4500.0), strict=True)]
    xs = pictures.run_scale(crowded, box).xs
    assert [b - a for a, b in pairwise(xs)] == pytest.approx([25.0] * 3)
    assert third < last


@pytest.mark.parametrize(
    ("value", "down"), [(1.0, 1.0), (0.199, 0.15), (0.26, 0.25), (73.0, 60.0), (0.0099, 0.008)]
)
def test_scales_are_round(value, down):
    assert pictures.round_down(value) == pytest.approx(down)


@pytest.mark.parametrize(("off", "arrow"), [(0.0, False), (1.0, False), (3.1, False), (9.0, True)])
def test_a_lean_stands_against_its_limit_to_scale(sheet, off, arrow):
    box = Box(10, 20, 33, 4)
    pictures.limit_bar(sheet, box, off, 0.5, 2.0)
    (tick,) = (line for line in sheet.lines if line[4]["wide"] == 0.35)
    assert tick[0] == tick[2] == pytest.approx(10 + 33 / 1.6)  # the line is 1.6 limits long
    assert bool(sheet.arrows) == arrow
    if not arrow:
        ((x, y, *_),) = sheet.circles
        assert (x - 10) / (tick[0] - 10) == pytest.approx(off / 2.0)
        assert y == pytest.approx(22)
    assert all(10 - 1e-9 <= x <= 43 + 1e-9 for x0, _, x1, _, _ in sheet.lines for x in (x0, x1))


def test_a_qr_code_is_drawn_module_by_module(sheet):
    segno = pytest.importorskip("segno")
    sheet.qr("lake/walk 57:1f0c", Box(10, 20, 30, 30))
    wanted = [list(row) for row in segno.make("lake/walk 57:1f0c", micro=False).matrix_iter(border=4)]
    side = 30 / len(wanted)
    drawn = [[0] * len(wanted) for _ in wanted]
    for box, _ in sheet.rects:
        row, start = round((box.y - 20) / side), round((box.x - 10) / side)
        for column in range(start, start + round(box.width / side)):
            drawn[row][column] = 1
    assert drawn == [[int(module > 0) for module in row] for row in wanted]


def test_many_posts_go_on_in_bands_of_one_scale(sheet, boardwalk):
    rows = boardwalk(90).posts
    bands = pictures.bands_of(rows, 184.0)
    assert [post for band in bands for post in band] == list(rows)
    assert len(bands) == 3
    box = Box(13, 40, 184, pictures.run_picture_mm(rows, 184.0))
    scale = pictures.run_picture(sheet, box, rows)
    solid = [line for line in sheet.lines if line[4].get("wide", 0) >= 0.3 and abs(line[1] - line[3]) > 10]
    assert len(solid) == 90
    for line, post in zip(solid, rows, strict=True):
        assert line[2] - line[0] == pytest.approx(post.after.slope_along * 1000 * scale.per_mm)
