"""`rebuild`: resources made afresh from the record, or held against it with `--check`."""

import sys
from datetime import UTC, datetime

from rich.console import Console
from rich.progress import Progress

from service.config import settings_from
from service.store.backups import damage_of
from service.workflow import open_workflow
from service.workflow.rebuilding import Compared, compare_all, course_count, rebuild_all

SHOWN_A_COURSE = 20


def rebuild(check: bool, after: str) -> int:
    """0 when all agree (or do so now), 1 with `check` when something differs, and when a record is damaged."""
    settings = settings_from()
    damage = damage_of(settings.database_url)
    for line in damage:
        print(f"the database file is damaged: {line}", file=sys.stderr)
    if damage:
        print("stop the service and restore a backup; nothing was compared", file=sys.stderr)
        return 1
    workflow = open_workflow(settings)
    done, last = [], after
    try:
        with Progress(console=Console(stderr=True), transient=True) as progress:
            task = progress.add_task("courses", total=course_count(workflow))
            for one in (compare_all if check else rebuild_all)(workflow, datetime.now(UTC), after):
                last = one.course_id
                if one.differences:
                    done.append(one)
                    _tell(one)
                progress.advance(task)
    except KeyboardInterrupt:
        print(f"stopped; to go on: closure-readings rebuild --after {last}", file=sys.stderr)
        return 1
    finally:
        workflow.close()
    return _sum_up(done, check)


def _tell(one: Compared) -> None:
    for difference in one.differences[:SHOWN_A_COURSE]:
        print(f"{one.course_id}: {difference.reference} {difference.what}")
    if len(one.differences) > SHOWN_A_COURSE:
        print(f"{one.course_id}: and {len(one.differences) - SHOWN_A_COURSE} more")


def _sum_up(done: list[Compared], check: bool) -> int:
    damaged = [one for one in done if any(difference.of_record for difference in one.differences)]
    if not done:
        print("every stored resource is what its record gives", file=sys.stderr)
        return 0
    if check:
        print(f"{len(done)} courses differ from their record; closure-readings rebuild writes them", file=sys.stderr)
    else:
        print(f"{len(done) - len(damaged)} courses rebuilt", file=sys.stderr)
    if damaged:
        print(f"{len(damaged)} courses have a damaged record and were left alone: restore a backup", file=sys.stderr)
    return 1 if check or damaged else 0
