"""`sheet`: the hand-over sheet of a course as PDF."""

import sys
from datetime import UTC, datetime
from pathlib import Path

from service.config import settings_from
from service.report.hand_over import hand_over_sheet
from service.report.story import story_of
from service.workflow import UnknownCourse, open_workflow


def write_sheet(course_id: str, out: Path | None) -> int:
    """Write the sheet to `out`, else to <course>.pdf here; 1 when there is no such course."""
    workflow = open_workflow(settings_from())
    try:
        story = story_of(workflow, course_id, datetime.now(UTC))
    except UnknownCourse:
        print(f"no such course: {course_id}", file=sys.stderr)
        return 1
    finally:
        workflow.close()
    target = out or Path(f"{course_id}.pdf")
    target.write_bytes(hand_over_sheet(story))
    print(f"sheet written to {target}", file=sys.stderr)
    return 0
