"""The bands: stretch, span, slackening, draw, and all of it for every band of an installation.

Lengths are decimals in mm; stretch ratios are decimals without unit and compared unrounded. Nothing here says that a
band should be reset: the local protocol and the treating surgeon decide.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from decimal import Decimal

from msgspec import Struct

from service.clinic import force
from service.clinic.force import BenchTable
from service.clinic.gap import GapMetrics, gap_at, position
from service.clinic.policy import Policy
from service.clinic.targets import order_of_work, target_mark_mm, target_range, target_share, target_stretch

BELOW_RANGE, IN_RANGE, ABOVE_MAXIMUM, NOT_READ = "below-range", "in-range", "above-maximum", "not-read"
ONE, ZERO = Decimal(1), Decimal(0)
FAR_DAYS = 3650


class BandState(Struct, frozen=True):
    """One band as of now: what was read, what follows from it, and the plan for its next setting."""

    band: int
    station_mm: Decimal
    rest_mark_mm: Decimal
    mark_mm: Decimal | None
    tail_mm: Decimal | None
    read_by: str | None
    read_at: datetime | None
    stretch_ratio: Decimal | None
    stretch_error: Decimal
    state: str  # below-range | in-range | above-maximum | not-read
    gap_mm: Decimal | None
    span_mm: Decimal | None
    span_is_estimate: bool
    unstretched_span_mm: Decimal | None
    gap_at_low_mm: Decimal | None
    gap_at_slack_mm: Decimal | None
    relative_force: float | None
    relative_force_low: float | None
    relative_force_high: float | None
    force_n: float | None
    force_absent_reason: str | None
    target_stretch_ratio: Decimal | None
    target_mark_mm: Decimal | None
    draw_mm: Decimal | None
    tail_after_mm: Decimal | None
    tail_after_short: bool
    order: int | None
    hold: bool
    below_range_at: datetime | None


class BandFacts(Struct, frozen=True):
    """What the entries say about one band, before anything is computed.

    `mark_mm`, `read_by`, `read_at`: its latest mark reading, of whatever entry; `read_now` is False when the latest
    check did not read it. `paired_mark_mm` and `paired_gap_mm` belong together in time and give the unstretched span;
    `pair_is_estimate` when the gap had to be taken from an earlier reading.
    """

    band: int
    station_mm: Decimal
    rest_mark_mm: Decimal
    mark_mm: Decimal | None
    tail_mm: Decimal | None
    read_by: str | None
    read_at: datetime | None
    read_now: bool
    paired_mark_mm: Decimal | None
    paired_gap_mm: Decimal | None
    pair_is_estimate: bool


class WoundNow(Struct, frozen=True):
    """What all bands of an installation share: the wound, the setback, the latest comparable gaps, the closing rate.

    `hold`: the skin was charted as anything but intact and not yet as intact again.
    """

    length_mm: Decimal
    setback_mm: Decimal
    gaps: GapMetrics | None
    rate_mm_per_day: float | None
    hold: bool


def stretch_ratio(mark_mm: Decimal, rest_mark_mm: Decimal) -> Decimal:
    """Mark now / mark at rest, no unit: 1 = no tension. 20.0/10.0 is exactly 2."""
    return mark_mm / rest_mark_mm


def stretch_error(mark_reading_error_mm: Decimal, rest_mark_mm: Decimal) -> Decimal:
    """How far off a stretch ratio may be for the ruler's sake: reading error / mark at rest, no unit."""
    return mark_reading_error_mm / rest_mark_mm


def band_condition(ratio: Decimal | None, policy: Policy) -> str:
    """`below-range`, `in-range` (both ends included), `above-maximum`, or `not-read` without a ratio."""
    if ratio is None:
        return NOT_READ
    if ratio < policy.stretch_low:
        return BELOW_RANGE
    return ABOVE_MAXIMUM if ratio > policy.stretch_high else IN_RANGE


def near_maximum(ratio: Decimal, error: Decimal, policy: Policy) -> bool:
    """In range, and within the ruler's error of the maximum."""
    return policy.stretch_high - error < ratio and band_condition(ratio, policy) == IN_RANGE


