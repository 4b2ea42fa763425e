"""When the next reset is due, of which bands, and why; and the periods from one setting to the next.

The project's own rules over two limits of the policy: `reset_interval_h` (common practice, no source: once a day and
with every dressing change) and `out_of_range_grace_h` (project's own). Looking again never postpones a reset.
"""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal

from msgspec import Struct, field
from msgspec.structs import replace

DUE_WITHIN = timedelta(hours=2)
ABOVE_MAXIMUM, BELOW_RANGE, DRESSING_CHANGE = "above-maximum", "below-range", "dressing-change"
PREDICTED_SLACK, INTERVAL = "predicted-slack", "interval"
REASONS = (ABOVE_MAXIMUM, BELOW_RANGE, DRESSING_CHANGE, PREDICTED_SLACK, INTERVAL)  # the first of equals is named

DueStatus = Literal["planned", "due", "overdue"]
ClosedKind = Literal["reset", "installation", "removal", "outcome", "device-removed"]


class DueCandidate(Struct, frozen=True):
    """One reason for a reset: at the latest when, of which bands, and by which entry it is set."""

    due_at: datetime
    reason: str  # one of REASONS
    bands: tuple[int, ...]
    set_by: str


class DueReset(Struct, frozen=True):
    """The next reset of a course: the earliest candidate; `bands` are those due then, `set_by` what determines it."""

    due_at: datetime
    reason: str
    bands: tuple[int, ...]
    set_by: str
    candidates: tuple[DueCandidate, ...] = ()

    def status(self, now: datetime) -> DueStatus:
        """`overdue` once the due time has passed, `due` within the 2 h before it, else `planned`."""
        if now > self.due_at:
            return "overdue"
        return "due" if self.due_at - now <= DUE_WITHIN else "planned"


class BandClock(Struct, frozen=True):
    """What decides when one band is due: its last setting, a stretch out of range, a predicted slackening.

    `out_since` is the first reading out of range since the last setting or reading in range; `out_reason` says on
    which side the latest reading lies.
    """

    band: int
    set_at: datetime
    set_by: str
    out_since: datetime | None = None
    out_by: str | None = None
    out_reason: str | None = None
    slack_at: datetime | None = None
    slack_by: str | None = None

    def read(self, reason: str | None, at: datetime, entry_id: str) -> "BandClock":
        """After a mark reading; `reason` is None in range. A further reading out of range postpones nothing."""
        if reason is None:
            return replace(self, out_since=None, out_by=None, out_reason=None)
        if self.out_since is not None:
            return replace(self, out_reason=reason)
        return replace(self, out_since=at, out_by=entry_id, out_reason=reason)

    def predict(self, slack_at: datetime | None, entry_id: str | None) -> "BandClock":
        """With the instant at which the closing gap is predicted to slacken the band; by the latest gap reading."""
        return replace(self, slack_at=slack_at, slack_by=entry_id)


class DressingChange(Struct, frozen=True):
    """A charted time of the next dressing change."""

    due_at: datetime
    set_by: str


def due_reset(
    clocks: Iterable[BandClock],
    change: DressingChange | None,
    reset_interval_h: Decimal,
    out_of_range_grace_h: Decimal,
) -> DueReset | None:
    """The next reset of the bands in place; None when no band is.

    Per band: last setting + interval; first reading out of range + grace; predicted slackening. For the course: the
    next dressing change. The earliest counts; of equals the first of `REASONS`, then the lowest band.
    """
    clocks = sorted(clocks, key=lambda clock: clock.band)
    if not clocks:
        return None
    interval, grace = _hours(reset_interval_h), _hours(out_of_range_grace_h)
    found = [candidate for clock in clocks for candidate in _of_band(clock, interval, grace)]
    if change is not None:
        every = tuple(clock.band for clock in clocks)
        found.append(DueCandidate(change.due_at, DRESSING_CHANGE, every, change.set_by))
    candidates = _merged(found)
    first = candidates[0]
    bands = {band for candidate in candidates if candidate.due_at == first.due_at for band in candidate.bands}
    return DueReset(first.due_at, first.reason, tuple(sorted(bands)), first.set_by, candidates)


