"""Writing the record of a run to a file: what kind follows from the name's ending."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import FileError, UsageError

if TYPE_CHECKING:
    from shimfit.store.state import RunState
    from shimfit.workflow.site import Site

KINDS = (".pdf", ".csv", ".json")


def suggested_name(run: RunState) -> str:
    """A file name for the run's record."""
    words = "-".join(f"{run.job} {run.name}".split())
    return f"{words}-record.pdf"


def export_record(site: Site, run: RunState, name: str, *, overwrite: bool = False) -> Path:
    """Write the record to a .pdf, .csv or .json file, whole or not at all; returns where it went.

    Raises UsageError for another ending, FileError where the file exists already (unless `overwrite`),
    can't be written, or the log it would tell of was altered.
    """
    from shimfit.report.gather import run_record
    from shimfit.report.rows import LogStamp

    target = Path(name.strip()).expanduser()
    if target.suffix.lower() not in KINDS:
        raise UsageError(f"a record is a {', '.join(KINDS[:-1])} or {KINDS[-1]} file, not {target.name!r}")
    if target.exists() and not overwrite:
        raise FileError(f"{target.name} exists already", path=str(target))
    _check_chain(site)
    events, seal = site.log()
    record = run_record(run, LogStamp(events, seal), site.box())
    _write_whole(target, _bytes(target.suffix.lower(), record))
    return target.absolute()


def _check_chain(site: Site) -> None:
    """Refuse to hand over what an altered log tells."""
    bad = site.journal.verify()
    if bad is not None:
        raise FileError(
            f"{site.path}: {bad.sentence}; what is before it can be believed, nothing after it can",
            path=str(site.path),
        )


def _bytes(kind: str, record: object) -> bytes:
    from shimfit.report.record import record_csv, record_json
    from shimfit.report.rows import RunRecord

    assert isinstance(record, RunRecord)
    if kind == ".csv":
        return record_csv(record).encode()
    if kind == ".json":
        return json.dumps({"schema": 1, **record_json(record)}, ensure_ascii=False, allow_nan=False).encode()
    from shimfit.report.pdf.asbuilt import record_pdf

    return record_pdf(record)


def _write_whole(target: Path, data: bytes) -> None:
    part = target.with_name(target.name + ".part")
    try:
        part.write_bytes(data)
        part.replace(target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise FileError(
            f"can't write {target}: {error.strerror}; name another folder", path=str(target)
        ) from error
