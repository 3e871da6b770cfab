"""Writing what a run is handed over with: its record (pdf, csv, json by the name's ending), its cut sheet."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import FileError, ShimfitError, UsageError
from shimfit.outputs import PDF, RECORD_CSV, RECORD_JSON, write_whole
from shimfit.tui.session import Outcome, refused

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.standing import RunState
    from shimfit.workflow.site import Site

KINDS = {".pdf": PDF, ".csv": RECORD_CSV, ".json": RECORD_JSON}


def suggested_name(run: RunState, what: str) -> str:
    """A file name for the run's record, or for its cut sheet."""
    words = "-".join(f"{run.job} {run.name}".split())
    return f"{words}-{what}.pdf"


def export_record(
    site: Site, run: RunState, name: str, *, overwrite: bool = False, is_stopped: Callable[[], bool] = bool
) -> Path:
    """Write the record to a .pdf, .csv or .json file, whole or not at all; returns where it went.

    Raises UsageError for another ending and where `is_stopped` says so before it writes, FileError where the
    file exists already (unless `overwrite`), can't be written, or the log it would tell of was altered.
    """
    target = _target(name, tuple(KINDS), "a record is a .pdf, .csv or .json file", overwrite=overwrite)
    from shimfit.report.record import record_csv, record_json, record_of

    record = record_of(site.journal, run.job, run.name)
    match target.suffix.lower():
        case ".csv":
            content = record_csv(record).encode()
        case ".json":
            rows = {"schema": 1, **record_json(record)}
            content = json.dumps(rows, ensure_ascii=False, allow_nan=False).encode()
        case _:
            from shimfit.report.asbuilt import record_pdf

            content = record_pdf(record, photos=(Path.cwd(), site.journal.path.absolute().parent))
    return _written(site, target, content, overwrite=overwrite, is_stopped=is_stopped)


def export_cut_sheet(
    site: Site, run: RunState, name: str, *, overwrite: bool = False, is_stopped: Callable[[], bool] = bool
) -> Path:
    """Write cut sheet and pack labels to a .pdf file; raises as export_record, and where no post waits."""
    target = _target(name, (".pdf",), "a cut sheet is a .pdf file", overwrite=overwrite)
    from shimfit.report.sheets import cut_sheet_pdf
    from shimfit.report.tables import SheetFacts
    from shimfit.workflow.plan import cut_list_of

    answer = cut_list_of(site, run.job, run.name)
    made = site.journal.now().isoformat(timespec="seconds")
    sheet = cut_sheet_pdf(answer, SheetFacts(run, made, site.settings.graduation, site.box().lots))
    return _written(site, target, sheet, overwrite=overwrite, is_stopped=is_stopped)


def _target(name: str, endings: tuple[str, ...], what: str, *, overwrite: bool) -> Path:
    target = Path(name.strip()).expanduser()
    if target.suffix.lower() not in endings:
        raise UsageError(f"{what}, not {target.name!r}")
    if target.exists() and not overwrite:
        raise FileError(f"{target.name} exists already", path=str(target))
    return target


def _written(
    site: Site, target: Path, content: bytes, *, overwrite: bool, is_stopped: Callable[[], bool]
) -> Path:
    if is_stopped():
        raise UsageError(f"stopped: {target.name} was not written")
    write_whole(target, content, KINDS[target.suffix.lower()], keep=[site.journal.path], force=overwrite)
    return target.absolute()


def writing(write: Callable[[str, bool], Path]) -> Callable[[str], Outcome]:
    """What takes a file's name and writes it; a second Enter on the same name writes over what is there.

    write: (name, overwrite) → where it went; FileError that ends in `exists already` where it does.
    """
    there: set[str] = set()

    def named(name: str) -> Outcome:
        try:
            target = write(name, name in there)
        except ShimfitError as error:
            if not isinstance(error, FileError) or not error.message.endswith("exists already"):
                return refused(error)
            there.clear()
            there.add(name)
            return refused(f"{error.message}: Enter again writes over it")
        return Outcome(f"written: {target.name}, in {target.parent}")

    return named
