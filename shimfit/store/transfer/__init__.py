"""Moving what was logged: export, import and merge, backups; and saving what a damaged file still holds."""

from shimfit.store.transfer.backup import backup_due, backup_if_due, last_backup, write_backup
from shimfit.store.transfer.checking import CheckedFile, check_text
from shimfit.store.transfer.conflicts import Conflict, find_conflicts
from shimfit.store.transfer.moving import Imported, export_text, import_text, write_export
from shimfit.store.transfer.salvage import Salvaged, salvage

__all__ = [
    "CheckedFile",
    "Conflict",
    "Imported",
    "Salvaged",
    "backup_due",
    "backup_if_due",
    "check_text",
    "export_text",
    "find_conflicts",
    "import_text",
    "last_backup",
    "salvage",
    "write_backup",
    "write_export",
]
