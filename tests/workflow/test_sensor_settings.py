"""The inclinometer as the settings and its own file tell it, and what its readings count as."""

from __future__ import annotations

from pathlib import Path

import pytest

from shimfit.errors import EntryError, FileError
from shimfit.model import Face, Reading
from shimfit.settings import Settings
from shimfit.store.state import InstrumentRecord
from shimfit.workflow.sensor import listen_options, without_zero


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
    assert (options.zero_x_deg, options.zero_y_deg) == (2.5, -1.0)
    assert options.description is not None


def test_what_is_wrong_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"none\.toml"):
        listen_options(Settings(sensor_format=str(tmp_path / "none.toml")))
    with pytest.raises(EntryError):
        listen_options(Settings(sensor_axes="x=next y=prev"))


def test_a_known_zero_is_taken_off_and_its_doubt_counted_in() -> None:
    reading = Reading("held", 0.004, -0.002, 1000.0, u_along=3e-4, u_across=4e-4)
    known = InstrumentRecord("clamp", "inclinometer", zero_along=0.001, zero_across=-0.0005, u_zero=4e-4)
    counted = without_zero(reading, known)
    assert counted.slope_along == pytest.approx(0.003)
    assert counted.slope_across == pytest.approx(-0.0015)
    assert counted.u_along == pytest.approx(5e-4)
    assert without_zero(reading, InstrumentRecord("clamp", "inclinometer")) == reading
