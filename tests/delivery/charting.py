"""Charting as a ward does it: courses opened one after another, checks and corrections of earlier ones in between."""

from datetime import UTC, datetime

from service.config import settings_from
from service.workflow import open_workflow
from tests.delivery.ward import small_check, small_course
from tests.intake.documents import amendment, retraction

LATER = 15  # so many courses later an earlier one is charted again


def chart(count: int) -> None:
    """Chart so many courses into the configured database."""
    workflow = open_workflow(settings_from())
    for number in range(count + LATER):
        if number < count:
            workflow.record_course(small_course(number), datetime.now(UTC))
        earlier = number - LATER
        if earlier >= 0 and (entries := again(earlier)):
            for each in entries:
                workflow.record_entries(f"alder-{earlier}", [each], datetime.now(UTC))
    workflow.close()


def again(number: int) -> list:
    """What some courses have more: another check, a corrected one, a retracted one."""
    if number % 5 == 1:
        return [small_check(2, "46.0")]
    if number % 10 == 3:
        return [amendment("am-1", small_check(1, "49.0"))]
    if number % 20 == 7:
        return [small_check(3, "44.5"), retraction("rt-1", "ch-3")]
    return []
