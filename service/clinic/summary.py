"""All that is known of one course at one instant, and the course view made of it."""

from datetime import datetime
from decimal import Decimal
from typing import Any, Literal

from msgspec import Struct

from service.clinic.alerts import AlertEpisode
from service.clinic.bands import NOT_READ, BandState
from service.clinic.counts import ITEMS, Counts, ItemCount
from service.clinic.entries import Course, Installation, Outcome
from service.clinic.forecast import Forecast
from service.clinic.gap import GapMetrics
from service.clinic.policy import Policy
from service.clinic.quantities import present
from service.clinic.rate import ClosureRate
from service.clinic.resets import DueReset
from service.clinic.wording import band_sentence, in_order_of_work, reset_sentence

NOT_MEASURED, NO_BAND_READ, NOT_CHARTED = "not-measured", "no-band-read", "not-charted"
NO_COMPARABLE_GAP, TOO_FEW_STATIONS = "no-comparable-gap", "too-few-stations"
AREA_METHODS_DIFFER, OPEN_ENDED = "area-methods-differ", "open-ended"


class Summary(Struct, frozen=True):
    """The state of a course at an instant.

    `entry_id` names the latest installation or check. `gap` is the last measured one: when that entry measured none,
    `gap_absent_reason` says why and `gap` carries its own, earlier time. `alerts` are the active ones, most severe
    first. `policy` holds the limits with which all of it was derived.
    """

    course_id: str
    policy: Policy
    at: datetime
    entry_id: str | None
    entry_at: datetime | None
    state: Literal["open", "closed"]
    device_in_place: bool
    device_status: str | None
    installation: Installation | None
    gap: GapMetrics | None
    gap_absent_reason: str | None
    baseline_max_gap_mm: Decimal | None
    rate: ClosureRate
    forecast: Forecast
    bands: tuple[BandState, ...]
    share_in_range: Decimal | None
    relative_force_mean: float | None
    perfusion_difference_mmhg: Decimal | None
    perfusion_at: datetime | None
    next_reset: DueReset | None
    counts: Counts
    alerts: tuple[AlertEpisode, ...]
    hold: bool
    outcome: Outcome | None


def course_view(course: Course, summary: Summary, now: datetime) -> dict[str, Any]:
    """The course view of the intake contract, without its links and entries, which the edge adds.

    Readings keep their digits, derived figures go through `present`, times are ISO 8601 with their offset. A value
    that is absent has no member of its own but `<name>_absent_reason`, where there is a reason to give.
    """
    return {
        "course_id": course.course_id,
        "state": summary.state,
        "device_in_place": summary.device_in_place,
        "hold": summary.hold,
        "latest": _latest(summary),
        "bands": [_band(band) for band in summary.bands],
        "next_reset": _next_reset(summary.next_reset, now),
        "reset_plan": _reset_plan(summary, now),
        "counts": {item: _count(summary.counts.of(item)) for item in ITEMS},
        "alerts": [_alert(alert) for alert in summary.alerts],
        "policy": {"name": summary.policy.name, "version": summary.policy.version},
    }


def _latest(summary: Summary) -> dict[str, Any] | None:
    """The latest check, or before the first the installation; None before that."""
    if summary.entry_id is None or summary.entry_at is None:
        return None
    view: dict[str, Any] = {"entry_id": summary.entry_id, "at": summary.entry_at.isoformat()}
    if summary.device_status is not None:
        view["device_status"] = summary.device_status
    if summary.gap_absent_reason is None and summary.gap is not None:
        view |= _gap(summary.gap)
    else:
        view["max_gap_mm_absent_reason"] = summary.gap_absent_reason or NOT_MEASURED
        if summary.gap is not None:
            measured = {"entry_id": summary.gap.entry_id, "at": summary.gap.at.isoformat()}
            view["last_measured"] = measured | _gap(summary.gap)
    _put(view, "baseline_max_gap_mm", summary.baseline_max_gap_mm)
    _put_rate(view, summary.rate)
    _put_forecast(view, summary.forecast)
    _put(view, "share_in_range", _shown(summary.share_in_range), NO_BAND_READ)
    _put(view, "relative_force_mean", _shown(summary.relative_force_mean), NO_BAND_READ)
    if summary.perfusion_at is not None:
        view["perfusion_difference_mmhg"] = _shown(summary.perfusion_difference_mmhg)
        view["perfusion_at"] = summary.perfusion_at.isoformat()
    return view


def _gap(gap: GapMetrics) -> dict[str, Any]:
    view: dict[str, Any] = {
        "max_gap_mm": gap.max_gap_mm,
        "min_gap_mm": gap.min_gap_mm,
        "widest_station_mm": gap.widest_station_mm,
        "mean_gap_mm": present(gap.mean_gap_mm),
        "open_area_cm2": present(gap.open_area_cm2),
        "area_method": gap.area_method,
        "comparable": gap.comparable,
    }
    reason = gap.closure_absent_reason
    _put(view, "closure_fraction", _shown(gap.closure_fraction), reason)
    _put(view, "area_closure_fraction", _shown(gap.area_closure_fraction), reason or AREA_METHODS_DIFFER)
    _put(view, "closure_fraction_of_widest", _shown(gap.closure_fraction_of_widest), reason)
    _put(view, "parallelism", _shown(gap.parallelism), TOO_FEW_STATIONS)
    _put(view, "rebound_mm", _shown(gap.rebound_mm))
    return view


