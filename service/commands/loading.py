"""`load`: course files, JSON Lines and CSV pairs into the database; what is refused goes to a rejects file."""

import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from rich.console import Console
from rich.progress import Progress

from service.config import settings_from
from service.intake.backfill import Document, documents
from service.intake.faults import Refused
from service.intake.rejects import Rejects
from service.intake.review import Known, review_course_file
from service.workflow import Workflow, open_workflow


def load_files(files: Sequence[Path], courses: Path | None) -> int:
    """Load into the configured database; 1 when anything was refused."""
    workflow = open_workflow(settings_from())
    try:
        return load_into(workflow, files, courses)
    finally:
        workflow.close()


def load_into(workflow: Workflow, files: Iterable[Path], courses: Path | None) -> int:
    """Load the files; the summary counts what was recorded, known already and refused."""
    counts = Counter[str]()
    with Progress(console=Console(stderr=True), transient=True) as progress:
        for path in files:
            task = progress.add_task(path.name, total=None)
            with Rejects(path, courses) as rejects:
                for document in documents(path, courses):
                    counts[_load(workflow, document, rejects)] += 1
                    progress.advance(task)
            progress.remove_task(task)
            for kept in rejects.paths if rejects.refused else ():
                print(f"refused ones are kept in {kept}", file=sys.stderr)
    recorded, known, refused = counts["recorded"], counts["known"], counts["refused"]
    print(f"{recorded} courses recorded, {known} already known, {refused} refused", file=sys.stderr)
    return 1 if refused else 0


def _load(workflow: Workflow, document: Document, rejects: Rejects) -> str:
    """Record one course file, or keep it with its reasons among the rejects."""
    faults = list(document.faults)
    if document.raw is not None:
        try:
            if not faults:
                done = workflow.record_course(document.raw, datetime.now(UTC))
                return "recorded" if done.changed else "known"
            review_course_file(document.raw, Known(), datetime.now(UTC))
        except Refused as refusal:
            faults += refusal.faults
    rejects.add(document, faults)
    for reason in document.reasons(faults):
        print(reason, file=sys.stderr)
    return "refused"
