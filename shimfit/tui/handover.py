"""Writing what a run is handed over with: its record (pdf, csv, json by the name's ending), its cut sheet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import UsageError
from shimfit.outputs import PDF, RECORD_CSV, RECORD_JSON, write_whole
from shimfit.tui.session import Outcome

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.standing import RunState
    from shimfit.workflow.site import Site

KINDS = {".pdf": PDF, ".csv": RECORD_CSV, ".json": RECORD_JSON}
ENDINGS = {"record": tuple(KINDS), "cut-sheet": (".pdf",)}
"""What there is to be handed over, and what its file's name may end in."""
NEEDS = {"record": "a record is a .pdf, .csv or .json file", "cut-sheet": "a cut sheet is a .pdf file"}


def suggested_name(run: RunState, what: str) -> str:
    """A file name for one of ENDINGS."""
    words = "-".join(f"{run.job} {run.name}".split())
    return f"{words}-{what}.pdf"


def export(
    site: Site, run: RunState, what: str, name: str,
    *, overwrite: bool = False, is_stopped: Callable[[], bool] = bool,
) -> Outcome:  # fmt: skip
    """Write one of ENDINGS, whole or not at all; says where it went, or asks whether it is to go over a file.

    overwrite: that was asked, and the answer was yes. Raises UsageError for another ending, for a cut sheet
    where no post waits, and where `is_stopped` says so before it writes; FileError where it can't be written,
    or the log it would tell of was altered.
    """
    target = Path(name.strip()).expanduser()
    ending = target.suffix.lower()
    if ending not in ENDINGS[what]:
        raise UsageError(f"{NEEDS[what]}, not {target.name!r}")
    if target.exists() and not overwrite:
        return Outcome(f"{target.name} exists already: Enter writes over it", done=False, asks=True)
    content = _record(site, run, ending) if what == "record" else _cut_sheet(site, run)
    if is_stopped():
        raise UsageError(f"stopped: {target.name} was not written")
    write_whole(target, content, KINDS[ending], keep=[site.journal.path], force=overwrite)
    return Outcome(f"written: {target.name}, in {target.absolute().parent}")


def _record(site: Site, run: RunState, ending: str) -> bytes:
    from shimfit.report.record import record_csv, record_json, record_of

    record = record_of(site.journal, run.job, run.name)
    if ending == ".csv":
        return record_csv(record).encode()
    if ending == ".json":
        rows = {"schema": 1, **record_json(record)}
        return json.dumps(rows, ensure_ascii=False, allow_nan=False).encode()
    from shimfit.report.asbuilt import record_pdf

    return record_pdf(record, photos=(Path.cwd(), site.journal.path.absolute().parent))


def _cut_sheet(site: Site, run: RunState) -> bytes:
    from shimfit.report.sheets import cut_sheet_pdf
    from shimfit.report.tables import SheetFacts
    from shimfit.workflow.plan import cut_list_of

    made = site.journal.now().isoformat(timespec="seconds")
    facts = SheetFacts(run, made, site.settings.graduation, site.box().lots)
    return cut_sheet_pdf(cut_list_of(site, run.job, run.name), facts)