def span_mm(gap_mm: Decimal, setback_mm: Decimal) -> Decimal:
    """Distance between the two anchors of a band: gap + 2 x setback."""
    return gap_mm + 2 * setback_mm


def unstretched_span_mm(span: Decimal, ratio: Decimal) -> Decimal:
    """Length at rest of the band between its anchors, L0 = span / stretch ratio read together with it (S1 to S4)."""
    return span / ratio


def predicted_stretch(gap_mm: Decimal, setback_mm: Decimal, l0_mm: Decimal) -> Decimal:
    """Stretch ratio when the gap has become so wide: (gap + 2 x setback) / L0 (S5, S9). Below 1 the band is slack."""
    return span_mm(gap_mm, setback_mm) / l0_mm


def gap_at_stretch(ratio: Decimal, l0_mm: Decimal, setback_mm: Decimal) -> Decimal:
    """Gap at which the band has come to a stretch ratio: ratio x L0 - 2 x setback (S1 to S4).

    With `stretch_low` the gap at which it leaves the range, with 1 the gap at which it hangs slack. Negative: not
    before the margins meet.
    """
    return ratio * l0_mm - 2 * setback_mm


def draw_mm(span: Decimal, ratio_now: Decimal, ratio_set: Decimal) -> Decimal:
    """Unstretched band to draw through the holder: span x (1/λ_now - 1/λ_set); negative = let out."""
    return span * (1 / ratio_now - 1 / ratio_set)


def time_to_gap(
    gap_mm: Decimal, max_gap_mm: Decimal, later_gap_mm: Decimal, rate_mm_per_day: float
) -> timedelta | None:
    """Time until a gap has narrowed to a later one when every gap narrows in proportion (S6).

    w(t) = w (1 - rate x t / max gap). 0 when it is already there; None when nothing closes, or the later gap is
    negative (not before the margins meet).
    """
    if rate_mm_per_day <= 0 or later_gap_mm < 0 or max_gap_mm <= 0:
        return None
    if gap_mm <= later_gap_mm:
        return timedelta()
    days = float((1 - later_gap_mm / gap_mm) * max_gap_mm) / rate_mm_per_day
    return timedelta(seconds=round(days * 86_400)) if days < FAR_DAYS else None


def below_range_at(
    gap_mm: Decimal, gap_at_low_mm: Decimal, ratio: Decimal | None, wound: WoundNow, policy: Policy
) -> datetime | None:
    """When the closing gap brings a band down to `stretch_low`, counted from the latest comparable gap reading.

    None if the wound is not closing, `gap_at_low_mm` is negative, or the band already reads below range. Never before
    that gap reading; to whole seconds. None, too, when ten years ahead: only a vanishing rate gives that.
    """
    if wound.gaps is None or wound.rate_mm_per_day is None:
        return None
    if ratio is not None and ratio < policy.stretch_low:
        return None
    after = time_to_gap(gap_mm, wound.gaps.max_gap_mm, gap_at_low_mm, wound.rate_mm_per_day)
    return None if after is None else wound.gaps.at + after


def share_in_range(states: Sequence[BandState]) -> Decimal | None:
    """Bands in range / bands read, no unit; None when none was read."""
    read = [state.state for state in states if state.state != NOT_READ]
    return Decimal(read.count(IN_RANGE)) / len(read) if read else None


def relative_force_mean(states: Sequence[BandState]) -> float | None:
    """Mean relative force over the bands read, no unit (S8); None when none was."""
    return force.mean_relative_force([float(s.stretch_ratio) for s in states if s.stretch_ratio is not None])


def band_states(
    facts: Sequence[BandFacts], wound: WoundNow, policy: Policy, bench: BenchTable | None = None
) -> tuple[BandState, ...]:
    """Every band of an installation as of now, with the plan for its next setting; in the order given."""
    gaps = _gaps_at_bands(facts, wound)
    order = order_of_work([fact.station_mm for fact in facts], wound.length_mm)
    widest, narrowest = max(gaps, default=ZERO), min(gaps, default=ZERO)
    states = []
    for index, fact in enumerate(facts):
        gap = gaps[index] if gaps else None
        share = None
        if gap is not None:
            share = target_share(position(fact.station_mm, wound.length_mm), gap, widest, narrowest)
        states.append(_band_state(fact, gap, share, order[index], wound, policy, bench))
    return tuple(states)


