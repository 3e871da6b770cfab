"""Backups by time: an export beside the data file (or in a folder of the user's) when the last one is old.

The backups themselves say when they were made, by name, so nothing has to be remembered anywhere.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from shimfit.store.transfer.moving import write_export
from shimfit.store.trouble import saying_what

if TYPE_CHECKING:
    from pathlib import Path

    from shimfit.store.journal import Journal

_NAME = "shimfit-backup-%Y%m%d-%H%M%S.jsonl"


def last_backup(folder: Path) -> datetime | None:
    """When the newest backup in a folder was made (local time); None when there is none."""
    times = []
    for file in folder.glob("shimfit-backup-*.jsonl") if folder.is_dir() else ():
        try:
            times.append(datetime.strptime(file.name, _NAME))  # noqa: DTZ007 - names hold local time
        except ValueError:
            continue  # a file of the user's that only looks like one
    return max(times, default=None)


def backup_due(folder: Path, days: int, now: datetime) -> bool:
    """True when backups are wanted (days > 0) and the newest in the folder is that old, or there is none."""
    if days <= 0:
        return False
    last = last_backup(folder)
    return last is None or now.replace(tzinfo=None) - last >= timedelta(days=days)


def write_backup(journal: Journal, folder: Path, now: datetime) -> Path:
    """Write a backup (JSON lines, restored by `shimfit import`) and return its file; raises FileError."""
    with saying_what(folder):
        folder.mkdir(parents=True, exist_ok=True)
    file = folder / now.strftime(_NAME)
    write_export(journal, file)
    return file


def backup_if_due(journal: Journal, folder: Path | None, days: int, now: datetime) -> Path | None:
    """Write a backup when one is due (folder None: beside the data file); its file, or None when it is not.

    Raises FileError when it can't be written: say so, and go on; nothing that was logged depends on it.
    """
    place = folder or journal.path.parent
    if not journal.head[0] or not backup_due(place, days, now):
        return None
    return write_backup(journal, place, now)
