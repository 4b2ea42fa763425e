"""`copy`: everything of one database into another, empty one."""

import sys

from rich.console import Console
from rich.progress import Progress, TaskID
from rich.table import Table

from service.store.copying import Tally, copy_database


def copy(source: str, target: str) -> int:
    """Copy with a progress bar, then print what was compared; raises the store's error."""
    with Progress(console=Console(stderr=True), transient=True) as progress:
        tasks: dict[str, TaskID] = {}

        def show(table: str, done: int, in_all: int) -> None:
            if table not in tasks:
                tasks[table] = progress.add_task(table, total=in_all)
            progress.update(tasks[table], completed=done)

        copied = copy_database(source, target, show)
    _print(copied)
    print("what was written to the source since the copy began is not in it", file=sys.stderr)
    return 0


def _print(copied: dict[str, Tally]) -> None:
    table = Table("table", "rows", "digest", title="Copied, read back and found equal")
    for name, found in copied.items():
        table.add_row(name, str(found.rows), found.digest[:16])
    Console().print(table)
