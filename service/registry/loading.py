"""`registry load`: folders of NDJSON from any site into one registry file, all or nothing."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb

from service.registry.received_files import CheckedFile, Reject, check_files
from service.registry.tables import Merged, ViewSet, merge_type

_NONE = Merged(0, 0)


@dataclass(slots=True)
class Loaded:
    """What a load did, by resource type; `unread` types are sound, but no view reads them."""

    files: int = 0
    sound: Counter[str] = field(default_factory=Counter)
    merged: dict[str, Merged] = field(default_factory=dict)
    rejects: list[Reject] = field(default_factory=list)

    def unread(self) -> list[str]:
        """Types that no view reads."""
        return sorted(set(self.sound) - set(self.merged))


def load_folders(
    connection: duckdb.DuckDBPyConnection,
    views: ViewSet,
    folders: Sequence[Path],
    processes: int = 1,
    checked_one: Callable[[], None] = lambda: None,
) -> Loaded:
    """Check and merge all NDJSON below the folders; a folder's name is the site of resources that tell none.

    `checked_one` is called after each file. Raises OSError for a folder that cannot be read. A fault leaves the
    registry as it was.
    """
    for folder in folders:
        if not folder.is_dir():
            raise NotADirectoryError(f"{folder} is no folder")
    loaded = Loaded()
    with TemporaryDirectory() as clean:
        checked = []
        for file in check_files(folders, Path(clean), processes):
            checked.append(file)
            loaded.sound += file.types
            loaded.rejects += file.rejects
            checked_one()
        loaded.files = len(checked)
        connection.begin()
        try:
            for kind in views.by_type:
                if files := _holding(checked, kind):
                    loaded.merged[kind] = merge_type(connection, views, kind, files)
        except BaseException:
            connection.rollback()
            raise
        connection.commit()
    return loaded


def _holding(checked: Sequence[CheckedFile], kind: str) -> list[tuple[Path, str]]:
    """The files that hold resources of a type, with the site that their folder names."""
    return [(file.places[kind], file.folder.resolve().name) for file in checked if kind in file.places]