def _put_rate(view: dict[str, Any], rate: ClosureRate) -> None:
    interval_reason = rate.absent_reason or rate.interval_absent_reason
    _put(view, "closure_rate_mm_per_day", _shown(rate.mm_per_day), rate.absent_reason)
    _put(view, "closure_rate_low", _shown(rate.low), interval_reason)
    _put(view, "closure_rate_high", _shown(rate.high), interval_reason)


def _put_forecast(view: dict[str, Any], ahead: Forecast) -> None:
    if ahead.absent_reason is not None:
        view["forecast_absent_reason"] = ahead.absent_reason
    else:
        view["open_ended"] = ahead.open_ended
        for name in ("closable_at_median", "closable_at_p05", "closable_at_p95"):
            _put(view, name, _instant(getattr(ahead, name)), OPEN_ENDED)
    for name in ("p_closable_24h", "p_closable_48h", "p_closable_72h"):
        _put(view, name, _shown(getattr(ahead, name)))


def _band(band: BandState) -> dict[str, Any]:
    """A band as of now. One that the latest check did not read has neither ratio nor draw."""
    view: dict[str, Any] = {
        "band": band.band,
        "station_mm": band.station_mm,
        "rest_mark_mm": band.rest_mark_mm,
        "state": band.state,
        "stretch_error": present(band.stretch_error),
        "tail_after_short": band.tail_after_short,
        "hold": band.hold,
        "span_is_estimate": band.span_is_estimate,
    }
    _put(view, "mark_mm", band.mark_mm, NOT_READ)
    _put(view, "tail_mm", band.tail_mm)
    _put(view, "read_by", band.read_by)
    _put(view, "read_at", _instant(band.read_at))
    read = NOT_READ if band.stretch_ratio is None else None
    for name in ("stretch_ratio", "relative_force", "relative_force_low", "relative_force_high"):
        _put(view, name, _shown(getattr(band, name)), read)
    _put(view, "force_n", _shown(band.force_n), band.force_absent_reason)
    for name in ("gap_mm", "span_mm", "unstretched_span_mm", "gap_at_low_mm", "gap_at_slack_mm"):
        _put(view, name, _shown(getattr(band, name)), NO_COMPARABLE_GAP)
    no_target = NO_COMPARABLE_GAP if band.gap_mm is None else NOT_READ
    for name in ("target_stretch_ratio", "target_mark_mm", "draw_mm"):
        _put(view, name, _shown(getattr(band, name)), no_target)
    _put(view, "tail_after_mm", _shown(band.tail_after_mm))
    _put(view, "order", band.order)
    _put(view, "below_range_at", _instant(band.below_range_at))
    return view


def _next_reset(due: DueReset | None, now: datetime) -> dict[str, Any] | None:
    if due is None:
        return None
    return {
        "due_at": due.due_at.isoformat(),
        "status": due.status(now),
        "reason": due.reason,
        "bands": list(due.bands),
        "set_by": due.set_by,
    }


def _reset_plan(summary: Summary, now: datetime) -> dict[str, Any] | None:
    """The next reset in plain sentences: one for the plan, one for each band in order of work; None where none is due.

    Figures stand in `next_reset` and `bands`; a plan supports whoever does the reset and orders nothing.
    """
    if summary.next_reset is None:
        return None
    steps = [
        {"order": turn, "band": state.band, "text": band_sentence(state, summary.policy)}
        for turn, state in enumerate(in_order_of_work(summary.bands), start=1)
    ]
    return {"text": reset_sentence(summary.next_reset, summary.bands, now), "hold": summary.hold, "steps": steps}


def _count(count: ItemCount) -> dict[str, Any]:
    view: dict[str, Any] = {
        "removed": count.removed,
        "reconciled": count.reconciled,
        "found": count.found,
        "left_on_purpose": count.left_on_purpose,
        "unaccounted_escalated": count.unaccounted_escalated,
    }
    _put(view, "placed", count.placed, NOT_CHARTED)
    _put(view, "outstanding", count.outstanding, NOT_CHARTED)
    return view


def _alert(alert: AlertEpisode) -> dict[str, Any]:
    view: dict[str, Any] = {
        "code": alert.code,
        "severity": alert.severity,
        "since": alert.since.isoformat(),
        "text": alert.text,
        "raised_by": alert.raised_by,
        "observed_by": alert.observed_by,
    }
    _put(view, "subject", alert.subject or None)
    observed = alert.observed if isinstance(alert.observed, str) else _shown(alert.observed)
    _put(view, "observed", observed)
    _put(view, "limit", _shown(alert.limit))
    _put(view, "unit", alert.unit)
    return view


def _put(view: dict[str, Any], name: str, value: Any, reason: str | None = None) -> None:
    if value is not None:
        view[name] = value
    elif reason is not None:
        view[f"{name}_absent_reason"] = reason


def _shown(value: Decimal | float | None) -> Decimal | None:
    return None if value is None else present(value)


def _instant(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()
