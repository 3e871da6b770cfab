"""Plain mode beside a live inclinometer: Enter alone holds its reading; a loss is said, typing goes on."""

from __future__ import annotations

import io
import re
import time

import pytest

from shimfit.cli.rest import command_line
from shimfit.core.sensing.mounting import Zero
from shimfit.tui import sensing
from shimfit.tui.plain import run_plain
from shimfit.workflow.sensor import keep_zero, options_of


class Typist:
    """Types line by line; between two lines anything may happen."""

    def __init__(self, *lines: object) -> None:
        self.lines = iter(lines)

    def isatty(self) -> bool:
        return False

    def readline(self) -> str:
        for line in self.lines:
            if callable(line):
                line()
            else:
                return f"{line}\n"
        return ""


def test_enter_alone_holds_it_and_a_loss_is_a_sentence(make_site, simulated_post, monkeypatch) -> None:
    there = simulated_post(noise_deg=0.02)
    monkeypatch.setattr(sensing, "LOST_S", 0.3)
    site = make_site()
    site.set("sensor", "/dev/post")
    said = io.StringIO()
    assert run_plain(site, stdin=Typist("", "undo", "q"), stdout=said, ascii=True) == 0
    assert "zero not found: turn it end for end" in said.getvalue()
    assert "TOP leans" not in said.getvalue(), "nothing is told of the post while the zero is unknown"
    keep_zero(site, Zero(0.0, 0.0, 0.01), options_of(site).axis_map)  # as two opposite faces show it
    said = io.StringIO()

    def unplug() -> None:
        there.stage.plugged = False
        time.sleep(0.1)

    typist = Typist("", "next", unplug, "", "9n5o", "q")
    assert run_plain(site, stdin=typist, stdout=said, ascii=True) == 0
    first, at_the_second = said.getvalue().split("post 1> next")
    assert "Enter alone holds its reading" in first
    assert "understood: inclinometer, " in first
    assert "SENSOR" not in first, "a link that is only being opened is no trouble"
    logged = re.search(r"post 1 logged: pack, ([\d.]+) of 2\.0 mm", first)
    leans = re.search(r"TOP leans ([\d.]+) mm towards next, ([\d.]+) mm out", first)
    # The simulated post leans 8 and 5 mm, √(8² + 5²) = 9.43.
    assert logged is not None
    assert leans is not None
    assert "zero not found" not in first
    assert abs(float(logged[1]) - 9.43) < 1.0
    assert abs(float(leans[1]) - 8.0) < 1.0
    assert abs(float(leans[2]) - 5.0) < 1.0
    run = site.run("heron", "jetty")
    held = run.post("1").reading
    assert held.method == "sensor"
    # The scatter of 0.02 degrees a sample is 0.35 mm at 1000 mm.
    assert held.lean.top_mm(1000.0) == pytest.approx((8.0, 5.0), abs=0.5)
    assert "refused: SENSOR: last value" in at_the_second
    assert "typing goes on" in at_the_second
    assert run.post("2").reading.text == "9n5o"
    assert len(run.post("2").readings) == 1


def test_without_an_inclinometer_enter_alone_walks_on(make_site) -> None:
    said = io.StringIO()
    assert run_plain(make_site(), stdin=Typist("", "q"), stdout=said, ascii=True) == 0
    assert "post 2> " in said.getvalue()
    assert "inclinometer" not in said.getvalue()


def test_a_command_that_listens_itself_has_the_port_alone(make_site, simulated_post) -> None:
    there = simulated_post()
    site = make_site()
    site.set("sensor", "/dev/post")
    keep_zero(site, Zero(0.0, 0.0, 0.01), options_of(site).axis_map)
    said = io.StringIO()
    typist = Typist("shimfit listen /dev/post", "shimfit read heron/jetty/2 --listen sensor", "", "q")
    assert (
        run_plain(site, stdin=typist, stdout=said, ascii=True, commands=command_line(site.journal.path)) == 0
    )
    assert "TAKEN: " in said.getvalue()
    assert "heron/jetty/2: inclinometer, " in said.getvalue()
    assert "post 1 logged" in said.getvalue(), "it is listened to again"
    assert (there.listeners, there.most_listeners) == (0, 1)
    assert [len(site.run("heron", "jetty").post(name).readings) for name in "12"] == [1, 1]


def test_enter_alone_says_yes_to_what_was_asked_about(make_site) -> None:
    said, site = io.StringIO(), make_site()
    typist = Typist("9n5o", "9n5.5o", "", "9n5o", "next", "", "2:=9n5o", "q")
    assert run_plain(site, stdin=typist, stdout=said, ascii=True) == 0
    text = said.getvalue()
    assert "post 1> 9n5.5o\nas before the packs. Not in yet: Enter, both count" in text
    assert "understood: top leans 9 mm towards next, 5.5 mm out" in text
    assert text.count("understood:") == 2, "asked about, then something else was typed: not logged"
    assert "post 3> " in text, "Enter alone walks on again"
    assert "; undo takes back reading 9n5.5o" in text
    assert site.run("heron", "jetty").post("1").mean_of == 2
