"""How the suite runs: in several processes at once when it runs whole."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

settings.register_profile("untimed", deadline=None)  # a busy machine is no fault in what is tested
settings.load_profile("untimed")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Processes for `-n auto`: two more than cores for the whole suite, none for tests that are named.

    Much of the suite waits (pseudo-terminals, programs that start, sensors in real time): the cores have room
    for more. A few named tests are sooner done in this process, where -s and --pdb work too; `-n 3` counts.
    """
    if config.args_source is pytest.Config.ArgsSource.ARGS:
        return 0
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return cores + 2


# Worker processes are told the size of pytest's own terminal; what tests start has terminals of its own.
for _name in ("COLUMNS", "LINES"):
    if "PYTEST_XDIST_WORKER" in os.environ:
        os.environ.pop(_name, None)
