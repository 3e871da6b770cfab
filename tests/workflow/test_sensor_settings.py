"""The inclinometer as the settings and its own file tell it, and what its readings count as."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from shimfit.core.sensing.mounting import SensorZero, Zero, parse_axis_map
from shimfit.core.uncertainty.decision import ZERO_NOT_FOUND
from shimfit.errors import EntryError, FileError
from shimfit.model import Face, Instrument, PostState, Reading
from shimfit.settings import Settings
from shimfit.tui.setting_up import add_run
from shimfit.workflow.reading import Asked, log_sensor_reading
from shimfit.workflow.sensor import forget_zero, keep_zero, listen_options, options_of
from shimfit.workflow.site import Place, Site

RUN = {
    "job": "pier",
    "run": "east",
    "legs": "3m",
    "every": "1.5m",
    "foot": "90x90mm",
    "height": "1000mm",
    "tolerance": "1:500",
}


def test_settings_alone() -> None:
    options = listen_options(Settings(sensor="loop://", sensor_baud=9600, sensor_axes="x=out y=prev"))
    assert options.description is None
    assert options.baud == 9600
    assert (options.axis_map.x, options.axis_map.y) == (Face.OUT, Face.PREV)


def test_the_devices_own_file_goes_first(tmp_path: Path) -> None:
    file = tmp_path / "clamp.toml"
    file.write_text('format = "xdr"\naxes = "x=prev y=out"\nzero = [2.5, -1.0]\n')
    options = listen_options(Settings(sensor_format=str(file)))
    assert options.axis_map.x is Face.PREV
    assert options.zero == SensorZero(2.5, -1.0)
    assert options.description is not None


def test_what_is_wrong_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"none\.toml"):
        listen_options(Settings(sensor_format=str(tmp_path / "none.toml")))
    with pytest.raises(EntryError):
        listen_options(Settings(sensor_axes="x=next y=prev"))


NEVER_CHECKED = Instrument("clamp", "inclinometer")


def test_a_kept_zero_is_the_sensors_own_whichever_way_it_sits_now() -> None:
    """Found with x towards next; now x leans house and y leans next: the same sensor says the same."""
    known = Instrument(
        "clamp",
        "inclinometer",
        zero_along=0.01,
        zero_across=-0.02,
        u_zero=4e-4,
        checked="2026-05-01T09:00:00+02:00",
        axes="x=next y=out",
    )
    now = Settings(sensor_axes="x=house y=next")
    zero = listen_options(now, known, date(2026, 5, 20)).zero
    assert zero is not None
    assert (zero.x_deg, zero.y_deg) == pytest.approx(
        (math.degrees(math.atan(0.01)), math.degrees(math.atan(-0.02)))
    )
    assert zero.u_deg == pytest.approx(math.degrees(4e-4))
    assert zero.age_days == 19


def test_without_a_zero_the_offset_is_in_the_doubt_and_a_file_may_say_how_large(tmp_path: Path) -> None:
    for options in (listen_options(Settings()), listen_options(Settings(), NEVER_CHECKED)):
        assert options.zero is None
        sensor_errors = options.sensor_errors_now(options.zero)
        assert (sensor_errors.zero_u_deg, sensor_errors.zero_found) == (0.5, False)
    file = tmp_path / "clamp.toml"
    file.write_text('format = "xdr"\ndoubts = { offset_u_deg = 0.2 }\n')
    reported = listen_options(Settings(sensor_format=str(file)))
    assert reported.sensor_errors_now(None).zero_u_deg == 0.2


def test_what_a_still_record_showed_counts_where_the_file_is_silent(tmp_path: Path) -> None:
    known = Instrument("clamp", "inclinometer", floor_deg=0.004, memory_s=0.8)
    assert listen_options(Settings(), known).sensor_errors.memory_s == 0.8
    file = tmp_path / "clamp.toml"
    file.write_text('format = "xdr"\ndoubts = { floor_deg = 0.001 }\n')
    both = listen_options(Settings(sensor_format=str(file)), known).sensor_errors
    assert (both.floor_deg, both.memory_s) == (0.001, 0.8)


def test_find_forget_and_find_again_are_entries_in_the_log(tmp_path: Path) -> None:
    with Site.open(tmp_path / "box.shimfit") as site:
        assert options_of(site).zero is None
        axes = parse_axis_map("x=prev y=out")
        site.set("sensor_axes", axes.text)
        keep_zero(site, Zero(2.5, -1.0, 0.01), axes, 21.0)
        zero = options_of(site).zero
        assert (zero.x_deg, zero.y_deg, zero.u_deg) == pytest.approx((2.5, -1.0, 0.01))
        assert zero.age_days == 0
        forget_zero(site)
        assert options_of(site).zero is None
        assert [one.u_zero is not None for one in site.box().instrument_history] == [True, False]


def test_a_zero_in_the_devices_file_counts_no_more_once_it_was_dropped(tmp_path: Path) -> None:
    file = tmp_path / "clamp.toml"
    file.write_text('format = "xdr"\nzero = [2.5, -1.0]\n')
    path = tmp_path / "box.shimfit"
    with Site.open(path) as site:
        site.set("sensor_format", str(file))
        assert options_of(site).zero == SensorZero(2.5, -1.0)
        forget_zero(site)
        assert options_of(site).zero is None
    with Site.open(path) as site:
        assert options_of(site).zero is None, "nor when the program is started anew"
        keep_zero(site, Zero(2.0, -1.0, 0.01), parse_axis_map("x=next y=out"))
        assert options_of(site).zero.x_deg == pytest.approx(2.0), "found since: the file's is the older one"


def test_a_first_reading_with_no_zero_is_not_packed_for(tmp_path: Path) -> None:
    """10 mm off by a sensor that may be 17 mm off says nothing; 60 mm off is out whatever its zero is."""
    doubt = {"method": "sensor", "u_along": 8.7e-3, "u_across": 8.7e-3, "zero_found": False}
    with Site.open(tmp_path / "box.shimfit") as site:
        add_run(site, RUN)
        place = Place("pier", "east", "1")
        logged = log_sensor_reading(site, place, Reading("held", 0.009, 0.005, 1000.0, **doubt), Asked())
        assert logged.post.state is PostState.TOO_CLOSE
        assert logged.post.prescription is None
        assert "turn the sensor end for end" in logged.message
        known = Reading("held", 0.009, 0.005, 1000.0, method="sensor", u_along=2e-4, u_across=2e-4)
        after = log_sensor_reading(site, place, known, Asked()).post
        assert after.state in (PostState.PACK, PostState.OUT)
        assert after.reading.lean == known.lean
        far = log_sensor_reading(
            site, Place("pier", "east", "2"), Reading("held", 0.06, 0.0, 1000.0, **doubt), Asked()
        )
        assert far.post.state in (PostState.PACK, PostState.OUT)


def test_the_decision_of_a_reading_with_no_zero_is_never_plumb_also_when_the_log_is_read_anew(
    tmp_path: Path,
) -> None:
    """A post within its tolerance by an unproven sensor, whatever rule decides; with a known zero it is."""
    path = tmp_path / "box.shimfit"
    reading = Reading(
        "held", 0.0002, 0.0, 1000.0, method="sensor", u_along=8.7e-3, u_across=8.7e-3, zero_found=False
    )
    with Site.open(path) as site:
        site.set("rule", "simple")
        add_run(site, RUN)
        place = Place("pier", "east", "1")
        logged = log_sensor_reading(site, place, reading, Asked(after=True))
        assert "turn the sensor end for end" in logged.message
        assert logged.post.state is PostState.TOO_CLOSE
    with Site.open(path) as site:
        again = site.post(place)
        assert again.state is PostState.TOO_CLOSE
        assert again.verdict.advice == ZERO_NOT_FOUND
        known = replace(reading, u_along=2e-4, u_across=2e-4, zero_found=True)
        after = log_sensor_reading(site, place, known, Asked(after=True)).post
        assert after.state is PostState.PLUMB, "and the unproven one before it is no repeat of it"
        assert after.verdict.u == pytest.approx(2e-4)
