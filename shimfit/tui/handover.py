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


def suggested_name(run: RunState, what: str = "record") -> str:
    """A file name for the run's record, or for its cut sheet."""
    words = "-".join(f"{run.job} {run.name}".split())
    return f"{words}-{what}.pdf"


def export_record(
    site: Site,
    run: RunState,
    name: str,
    *,
    overwrite: bool = False,
    is_stopped: Callable[[], bool] = bool,
) -> Path:
    """Write the record to a .pdf, .csv or .json file, whole or not at all; returns where it went.

    Raises UsageError for another ending and where `is_stopped` says so before it writes, FileError where the
    file exists already (unless `overwrite`), can't be written, or the log it would tell of was altered.
    """
    from shimfit.report.record import record_of

    target = Path(name.strip()).expanduser()
    if target.suffix.lower() not in KINDS:
        raise UsageError(f"a record is a .pdf, .csv or .json file, not {target.name!r}")
    _refuse_over(target, overwrite=overwrite)
    record = record_of(site.journal, run.job, run.name)
    ending = target.suffix.lower()
    content = _bytes(ending, record, site.path.absolute().parent)
    if is_stopped():
        raise UsageError(f"stopped: {target.name} was not written")
    write_whole(target, content, KINDS[ending], keep=[site.path], force=overwrite)
    return target.absolute()


def export_cut_sheet(
    site: Site,
    run: RunState,
    name: str,
    *,
    overwrite: bool = False,
    is_stopped: Callable[[], bool] = bool,
) -> Path:
    """Write cut sheet and pack labels to a .pdf file, whole or not at all; returns where it went.

    Raises UsageError for another ending, where no post waits for packs and where `is_stopped` says so before
    it writes, FileError where the file exists already (unless `overwrite`) or can't be written.
    """
    from shimfit.report.sheets import cut_sheet_pdf
    from shimfit.report.words import facts_of
    from shimfit.workflow.plan import cut_list_of

    target = Path(name.strip()).expanduser()
    if target.suffix.lower() != ".pdf":
        raise UsageError(f"a cut sheet is a .pdf file, not {target.name!r}")
    _refuse_over(target, overwrite=overwrite)
    answer = cut_list_of(site, run.job, run.name)
    made = site.now().isoformat(timespec="seconds")
    sheet = cut_sheet_pdf(answer, facts_of(run, made, site.settings.graduation, site.box().lots))
    if is_stopped():
        raise UsageError(f"stopped: {target.name} was not written")
    write_whole(target, sheet, PDF, keep=[site.path], force=overwrite)
    return target.absolute()


def _refuse_over(target: Path, *, overwrite: bool) -> None:
    if target.exists() and not overwrite:
        raise FileError(f"{target.name} exists already", path=str(target))


def _bytes(kind: str, record: object, folder: Path) -> bytes:
    from shimfit.report.record import RunRecord, record_csv, record_json

    assert isinstance(record, RunRecord)
    if kind == ".csv":
        return record_csv(record).encode()
    if kind == ".json":
        return json.dumps({"schema": 1, **record_json(record)}, ensure_ascii=False, allow_nan=False).encode()
    from shimfit.report.asbuilt import record_pdf

    return record_pdf(record, photos=(Path.cwd(), folder))


class FileToWrite:
    """Takes the name; a second Enter on the same name writes over what is there."""

    def __init__(self, write: Callable[[str, bool], Path]) -> None:
        """write: (name, overwrite) → where it went; FileError that ends in `exists already` where it does."""
        self._write = write
        self._exists: str | None = None

    def named(self, name: str) -> Outcome:
        """Write it, or say why not."""
        try:
            target = self._write(name, self._exists == name)
        except ShimfitError as error:
            if isinstance(error, FileError) and error.message.endswith("exists already"):
                self._exists = name
                return refused(f"{error.message}: Enter again writes over it")
            return refused(error)
        return Outcome(f"written: {target.name}, in {target.parent}")
