"""One finding of every alert on invented readings, so that the reference can show the sentence that a person reads.

The sentences come from the very functions that judge readings; nothing here decides anything.
"""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from service.clinic import findings
from service.clinic.alerts import Finding
from service.clinic.counts import Tally
from service.clinic.entries import GapReading, Identifier, Installation, InstalledBand, Performer
from service.clinic.gap import baseline_of, gap_metrics
from service.clinic.policy import Policy
from service.clinic.rate import GapPoint
from service.clinic.resets import DueReset

D = Decimal
SECOND_MORNING = datetime(2031, 3, 6, 8, tzinfo=UTC)
WOUND_MM = D(180)


def example_findings(policy: Policy) -> Mapping[str, Finding | None]:
    """A finding for each code of `alert_kinds.KINDS` under the policy given."""
    low, high, tail = policy.stretch_low, policy.stretch_high, policy.tail_min_mm
    stations = gap_metrics("", SECOND_MORNING, [(D(60), D(40)), (D(90), D(15)), (D(120), D(38))], WOUND_MM)
    elsewhere = [(D(20), D(12)), (D(40), D(20))]
    baseline = baseline_of([(D(90), D(61))], WOUND_MM)
    other_stations = gap_metrics("", SECOND_MORNING, elsewhere, WOUND_MM, baseline)
    now = GapPoint(SECOND_MORNING, D(52))
    before = GapPoint(SECOND_MORNING - timedelta(hours=48), D(53))
    creep = 3 * policy.gap_reading_error_mm + 1
    return {
        "above-maximum": findings.above_maximum(3, high + D("0.1"), policy),
        "below-range": findings.below_range(3, low - D("0.1"), policy),
        "near-maximum": findings.near_the_maximum(3, high, policy.mark_reading_error_mm / 10, policy),
        "short-tail": findings.short_tail(3, tail - 5, policy),
        "reset-overdue": findings.reset_overdue(DueReset(SECOND_MORNING, "interval", (1, 2, 3), "")),
        "anchors-covered": findings.anchors_covered(True),
        "small-dressing": findings.small_dressing(D(40), D(61)),
        "vacuum-therapy": findings.vacuum_therapy(),
        "skin-at-risk": findings.skin_at_risk(["blister", "anchor-pull-through"]),
        "low-perfusion-pressure": findings.low_perfusion_pressure(policy.perfusion_min_mmhg - 5, policy),
        "not-closing": findings.not_closing(now, before, policy),
        "not-parallel": findings.not_parallel(stations, policy),
        "stations-differ": findings.stations_differ(other_stations, baseline.widest_station_mm),
        "slow-widening": findings.slow_widening(45 + creep, D(45), 3, policy),
        "dislodged": findings.dislodged("dislodged"),
        "count-mismatch": findings.count_mismatch("bands", _tally(removed=5)),
        "item-unaccounted": findings.item_unaccounted("bands", _tally(removed=5, escalated=1)),
        "item-left": findings.item_left("anchors", _tally(removed=5, left=1)),
        "layout": findings.layout(_installation(policy), policy),
    }


def _tally(removed: int, left: int = 0, escalated: int = 0) -> Tally:
    """Six items placed; after a removal what is missing is missed."""
    tally = Tally()
    tally.place(6)
    tally.remove(removed)
    if left or escalated:
        tally.reconcile(0, left, escalated)
    return tally


def _installation(policy: Policy) -> Installation:
    """One band, set back further than the policy has it."""
    return Installation(
        kind="installation",
        entry_id="example",
        at=SECOND_MORNING,
        performer=Performer(identifier=Identifier(system="urn:example:staff", value="1")),
        anchors_per_side=19,
        anchor_interval_mm=policy.anchor_interval_mm,
        setback_mm=min(D(30), policy.setback_max_mm + 5),
        bands=[InstalledBand(band=1, station_mm=D(90), rest_mark_mm=D(10), mark_mm=D(18), tail_mm=D(80))],
        gaps=[GapReading(station_mm=D(90), gap_mm=D(61))],
    )
