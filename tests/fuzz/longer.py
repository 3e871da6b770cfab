"""Fuzz one way in: python tests/fuzz/longer.py DOOR [MINUTES] [CORPUS-FOLDER]

With atheris installed (no test dependency: it has wheels for few systems) coverage steers what is tried;
without it, bytes are made from the short run's parts at random. Stops at the first thing that breaks a door
and prints the line to add to FOUND in test_doors.py; `all` takes each door in turn.
"""

from __future__ import annotations

import importlib.util
import random
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).parent


def beside(name: str) -> ModuleType:
    """The module in the file of that name in this folder."""
    spec = importlib.util.spec_from_file_location(f"fuzz_{name}", HERE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def with_atheris(atheris: Any, name: str, minutes: float, corpus: str | None) -> None:
    """Coverage-guided; never comes back, atheris ends the process."""
    with atheris.instrument_imports(include=["shimfit"]):
        doors = beside("doors")
        warm(doors, name)

    def once(data: bytes) -> None:
        knocked(doors, name, data)

    folder = Path(corpus or tempfile.mkdtemp(prefix="shimfit-fuzz-"))
    for number, seed in enumerate(doors.SEEDS.get(name, ())):
        (folder / f"seed-{number}").write_bytes(seed)
    limits = [f"-max_total_time={int(minutes * 60)}", "-max_len=4096", f"-artifact_prefix={folder}/"]
    atheris.Setup([sys.argv[0], *limits, str(folder)], once)
    atheris.Fuzz()


def at_random(name: str, minutes: float) -> int:
    """Parts of the short run and random bytes, put together at random; how many were tried."""
    doors, chance, tried = beside("doors"), random.Random(), 0
    parts = [part.encode() for part in PARTS]
    seeds = doors.SEEDS.get(name, [])
    end = time.monotonic() + minutes * 60
    while time.monotonic() < end:
        data = b"".join(
            chance.choice(parts) if chance.random() < 0.8 else chance.randbytes(chance.randint(1, 6))
            for _ in range(chance.randint(0, 40))
        )
        if seeds and chance.random() < 0.7:
            seed = chance.choice(seeds)
            at, end_at = sorted(chance.randint(0, len(seed)) for _ in range(2))
            data = seed[:at] + data[: chance.randint(0, 8)] + seed[end_at if chance.random() < 0.3 else at :]
        knocked(doors, name, data)
        tried += 1
    return tried


PARTS = [
    *"0123456789/.,;:-+@\"'<>^v=[]{}#$*!%\n\r\t ",
    *("3/8", "n", "out", "mm", "deg", "inf", "nan", "1e308", "\x00", "\u00bd", "flat", "taper", "strip"),
    "lot,form,material,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm,origin,note\n",
    'format = "text"\n',
    "columns",
    "$WIXDR,A,+02.9,D,PITCH,A,+00.7,D,ROLL*07\r\n",
    '{"schema":1,"seq":1,',
    '"kind":"reading","data":{}',
]


def warm(doors: ModuleType, name: str) -> None:
    """Import what the door imports when it is first used."""
    doors.knock(name, b"0")


def knocked(doors: ModuleType, name: str, data: bytes) -> None:
    """Knock; what breaks the door is printed ready to be kept."""
    try:
        doors.knock(name, data)
    except BaseException:
        print(f"\nFOUND: ({name!r}, {data!r}),", file=sys.stderr)
        raise


def main(arguments: list[str]) -> int:
    """Fuzz."""
    if not arguments:
        print(__doc__)
        return 2
    name = arguments[0]
    minutes = float(arguments[1]) if len(arguments) > 1 else 5.0
    corpus = arguments[2] if len(arguments) > 2 else None
    if name == "all":
        names = list(beside("doors").DOORS)
        for one in names:
            print(f"{one}: {at_random(one, minutes / len(names))} tried, none broke it")
        return 0
    try:
        import atheris
    except ImportError:
        print(f"{name}: {at_random(name, minutes)} tried, none broke it (without atheris)")
        return 0
    with_atheris(atheris, name, minutes, corpus)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
