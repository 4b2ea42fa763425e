"""`backup` and `restore`: an SQLite database into a file and back, nothing overwritten."""

import sys
from pathlib import Path

from service.config import settings_from
from service.store.backups import Copied, back_up, is_current, restore


def back_up_to(file: Path) -> int:
    """Copy the configured database into FILE, also while it is served; raises the store's error."""
    _tell(back_up(settings_from().database_url, file))
    return 0


def restore_from(file: Path) -> int:
    """Make the configured database of FILE, where there is none yet; raises the store's error."""
    copied = restore(file, settings_from().database_url)
    _tell(copied)
    if not is_current(copied):
        print("its tables are of another version: the next start brings older ones up to date", file=sys.stderr)
    print("to hold it against its record: closure-readings rebuild --check", file=sys.stderr)
    return 0


def _tell(copied: Copied) -> None:
    print(
        f"{copied.path}: {copied.courses} courses, {copied.entries} entries, {copied.size} bytes, checked and on disk"
    )
    print(f"sha256 {copied.digest}")
