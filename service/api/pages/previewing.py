"""What a form would mean for the course, without storing it: figures and faults while one types."""

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.api.pages.filled import Filled
from service.clinic.alerts import AlertEpisode
from service.clinic.bands import BandState
from service.clinic.gap import GapMetrics
from service.clinic.wording import in_order_of_work
from service.intake.faults import Fault, Refused
from service.intake.review import Known, review_entries
from service.projection import Site
from service.report.story import CourseStory, tell

NOBODY = {"identifier": {"system": "urn:preview", "value": "preview"}}
LATER = "preview"  # a reason for what is not typed yet


@dataclass(frozen=True, slots=True)
class Preview:
    """The course as it would stand; without a story, nothing could be computed yet."""

    story: CourseStory | None = None
    gap: GapMetrics | None = None  # of what was typed
    read: tuple[int, ...] = ()  # bands typed
    faults: Sequence[Fault] = field(default_factory=tuple)
    alerts: tuple[AlertEpisode, ...] = ()  # that this entry would raise

    @property
    def bands(self) -> list[BandState]:
        """Every band, in order of work."""
        return [] if self.story is None else in_order_of_work(self.story.summary.bands)


def preview_entry(site: Site, fhir_base: str, zone: ZoneInfo, known: Known, made: Filled, now: datetime) -> Preview:
    """A check or a reset as typed so far, what is missing put aside."""
    document = _lenient(made.document, now)
    if document["kind"] == "reset" and not document["bands"]:
        return Preview()
    try:
        reviewed = review_entries(document, known, now)
    except Refused as refused:
        return Preview(faults=refused.faults)
    if not reviewed.entries:
        return Preview()  # saved already
    charted = [*known.entries, *(new.charted for new in reviewed.entries)]
    story = tell(site, fhir_base, zone, Known(reviewed.course, "", charted, {}), now)
    entry_id = document["entry_id"]
    gap = next((gap for gap in story.gaps if gap.entry_id == entry_id), None)
    read = tuple(int(row["band"]) for row in document.get("bands", ()))
    raised = tuple(alert for alert in story.summary.alerts if alert.observed_by == entry_id)
    return Preview(story, gap, read, (), raised)


def _lenient(document: dict[str, Any], now: datetime) -> dict[str, Any]:
    """The document with what nobody has typed yet filled in, so that what was typed can be computed."""
    said = deepcopy(document)
    said["performer"] = NOBODY
    said.setdefault("at", now.isoformat())
    if said["kind"] == "reset":
        said["bands"] = [row for row in said.get("bands", ()) if "mark_mm_after" in row]
    else:
        _put_aside(said)
    return said


def _put_aside(said: dict[str, Any]) -> None:
    """Members of a check that are still missing."""
    said.setdefault("device_status", "in-place")
    for readings, reason in (("gaps", "gaps_not_measured"), ("bands", "bands_not_read")):
        if readings not in said:
            said.setdefault(reason, LATER)
    if "changed" not in said.get("dressing", {"changed": None}):
        said.pop("dressing")
