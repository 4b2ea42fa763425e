"""What needs attention, since when, and on what evidence.

Codes, severities and clearing rules are this project's own; limits come from the policy. An alert says what was read,
the limit and the usual step under the local protocol. It never orders treatment: decision support for trained staff,
no substitute for looking at the limb; signs of compartment syndrome, ischaemia or infection need a clinician at once.
"""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal

from msgspec import Struct, field
from msgspec.structs import replace

from service.clinic.alert_kinds import KINDS, SEVERITIES

OF_BANDS = ("above-maximum", "below-range", "near-maximum", "short-tail")
OF_GAPS = ("not-closing", "not-parallel", "stations-differ", "slow-widening")
# Ended at once by a removal of the whole device, an outcome and a new installation. What is not here (skin, perfusion,
# counts, vacuum therapy, a small dressing that may have been left behind) stays until charted otherwise.
OF_DEVICE = (*OF_BANDS, *OF_GAPS, "anchors-covered", "layout", "reset-overdue", "dislodged")


class AlertEpisode(Struct, frozen=True):
    """One alert from the entry that raised it to the entry that cleared it; (code, subject, raised_by) is unique.

    `observed` is the latest reading that keeps it up, charted by `observed_by` (at first the entry that raised it).
    `subject` is '' for the course, else band-3, anchors, bands, dressings or device.
    """

    code: str
    severity: str  # high | medium | low
    subject: str
    raised_by: str
    since: datetime
    cleared_by: str | None
    until: datetime | None
    observed: Decimal | str | None
    limit: Decimal | None
    unit: str | None
    text: str
    observed_by: str

    @property
    def active(self) -> bool:
        """Whether it has not ended."""
        return self.until is None


class Finding(Struct, frozen=True):
    """What one entry says that keeps an alert up: the reading, the limit, their UCUM unit, and a clause in words."""

    observed: Decimal | str | None
    limit: Decimal | None
    unit: str | None
    clause: str


def sentence(code: str, clause: str) -> str:
    """One plain sentence: what was found, and the usual step."""
    return f"{clause}; usual step under the local protocol: {KINDS[code].usual_step}."


def raised(code: str, subject: str, entry_id: str, since: datetime, finding: Finding) -> AlertEpisode:
    """An alert as it begins."""
    return AlertEpisode(
        code=code,
        severity=KINDS[code].severity,
        subject=subject,
        raised_by=entry_id,
        since=since,
        cleared_by=None,
        until=None,
        observed=finding.observed,
        limit=finding.limit,
        unit=finding.unit,
        text=sentence(code, finding.clause),
        observed_by=entry_id,
    )


def most_severe_first(episodes: Iterable[AlertEpisode]) -> tuple[AlertEpisode, ...]:
    """By severity, then the oldest, then by code and subject."""
    return tuple(sorted(episodes, key=lambda e: (SEVERITIES.index(e.severity), *oldest_first(e))))


def kept_up(episode: AlertEpisode, entry_id: str, finding: Finding) -> AlertEpisode:
    """An alert that goes on with a further reading."""
    return replace(
        episode,
        observed=finding.observed,
        limit=finding.limit,
        unit=finding.unit,
        text=sentence(episode.code, finding.clause),
        observed_by=entry_id,
    )


def oldest_first(episode: AlertEpisode) -> tuple[datetime, str, str, str]:
    """Sort key: when it began, then code and subject."""
    return episode.since, episode.code, episode.subject, episode.raised_by


class AlertBook(Struct):
    """The alerts of a course: at most one active for each code and subject, and all that have ended."""

    _active: dict[tuple[str, str], AlertEpisode] = field(default_factory=dict)
    _ended: dict[tuple[str, str, str], AlertEpisode] = field(default_factory=dict)  # by code, subject, raised_by

    def find(self, code: str, subject: str = "") -> AlertEpisode | None:
        """The active alert of this code and subject."""
        return self._active.get((code, subject))

    def judge(self, code: str, subject: str, finding: Finding | None, entry_id: str, at: datetime) -> None:
        """A reading that decides: with a finding the alert is raised or goes on with it, without one it is cleared."""
        if finding is None:
            self.clear(code, subject, entry_id, at)
        elif (now := self._active.get((code, subject))) is None:
            self._active[code, subject] = self.begin(code, subject, entry_id, at, finding)
            self._ended.pop((code, subject, entry_id), None)
        else:
            self._active[code, subject] = kept_up(now, entry_id, finding)

    def begin(self, code: str, subject: str, entry_id: str, at: datetime, finding: Finding) -> AlertEpisode:
        """An alert as it would begin; one that the same entry raised before and that had ended goes on."""
        before = self._ended.get((code, subject, entry_id))
        if before is None:
            return raised(code, subject, entry_id, at, finding)
        return kept_up(replace(before, cleared_by=None, until=None), entry_id, finding)

    def clear(self, code: str, subject: str, entry_id: str, at: datetime) -> None:
        """End the alert of this code and subject, if it is active."""
        episode = self._active.pop((code, subject), None)
        if episode is not None:
            ended = replace(episode, cleared_by=entry_id, until=at)
            self._ended[code, subject, episode.raised_by] = ended

    def end_all(self, codes: Iterable[str], entry_id: str, at: datetime, keep: Iterable[str] = ()) -> None:
        """End every active alert of these codes, but those about the subjects in `keep`."""
        ending, kept = set(codes), set(keep)
        for code, subject in [key for key in self._active if key[0] in ending and key[1] not in kept]:
            self.clear(code, subject, entry_id, at)

    @property
    def active(self) -> tuple[AlertEpisode, ...]:
        """The active alerts, most severe first."""
        return most_severe_first(self._active.values())

    def episodes(self, further: Iterable[AlertEpisode] = ()) -> tuple[AlertEpisode, ...]:
        """All alerts, ended and active, and further ones (which replace ended ones of theirs), by when they began."""
        every = dict(self._ended)
        every |= {(e.code, e.subject, e.raised_by): e for e in (*self._active.values(), *further)}
        return tuple(sorted(every.values(), key=oldest_first))

    def copy(self) -> "AlertBook":
        """An independent copy; the episodes themselves never change."""
        return AlertBook(dict(self._active), dict(self._ended))
