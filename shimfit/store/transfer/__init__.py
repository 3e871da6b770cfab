"""Moving what was logged: export, import and merge, backups; and saving what a damaged file still holds."""

from shimfit.store.transfer.backup import backup_due, backup_if_due, last_backup, write_backup
from shimfit.store.transfer.conflicts import Conflict, find_conflicts
from shimfit.store.transfer.moving import Imported, export_text, import_text, write_export
from shimfit.store.transfer.salvage import Salvaged, salvage

__all__ = [
    "Conflict",
    "Imported",
    "Salvaged",
    "backup_due",
    "backup_if_due",
    "export_text",
    "find_conflicts",
    "import_text",
    "last_backup",
    "salvage",
    "write_backup",
    "write_export",
]
