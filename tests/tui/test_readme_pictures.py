"""The README's pictures are those of today's program: made again and compared as text."""

from __future__ import annotations

from pathlib import Path

from tests import pictures

ROOT = Path(__file__).parents[2]


async def test_the_pictures_are_current(tmp_path) -> None:
    await pictures.shoot(tmp_path)
    made = sorted(path.name for path in tmp_path.iterdir())
    kept = ROOT / "fixtures" / "pictures"
    assert made == sorted(path.name for path in kept.iterdir())
    for name in made:
        if name.endswith(".txt"):
            assert (tmp_path / name).read_text("utf-8") == (kept / name).read_text("utf-8"), (
                f"{name} changed: look at it, then run tests/pictures.py"
            )
        else:
            assert (tmp_path / name).read_text("utf-8").startswith("<svg")