def _gaps_at_bands(facts: Sequence[BandFacts], wound: WoundNow) -> list[Decimal]:
    if wound.gaps is None:
        return []
    return [gap_at(fact.station_mm, wound.gaps.readings, wound.length_mm) for fact in facts]


def _band_state(
    fact: BandFacts,
    gap: Decimal | None,
    share: Decimal | None,
    order: int,
    wound: WoundNow,
    policy: Policy,
    bench: BenchTable | None,
) -> BandState:
    ratio = stretch_ratio(fact.mark_mm, fact.rest_mark_mm) if fact.read_now and fact.mark_mm is not None else None
    span = None if gap is None else span_mm(gap, wound.setback_mm)
    l0 = _paired_l0(fact, wound.setback_mm)
    at_low = None if l0 is None else gap_at_stretch(policy.stretch_low, l0, wound.setback_mm)
    target, mark = _target(fact, share, wound.hold, policy, bench)
    draw = None
    if span is not None and ratio is not None and mark is not None:
        draw = draw_mm(span, ratio, stretch_ratio(mark, fact.rest_mark_mm))
    tail_after = None if draw is None or fact.tail_mm is None else fact.tail_mm + draw
    low_force, high_force = (None, None) if ratio is None else force.relative_force_range(float(ratio))
    newtons, no_newtons = _newtons(ratio, bench)
    return BandState(
        band=fact.band,
        station_mm=fact.station_mm,
        rest_mark_mm=fact.rest_mark_mm,
        mark_mm=fact.mark_mm if fact.read_now else None,
        tail_mm=fact.tail_mm,
        read_by=fact.read_by,
        read_at=fact.read_at,
        stretch_ratio=ratio,
        stretch_error=stretch_error(policy.mark_reading_error_mm, fact.rest_mark_mm),
        state=band_condition(ratio, policy),
        gap_mm=gap,
        span_mm=span,
        span_is_estimate=fact.pair_is_estimate,
        unstretched_span_mm=l0,
        gap_at_low_mm=at_low,
        gap_at_slack_mm=None if l0 is None else gap_at_stretch(ONE, l0, wound.setback_mm),
        relative_force=None if ratio is None else force.relative_force(float(ratio)),
        relative_force_low=low_force,
        relative_force_high=high_force,
        force_n=newtons,
        force_absent_reason=no_newtons,
        target_stretch_ratio=target,
        target_mark_mm=mark,
        draw_mm=draw,
        tail_after_mm=tail_after,
        tail_after_short=tail_after is not None and tail_after < policy.tail_min_mm,
        order=order,
        hold=wound.hold,
        below_range_at=None if gap is None or at_low is None else below_range_at(gap, at_low, ratio, wound, policy),
    )


def _paired_l0(fact: BandFacts, setback_mm: Decimal) -> Decimal | None:
    if fact.paired_mark_mm is None or fact.paired_gap_mm is None:
        return None
    return unstretched_span_mm(
        span_mm(fact.paired_gap_mm, setback_mm), stretch_ratio(fact.paired_mark_mm, fact.rest_mark_mm)
    )


def _target(
    fact: BandFacts, share: Decimal | None, hold: bool, policy: Policy, bench: BenchTable | None
) -> tuple[Decimal | None, Decimal | None]:
    if share is None:
        return None, None
    target = target_stretch(*target_range(fact.rest_mark_mm, policy), share, bench)
    if not hold:
        return target, target_mark_mm(target, fact.rest_mark_mm, policy)
    if fact.mark_mm is None:
        return None, None  # on hold without any mark read: nothing may be set, since the present stretch is unknown
    held = min(target, stretch_ratio(fact.mark_mm, fact.rest_mark_mm))
    return held, target_mark_mm(held, fact.rest_mark_mm, policy, hold_at_mm=fact.mark_mm)


def _newtons(ratio: Decimal | None, bench: BenchTable | None) -> tuple[float | None, str | None]:
    if ratio is None:
        return None, NOT_READ
    if bench is None:
        return None, force.NO_BENCH_TABLE
    newtons = bench.force_n(float(ratio))
    return newtons, force.OUTSIDE_CALIBRATION if newtons is None else None
