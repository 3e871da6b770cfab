"""Whatever stands in the log, the states can be read: what can't be understood is left out and told."""

from __future__ import annotations

import json
import math
from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shimfit import codec
from shimfit.model import Foot, Lot, Reading, Seat, Tolerance
from shimfit.store.box import BOX_KINDS, fold_box
from shimfit.store.events import KINDS, Event
from shimfit.store.fold import fold_run
from shimfit.store.history import Step, to_redo, to_undo, voided, words

_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=6),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
_WORDS = """name text slope_along slope_across height_mm stage rocks packs answer of lot count used back lots
key value kind log conflicts foot tolerance leg station_mm why file torque_nm"""
_KEYS = sorted(_WORDS.split())
_DATA = st.dictionaries(st.sampled_from(_KEYS), _JSON, max_size=5).map(json.dumps) | st.sampled_from(
    ["", "{", "[]", "null", "{}", '{"of":"e1"}', '{"of":["e1"]}', '{"name":"1","leg":1,"station_mm":0}']
)
_EVENTS = st.lists(
    st.tuples(
        st.sampled_from([*KINDS, "of a newer program"]),
        _DATA,
        st.sampled_from([None, "jetty"]),
        st.sampled_from([None, "east"]),
        st.sampled_from([None, "1", "2"]),
    ),
    max_size=12,
)
_HEAD = {
    "foot": codec.to_json(Foot(90.0, 90.0)),
    "height_mm": 1000.0,
    "tolerance": codec.to_json(Tolerance("1:500", "ratio", 0.002)),
}
ON_POST = ("jetty", "east", "1")
_ANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def event(seq, kind, data_text, *scope):
    job, run, post = scope
    time = "2026-05-04T08:00:00+02:00"
    name = f"e{seq}"
    return Event(seq, name, name, "log", time, seq, None, job, run, post, kind, data_text, "", "")


def begun():
    yield event(1, "run-added", json.dumps(_HEAD), "jetty", "east", None)
    yield event(2, "post-added", '{"name":"1","leg":1,"station_mm":0}', *ON_POST)


@_ANY
@given(_EVENTS)
def test_any_events_are_counted_in_or_told(rows):
    events = [*begun(), *(event(seq, *row) for seq, row in enumerate(rows, 3))]
    run = fold_run(events, "jetty", "east")
    assert run is None or all(post.state for post in run.posts)
    fold_box(events, "log")
    steps = [Step((one,)) for one in reversed(events)]
    undone = [one for one in events if one.kind == "undone" and one.data_text == '{"of":"e1"}']
    void = voided([(one.step, one.data["of"]) for one in undone])
    to_undo(steps, void)
    to_redo(steps, void, frozenset(one.step for one in undone))
    assert all(words([one]) for one in events)


def test_every_kind_of_the_box_has_a_shape():
    assert set(BOX_KINDS) <= set(KINDS)


_SLOPE = st.floats(-100, 100) | st.sampled_from([0.0, -0.0, 5e-324, 1e-300, 100.0])
_DOUBT = st.none() | st.floats(0, 100) | st.sampled_from([0.0, 5e-324, 1e-300, 1e-12])


_READING = st.fixed_dictionaries(
    {
        "text": st.just("x"),
        "slope_along": _SLOPE,
        "slope_across": _SLOPE,
        "u_along": _DOUBT,
        "u_across": _DOUBT,
        "height_mm": st.floats(1e-12, 1e12),
        "stage": st.sampled_from(["stood", "verify"]),
    }
)
_TOLERANCE = st.fixed_dictionaries(
    {
        "text": st.just("1:n"),
        "kind": st.just("ratio"),
        "slope": st.floats(1e-12, 1e12),
        "per_direction": st.booleans(),
    }
)


@_ANY
@given(_READING, _TOLERANCE)
def test_any_reading_that_may_be_logged_gets_a_finite_verdict(reading, tolerance):
    events = [
        *begun(),
        event(3, "run-changed", json.dumps({"tolerance": tolerance}), "jetty", "east", None),
        event(4, "reading", json.dumps(reading), *ON_POST),
    ]
    run = fold_run(events, "jetty", "east")
    assert run.unread == ()
    (post,) = run.posts
    assert (post.verdict is None) == (reading["stage"] == "stood")
    if post.verdict is not None:
        numbers = (post.verdict.value, post.verdict.allowed, post.verdict.guard, post.verdict.probability)
        assert all(number is None or math.isfinite(number) for number in numbers)


