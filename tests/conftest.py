"""How the suite runs: in several processes at once when it runs whole."""

from __future__ import annotations

import compileall
import gc
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import pytest
from _pytest.assertion import rewrite
from hypothesis import settings

settings.register_profile("untimed", deadline=None)  # a busy machine is no fault in what is tested
settings.load_profile("untimed")


# Containers often ask for no bytecode to be written. Then each process, and each program that a test starts,
# would compile shimfit and rewrite the tests' asserts anew. Git ignores what is written.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Processes for `-n auto`: two more than cores for the whole suite, none for tests that are named.

    Much of the suite waits (pseudo-terminals, programs that start, sensors in real time): the cores have room
    for more. A few named tests are sooner done in this process, where -s and --pdb work too; `-n 3` counts.
    """
    if config.args_source is pytest.Config.ArgsSource.ARGS:
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return cores + 2


def pytest_configure(config: pytest.Config) -> None:
    """Of a fresh clone each of the processes compiles its share, instead of each of them all.

    They start at once and go through the same files, so that none found what another had just compiled.
    """
    if not hasattr(config, "workerinput"):
        return
    mine = slice(int(config.workerinput["workerid"][2:]), None, config.workerinput["workercount"])
    tests = Path(__file__).parent
    for file in sorted((tests.parent / "shimfit").rglob("*.py"))[mine]:
        compileall.compile_file(file, quiet=2)
    for file in sorted(tests.rglob("test_*.py"))[mine]:
        kept = rewrite.get_cache_dir(file) / (file.stem + rewrite.PYC_TAIL)
        if rewrite.try_makedirs(kept.parent) and rewrite._read_pyc(file, kept) is None:
            digest, code = rewrite._rewrite_test(file, config)
            rewrite._write_pyc(config.stash[rewrite.assertstate_key], code, digest, kept)


def pytest_collection_finish() -> None:
    """What was collected stays to the end: left out of every garbage collection (an eighth of the time).

    Of what a screen makes and drops, a thirtieth part of the collections is enough (6 % of a screen's test).
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


# Worker processes are told the size of pytest's own terminal; what tests start has terminals of its own.
for _name in ("COLUMNS", "LINES"):
    if "PYTEST_XDIST_WORKER" in os.environ:
        os.environ.pop(_name, None)


_MEMORY, _ROOM = Path("/dev/shm"), 2 << 30
if "TMPDIR" not in os.environ and os.access(_MEMORY, os.W_OK) and shutil.disk_usage(_MEMORY).free > _ROOM:
    # What the program logs it syncs, and a disk is waited for: half of the store's tests were that. What
    # hangs on the sync itself (its calls, kill -9, a full disk) is asked of calls and sizes, not of a disk.
    os.environ["TMPDIR"] = tempfile.tempdir = str(_MEMORY)


class SimulatedLink:
    """An inclinometer on a simulated post, at a link whose clock runs with its bytes: nothing waits.

    It opens in the place of every port; a script unplugs it and plugs it in again by that clock.
    """

    def __init__(self, stage, rate_hz: float) -> None:
        self.stage, self.url = stage, "simulated"
        self._step_s = 1.0 / rate_hz
        self._count = 0
        self._answer = b""
        self.listeners = self.most_listeners = 0

    def clock(self) -> float:
        return 100.0 + self._count * self._step_s

    def _pass_time(self) -> bytes:
        self._count += 1
        now_s = self._count * self._step_s
        for order in self.stage.due(now_s):
            self.stage.obey(order, now_s)
        time.sleep(0.0002)  # whoever looks on gets a turn
        return self.stage.step(now_s, self._step_s)

    def open(self, *_, **__) -> SimulatedLink:
        from shimfit.errors import InstrumentError

        self._pass_time()
        if not self.stage.plugged:
            raise InstrumentError("there is no simulated: is it plugged in?")
        self.listeners += 1
        self.most_listeners = max(self.most_listeners, self.listeners)
        return self

    def read(self) -> bytes:
        from shimfit.errors import InstrumentError

        data = self._pass_time()
        if not self.stage.plugged:
            raise InstrumentError("simulated is gone: look at the plug and the cable")
        answer, self._answer = self._answer, b""
        return data + answer

    def write(self, data: bytes) -> None:
        self._answer = self.stage.answer(data)

    def empty(self) -> None: ...

    def set_speed(self, baud: int) -> None: ...

    def close(self) -> None:
        self.listeners -= 1


@pytest.fixture
def simulated_post(monkeypatch):
    """Puts an inclinometer on a simulated post, 8 mm next and 5 mm out at 1000 mm, behind every port."""
    from functools import partial

    from shimfit.model import Foot, Lean
    from shimfit.wire import inclinometer, link, simulate
    from shimfit.workflow import sensor

    def place(script: str = "", wire_format: str = "xdr", noise_deg: float = 0.005) -> SimulatedLink:
        nature = simulate.SensorNature(noise_deg=noise_deg)
        post = simulate.SimulatedPost(Foot(90.0, 90.0), Lean(0.008, 0.005), nature)
        stage = simulate.Stage(post, wire_format, simulate.parse_script(script))
        there = SimulatedLink(stage, 50.0)
        listener = partial(inclinometer.Inclinometer, clock=there.clock)
        monkeypatch.setattr(inclinometer, "Inclinometer", listener)
        monkeypatch.setattr(sensor, "Inclinometer", listener)
        monkeypatch.setattr(inclinometer, "_GATHER_S", 0.0)
        monkeypatch.setattr(inclinometer, "BACK_OFF_S", (0.001,))
        monkeypatch.setattr(link, "open_link", there.open)
        monkeypatch.setattr(link, "ports", lambda: ())
        return there

    return place
