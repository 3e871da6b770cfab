"""What was written as JSON reads back as the same values, key for key as commands promise."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from typing import Any

import pytest

from shimfit.codec import (
    ANSWER,
    fault,
    from_json,
    prescription_from_json,
    prescription_to_json,
    read,
    shape,
    to_json,
    tolerance_to_json,
)
from shimfit.core.foot import gap_plane
from shimfit.model import (
    Change,
    Cost,
    Face,
    Foot,
    Instrument,
    Lean,
    Lot,
    Pack,
    Piece,
    Prescription,
    Reading,
    Resting,
    Seat,
    Tolerance,
)

TOLERANCE = Tolerance("3mm/1m", "gauge", 0.003, 3.0, 1000.0, per_direction=True, source="a test")


def an_answer(resting: Resting) -> Prescription:
    pieces = (
        Piece("T1", "taper", 1.0, mark_mm=29.4, trim_tip_mm=2.0, copy=2),
        Piece("F2", "flat", 0.49),
        Piece("S1", "strip", 1.2, mark_mm=40.0, thin_mm=0.8, thick_mm=2.0, saw_deg=0.5),
    )
    return Prescription(
        post=Foot(100.0, 90.0, rod_hole_mm=16.0, rod_at_mm=(1.0, -2.0)),
        height_mm=1000.0,
        lean=Lean(0.01, 0.005),
        tolerance=TOLERANCE,
        packs=(Pack(Seat.NEXT_OUT, 1.5, 1.49, (50.0, 45.0), pieces, "fill"),),
        resting=resting,
        within=True,
        status="found",
        layout="tripod",
        why="because",
        cost=Cost(12.5, (("pieces", 10.0), ("rock", 2.5))),
        change=(Change(Seat.NEXT, 1.0, 1.2, push_mm=5.0), Change(Seat.OUT, 0.0, 1.0)),
        cautions=("look",),
        take_up=0.92,
        saw_settings_deg=(0.5,),
    )


@pytest.mark.parametrize(
    "resting",
    [
        Resting(Lean(0.001, -0.002), rock_mm=0.1, tipping_arm=0.9),
        Resting(None, rock_mm=2.0, tipping_arm=0.5, limits=(Lean(0.01, 0.0), Lean(-0.01, 0.0))),
    ],
)
def test_an_answer_reads_back_as_it_was(resting: Resting) -> None:
    answer = an_answer(resting)
    text = json.dumps(prescription_to_json(answer), allow_nan=False)
    assert prescription_from_json(json.loads(text)) == answer


def test_an_answer_with_its_gap_plane_has_the_keys_that_commands_promise() -> None:
    # Keys and numbers: the example in the command line's contract.
    lean = Lean(0.01, 0.005)
    answer = an_answer(Resting(lean, rock_mm=0.0, tipping_arm=1.0))
    foot = Foot(100.0, 100.0)
    out = prescription_to_json(answer, entry="e", understood="u", plane=gap_plane(foot, lean))
    assert list(out)[:8] == ["entry", "understood", "post", "lean", "pivot", "gap_mm", "edges", "packs"]
    assert {"change", "resting", "tolerance", "within", "status", "why", "cost", "cautions"} <= set(out)
    assert out["pivot"] == "prev-house"
    assert out["gap_mm"]["next-out"] == pytest.approx(1.5)
    assert out["edges"]["next"] == {
        "from": "next-house",
        "from_mm": pytest.approx(1.0),
        "to": "next-out",
        "to_mm": pytest.approx(1.5),
    }
    assert out["lean"]["top_along_mm"] == pytest.approx(10.0)
    assert out["tolerance"]["allowed_top_mm"] == 3.0
    assert "unique" in out["resting"]


def test_a_round_foot_has_no_edges_and_no_pivot_seat() -> None:
    lean = Lean(0.01, 0.0)
    out = prescription_to_json(
        an_answer(Resting(lean, 0.0, 1.0)), plane=gap_plane(Foot(90.0, 90.0, round=True), lean)
    )
    assert out["pivot"] is None
    assert "edges" not in out


def test_feet_tolerances_and_readings_read_back() -> None:
    foot = Foot(90.0, 90.0, round=True, rod_hole_mm=12.0, rod_at_mm=(0.5, 0.0))
    assert from_json(Foot, to_json(foot)) == foot
    assert from_json(Tolerance, tolerance_to_json(TOLERANCE, 900.0)) == TOLERANCE
    reading = Reading(
        "3/8n",
        0.01,
        None,
        900.0,
        "verify",
        "sensor",
        1e-4,
        None,
        u_own_along=5e-5,
        largest_term="zero",
        gauge_mm=600.0,
        face="out",
        rocks=((Seat.NEXT, 0.3),),
    )
    assert from_json(Reading, json.loads(json.dumps(to_json(reading)))) == reading


def test_a_damaged_answer_is_told_with_its_place() -> None:
    whole = prescription_to_json(an_answer(Resting(Lean(0.0, 0.0), 0.0, 1.0)))
    assert fault(ANSWER, whole) is None
    for key in ("post", "packs", "resting", "status", "cost"):
        assert (
            fault(ANSWER, {name: value for name, value in whole.items() if name != key})
            == f"{key} is missing"
        )
    assert str(fault(ANSWER, whole | {"status": "fine"})).startswith("status must be one of proven, found")


@pytest.mark.parametrize(
    ("type_", "data", "sentence"),
    [
        (Foot, {"across_mm": 90.0}, "along_mm is missing"),
        (Foot, {"along_mm": 90, "across_mm": -9.5}, "across_mm must be more than 0, not -9.5"),
        (
            Foot,
            {"along_mm": 90, "across_mm": 90, "rod_at_mm": [0]},
            "rod_at_mm must be a list of 2, not a list",
        ),
        (Pack, {"seat": "middle"}, "seat must be one of prev-house, next-house"),
        (tuple[Lean, ...], [{"slope_along": 0.1, "slope_across": True}], "[0].slope_across must be a number"),
        ({"tight?": bool}, {"tight": "yes"}, "tight must be true or false, not 'yes'"),
        (
            Mapping[str, float],
            {"oak": math.nan},
            "oak must be a number of a size that can be measured, not nan",
        ),
        (Lot, {"lot": "T1", "form": "taper", "count": 1}, "thin_mm is missing: a taper has one"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(type_: Any, data: Any, sentence: str) -> None:
    assert str(fault(type_, data)).startswith(sentence)


def test_keys_of_a_newer_program_are_passed_over_and_what_may_be_left_out_has_its_default() -> None:
    data = {"along_mm": 90, "across_mm": 140, "finish": "oiled"}
    assert fault(Foot, data) is None
    assert from_json(Foot, data) == Foot(90.0, 140.0)
    assert read({"foot": Foot, "leg?": int}, {"foot": data}) == {"foot": Foot(90.0, 140.0)}


def _holds(schema: dict[str, Any], value: Any) -> bool:
    """Whether a value keeps a schema: the words that ours use, as JSON Schema 2020-12 defines them."""
    kinds = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}
    kinds |= {"integer": int, "number": (int, float)}
    if "type" in schema:
        types = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
        flag = isinstance(value, bool) and "boolean" not in types
        if flag or not any(isinstance(value, kinds[one]) for one in types):
            return False
    if isinstance(value, int | float) and not schema.get("minimum", value) <= value <= schema.get(
        "maximum", value
    ):
        return False
    if isinstance(value, str) and not re.search(schema.get("pattern", ""), value):
        return False
    if isinstance(value, dict):
        named = schema.get("properties", {})
        others = [one for key, one in value.items() if key not in named]
        if not (
            all(key in value for key in schema.get("required", ()))
            and all(_holds(one, value[key]) for key, one in named.items() if key in value)
            and all(_holds(schema.get("additionalProperties", {}), one) for one in others)
            and all(_holds(schema.get("propertyNames", {}), key) for key in value)
        ):
            return False
    if isinstance(value, list):
        first = schema.get("prefixItems", ())
        items = {} if schema.get("items") is False else schema.get("items", {})
        if len(value) < schema.get("minItems", 0) or (
            schema.get("items") is False and len(value) > len(first)
        ):
            return False
        if not all(_holds(first[at] if at < len(first) else items, one) for at, one in enumerate(value)):
            return False
    if "anyOf" in schema and not any(_holds(one, value) for one in schema["anyOf"]):
        return False
    return "enum" not in schema or value in schema["enum"]


def _spoiled(data: Any) -> Iterator[Any]:
    """The data with each value in it left out, and made something else, in turn."""
    for key in range(len(data)) if isinstance(data, list) else list(data):
        inside = list(_spoiled(data[key])) if isinstance(data[key], dict | list) else []
        for other in (None, True, -1, 0.5, "?", " ", [], {}, [1, 2], 1e300, *inside):
            yield [*data[:key], other, *data[key + 1 :]] if isinstance(data, list) else data | {key: other}
        if isinstance(data, dict):
            yield {one: value for one, value in data.items() if one != key}


def test_the_json_schema_that_is_published_refuses_what_the_check_refuses() -> None:
    reading = Reading("3/8n", 0.01, None, 900.0, "verify", "sensor", 1e-4, rocks=((Seat.NEXT, 0.3),))
    for type_, whole in (
        (ANSWER, prescription_to_json(an_answer(Resting(Lean(0.0, 0.0), 0.0, 1.0)))),
        (Reading, to_json(reading)),
        (Instrument, to_json(Instrument("long level", "level", 1200.0, 0.0005))),
        ({"used": tuple[Foot, ...], "shares?": Mapping[Face, float]}, {"used": [], "shares": {"next": 0.5}}),
    ):
        schema, refused = shape(type_).schema, 0
        assert _holds(schema, whole)
        for spoiled in _spoiled(whole):
            wrong = fault(type_, spoiled)
            refused += wrong is not None
            assert _holds(schema, spoiled) == (wrong is None), (wrong, spoiled)
        assert refused
