"""The due board: every open course of the site, most urgent first."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.clinic.alerts import AlertEpisode
from service.clinic.entries import Course
from service.clinic.summary import Summary
from service.projection import Folded
from service.report.course_lines import bands_named
from service.report.labels import Local, away, label, reading, who
from service.report.texts import _
from service.workflow import Workflow

AT_ONCE = 200


@dataclass(frozen=True, slots=True)
class Row:
    """One course on the board."""

    course: Course
    summary: Summary
    now: datetime
    local: Local
    last_at: datetime | None
    last_by: str

    @property
    def course_id(self) -> str:
        """Its id."""
        return self.course.course_id

    @property
    def place(self) -> str:
        """Where the wound is and how long."""
        wound = self.course.wound
        words = " ".join(label(part) for part in (wound.laterality, wound.body_site) if part)
        return f"{words}, {reading(wound.length_mm)}"

    @property
    def patient(self) -> str:
        """Whose it is."""
        patient = self.course.patient
        return (
            ", ".join(part for part in (patient.family, " ".join(patient.given or ())) if part)
            or patient.identifier.value
        )

    @property
    def status(self) -> str:
        """Of the next reset: overdue, due, planned; empty without one."""
        due = self.summary.next_reset
        return "" if due is None else due.status(self.now)

    @property
    def due_away(self) -> str:
        """How long until the reset, or since."""
        due = self.summary.next_reset
        return "" if due is None else away(due.due_at - self.now)

    @property
    def due_about(self) -> str:
        """Why the reset is due, and of which bands."""
        due = self.summary.next_reset
        return "" if due is None else f"{label(due.reason)}; {bands_named(due.bands)}"

    @property
    def has_high_alert(self) -> bool:
        """Whether an alert of high severity is active."""
        return any(alert.severity == "high" for alert in self.summary.alerts)

    @property
    def next_step(self) -> str:
        """What a course without a due reset waits for."""
        if self.summary.installation is None:
            return _("no installation charted yet")
        return _("no reset due") if self.summary.device_in_place else _("device out, outcome not charted")

    @property
    def alerts(self) -> list[tuple[AlertEpisode, list[str]]]:
        """The active alerts of weight, each kind once with what it is about."""
        kinds: dict[str, tuple[AlertEpisode, list[str]]] = {}
        for alert in self.summary.alerts:
            if alert.severity != "low":
                about = kinds.setdefault(alert.code, (alert, []))[1]
                about += [alert.subject.replace("-", " ")] if alert.subject else []
        return list(kinds.values())

    @property
    def urgency(self) -> tuple[int, datetime, str]:
        """Sort key: overdue, then with a high alert, then by due time."""
        due = self.summary.next_reset
        rank = 0 if self.status == "overdue" else 1 if self.has_high_alert else 2
        never = self.now + timedelta(days=3650)
        return rank, never if due is None else due.due_at, self.course_id


def read_board(workflow: Workflow, now: datetime) -> list[Row]:
    """A row for every open course; each is folded once and remembered, and told as of now."""
    local = Local(ZoneInfo(workflow.settings.zone))
    rows, after = [], ""
    with workflow.store.read(workflow.site.key) as unit:
        while page := unit.courses(state="open", after=after, limit=AT_ONCE):
            held = [workflow.memory.recall(unit, workflow.site, one.course_id) for one in page]
            rows += [_row(one.folded, local, now) for one in held if one is not None]
            after = page[-1].course_id
    return sorted(rows, key=lambda row: row.urgency)


def _row(folded: Folded, local: Local, now: datetime) -> Row:
    looked = [
        entry.entry
        for entry in folded.entries
        if entry.retraction is None and entry.entry.kind in ("installation", "check")
    ]
    last = looked[-1] if looked else None
    last_at, last_by = (None, "") if last is None else (last.at, who(last.performer))
    return Row(folded.course, folded.fold.summary(now), now, local, last_at, last_by)