def _hours(hours: Decimal) -> timedelta:
    return timedelta(microseconds=int(hours * 3_600_000_000))


def _of_band(clock: BandClock, interval: timedelta, grace: timedelta) -> Iterator[DueCandidate]:
    bands = (clock.band,)
    yield DueCandidate(clock.set_at + interval, INTERVAL, bands, clock.set_by)
    if clock.out_since is not None and clock.out_by is not None and clock.out_reason is not None:
        yield DueCandidate(clock.out_since + grace, clock.out_reason, bands, clock.out_by)
    if clock.slack_at is not None and clock.slack_by is not None:
        yield DueCandidate(clock.slack_at, PREDICTED_SLACK, bands, clock.slack_by)


def _merged(found: list[DueCandidate]) -> tuple[DueCandidate, ...]:
    """Candidates with the same time, reason and entry as one, with all of their bands; the earliest first."""
    bands: dict[tuple[datetime, str, str], tuple[int, ...]] = {}
    for one in found:
        key = (one.due_at, one.reason, one.set_by)
        bands[key] = (*bands.get(key, ()), *one.bands)
    merged = [DueCandidate(due_at, reason, of, set_by) for (due_at, reason, set_by), of in bands.items()]
    return tuple(sorted(merged, key=lambda one: (one.due_at, REASONS.index(one.reason), one.bands)))


class ResetPeriod(Struct, frozen=True):
    """From one setting of bands to the next, or to the end; at most one is open at a time.

    `due` is the next reset as known now, or as last known before the period closed.
    """

    opened_by: str
    opened_at: datetime
    closed_by: str | None = None
    closed_at: datetime | None = None
    closed_kind: ClosedKind | None = None
    due: DueReset | None = None

    @property
    def is_open(self) -> bool:
        """Whether nothing has closed it."""
        return self.closed_by is None


class ResetPeriods(Struct):
    """The reset periods of a course in order; only the last can be open."""

    periods: list[ResetPeriod] = field(default_factory=list)
    changes: tuple[DressingChange, ...] = ()  # planned ones that lie after the last setting, in the order charted

    @property
    def current(self) -> ResetPeriod | None:
        """The open period, if there is one."""
        return self.periods[-1] if self.periods and self.periods[-1].is_open else None

    def open(self, entry_id: str, at: datetime, kind: Literal["installation", "reset"]) -> None:
        """A setting of bands: closes the open period and opens the next."""
        self.close(entry_id, at, kind)
        self.periods.append(ResetPeriod(entry_id, at))
        self.changes = tuple(change for change in self.changes if change.due_at > at)

    def plan_change(self, due_at: datetime, entry_id: str) -> None:
        """A check charts when the dressing will next be changed; the latest charted counts."""
        self.changes = (*self.changes, DressingChange(due_at, entry_id))

    @property
    def next_change(self) -> DressingChange | None:
        """The latest charted change of dressing that lies after the last setting."""
        return self.changes[-1] if self.changes else None

    @property
    def next_reset(self) -> DueReset | None:
        """What is due in the open period."""
        return self.current.due if self.current is not None else None

    def close(self, entry_id: str, at: datetime, kind: ClosedKind) -> None:
        """Nothing is due any longer; without an open period nothing happens."""
        if self.current is not None:
            self.periods[-1] = replace(self.periods[-1], closed_by=entry_id, closed_at=at, closed_kind=kind)

    def reopen(self) -> None:
        """The device was charted as removed, and is charted as in place after all."""
        if self.periods:
            self.periods[-1] = replace(self.periods[-1], closed_by=None, closed_at=None, closed_kind=None)

    def set_due(self, due: DueReset | None) -> None:
        """What is known now about the open period."""
        if self.current is not None:
            self.periods[-1] = replace(self.periods[-1], due=due)

    def copy(self) -> "ResetPeriods":
        """An independent copy; the periods themselves never change."""
        return ResetPeriods(self.periods[:], self.changes)
