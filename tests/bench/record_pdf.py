"""What the record on paper costs: python tests/bench/record_pdf.py

Side by side in one run: importing the PDF package, the record of 20, 200 and 1,000 posts, and the same number
of words written by the PDF package alone with the same fonts. Goal: 200 posts in at most 3 s.
"""

from __future__ import annotations

import importlib.util
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
GOAL_S = 3.0


def demo() -> Any:
    """The invented boardwalk that the tests of report use."""
    spec = importlib.util.spec_from_file_location("boardwalk", ROOT / "tests" / "report" / "conftest.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def median_s(call: Callable[[], Any], times: int = 5) -> float:
    """Median seconds of a few runs."""
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        call()
        spent.append(time.perf_counter() - start)
    return statistics.median(spent)


def bare(words: list[str]) -> bytes:
    """As many words on pages of A4 by the package alone."""
    import fpdf

    fonts = ROOT / "shimfit" / "report" / "fonts"
    pdf = fpdf.FPDF()
    pdf.add_font("body", "", fonts / "DejaVuSansCondensed.ttf")
    pdf.add_font("body", "B", fonts / "DejaVuSansCondensed-Bold.ttf")
    for start in range(0, len(words), 400):
        pdf.add_page()
        pdf.set_font("body", "", 6.5)
        for i, word in enumerate(words[start : start + 400]):
            pdf.text(10 + 20 * (i % 9), 10 + 6 * (i // 9), word)
    return bytes(pdf.output())


def main() -> None:
    """Print the table."""
    start = time.perf_counter()
    from shimfit.report.asbuilt import record_pdf

    imported = time.perf_counter() - start
    from shimfit.report.record import LogStamp, record_csv, record_json, run_record

    boardwalk = demo()
    cached = "without" if sys.dont_write_bytecode else "with"
    print(f"importing the PDF package: {imported:.2f} s, once a process, {cached} a cache of bytecode")
    heads = ("posts", "pages", "kB", "PDF s", "bare s", "PDF/bare", "csv+json s", "peak MB")
    print(" ".join(f"{head:>10}" for head in heads))
    for posts in (20, 200, 1000):
        record = run_record(boardwalk.run_of(posts), LogStamp(1, "00" * 32), boardwalk.box())
        seconds = median_s(lambda record=record: record_pdf(record))  # type: ignore[misc]
        words = [f"{post.name} {i}.{i % 7}" for post in record.run.posts for i in range(18)]
        alone = median_s(lambda words=words: bare(words))  # type: ignore[misc]
        text = median_s(lambda record=record: (record_csv(record), record_json(record)))  # type: ignore[misc]
        tracemalloc.start()
        data = record_pdf(record)
        peak = tracemalloc.get_traced_memory()[1] / 1e6
        tracemalloc.stop()
        pages = data.count(b"/Type /Page\n")
        figures = (f"{seconds:.2f}", f"{alone:.2f}", f"{seconds / alone:.2f}", f"{text:.3f}", f"{peak:.1f}")
        print(" ".join(f"{cell:>10}" for cell in (posts, pages, len(data) // 1000, *figures)))
        if posts == 200:
            total = imported + seconds
            share = total / GOAL_S
            print(f"200 posts with the import: {total:.2f} s, {share:.2f} of the goal of {GOAL_S:g} s")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT))
    main()