def test_the_head_of_a_run_is_what_the_job_said_before_it():
    """Another crew that begins the job again, in its own units, changes nothing at a run that is there."""
    job = ("jetty", None, None)
    events = [
        event(1, "job-added", '{"name":"jetty","units":"mm"}', *job),
        event(2, "run-added", json.dumps(_HEAD), "jetty", "east", None),
        event(3, "job-added", '{"name":"jetty","units":"inch","sample":true}', *job),
    ]
    run = fold_run(events, "jetty", "east")
    assert (run.units, run.sample) == ("mm", False)


def test_what_came_before_its_post_is_counted_once_after_an_undo():
    first, post = begun()
    events = [
        first,
        event(3, "noted", '{"text":"x"}', *ON_POST),
        event(4, "trimmed", "{}", *ON_POST),
        event(5, "undone", '{"of":"e4"}', *ON_POST),
        post,
    ]
    run = fold_run(events, "jetty", "east")
    assert run.post("1").notes == ("x",)
    assert not run.post("1").trimmed


def _spoiled(data):
    """The data with each leaf, list and object in it in turn made something that it can't be."""
    keys = range(len(data)) if isinstance(data, list) else list(data)
    for key in keys:
        instead = list(_spoiled(data[key])) if isinstance(data[key], dict | list) else []
        for wrong in ("?", {"x": []}, [[]], -1e300, *instead):
            spoiled = data.copy()
            spoiled[key] = wrong
            yield spoiled


def test_whatever_is_spoiled_in_what_is_logged_is_told_or_does_no_harm(make_answer, packs):
    """Every key that `contract` writes: one that `shapes` misses lets the whole run be unreadable."""
    pack, other, change = packs
    reading = Reading("x", 0.009, 0.001, 1000.0, "verify", u_along=2e-4, u_across=2e-4, u_own_along=1e-4)
    logged = {
        "run-changed": _HEAD | {"rule": "2u", "due_days": 3, "preload_mm": 0.2, "gauge_mm": 900.0},
        "reading": codec.to_json(replace(reading, u_own_across=1e-4, rocks=((Seat.NEXT, 0.4),))),
        "prescribed": {"answer": make_answer((pack,), change=(change,))},
        "packed": {"packs": [codec.to_json(other)], "as_prescribed": True},
    }
    reported = 0
    for kind, data in logged.items():
        for spoiled in (data, *_spoiled(data)):
            place = ("jetty", "east", None if kind == "run-changed" else "1")
            last = event(4, "reading", json.dumps(logged["reading"]), *ON_POST)
            run = fold_run([*begun(), event(3, kind, json.dumps(spoiled), *place), last], "jetty", "east")
            for post in run.posts:
                assert post.prescription is None or post.prescription.packs is not None
            reported += len(run.unread)
            assert spoiled is not data or not run.unread
            south = replace(event(9, "reading", json.dumps(logged["reading"]), *ON_POST), log="south")
            assert fold_run([*begun(), event(3, kind, json.dumps(spoiled), *place), south], "jetty", "east")
    assert reported > 300


def test_whatever_is_spoiled_in_what_is_logged_of_the_box_is_told_or_does_no_harm():
    lot = codec.to_json(Lot("F2", "taper", 4, length_mm=90.0, thin_mm=0.0, thick_mm=3.0))
    level = {"name": "long level", "kind": "level", "zero_along": 0.1, "zero_across": 0.0, "checked": None}
    logged = {
        "stock-imported": {"lots": [lot], "source": "box.csv"},
        "stock-added": lot,
        "stock-out": {"lot": "F2", "count": 1},
        "taken": {"used": [{"lot": "F2", "count": 1}], "back": [lot]},
        "instrument": level | dict.fromkeys(("length_mm", "accuracy_slope", "graduation_mm", "u_zero"), 1.0),
        "setting": {"key": "units", "value": "mm"},
        "box-joined": {"log": "another"},
    }
    assert set(logged) == set(BOX_KINDS)
    reported = 0
    for kind, data in logged.items():
        for spoiled in (data, *_spoiled(data)):
            box = fold_box([event(1, kind, json.dumps(spoiled), None, None, None)], "log")
            reported += len(box.unread)
            assert spoiled is not data or not box.unread
    assert reported > 100
