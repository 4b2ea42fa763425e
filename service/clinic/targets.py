"""Target stretch of each band and the order of work: most in the middle and where the wound is widest.

Lengths are decimals in mm, stretch ratios decimals without unit. A target is a plan for trained staff, never an order:
the local protocol and the treating surgeon decide, and skin signs override it.
"""

from collections.abc import Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_DOWN, Decimal

from service.clinic.force import BenchTable
from service.clinic.policy import HALF_MM, Policy

ONE, ZERO = Decimal(1), Decimal(0)


def position_share(xi: Decimal) -> Decimal:
    """Share of the target range by place along the wound: 1 - ξ², 1 in the middle and 0 at the ends."""
    return 1 - xi * xi


def gap_share(gap_mm: Decimal, widest_mm: Decimal, narrowest_mm: Decimal) -> Decimal:
    """Share of the target range by gap: (w - V)/(W - V), 1 where widest and 0 where narrowest; 0 when all are equal."""
    return (gap_mm - narrowest_mm) / (widest_mm - narrowest_mm) if widest_mm != narrowest_mm else ZERO


def target_share(xi: Decimal, gap_mm: Decimal, widest_mm: Decimal, narrowest_mm: Decimal) -> Decimal:
    """Share q of the target range, 0 to 1: (1 - b)(1 - ξ²) + b (w - V)/(W - V), b = (W - V)/W (0 when W is 0).

    W and V are the largest and smallest gap over the installation's bands. Tension is highest where the wound is
    widest; as the margins become parallel (b = 0) the plain profile by place remains. Highest force in the middle was
    found for elliptical excisions (Capek 2012); for a slit it is common practice, no source.
    """
    b = (widest_mm - narrowest_mm) / widest_mm if widest_mm else ZERO
    return (1 - b) * position_share(xi) + b * gap_share(gap_mm, widest_mm, narrowest_mm)


def target_range(rest_mark_mm: Decimal, policy: Policy) -> tuple[Decimal, Decimal]:
    """Lowest and highest target stretch: target_low, and target_high or the maximum less the ruler's error.

    On a short mark the ruler's error can take the upper end below `target_low`; then both are that upper end, but
    never below `stretch_low`.
    """
    certain = policy.stretch_high - policy.mark_reading_error_mm / rest_mark_mm
    high = max(policy.stretch_low, min(policy.target_high, certain))
    return min(policy.target_low, high), high


def target_stretch(low: Decimal, high: Decimal, share: Decimal, bench: BenchTable | None = None) -> Decimal:
    """Target stretch: low + (high - low) x share (Z1, Z2, Z4); with a bench table by force (Z3, Z5).

    The force form takes the same share between the forces at `low` and at `high`. A table that does not reach `high`
    cannot give it; the plain one serves then.
    """
    plain = low + (high - low) * share
    if bench is None or low == high:
        return plain
    force_low, force_high = bench.force_n(float(low)), bench.force_n(float(high))
    if force_low is None or force_high is None:
        return plain
    found = bench.stretch_at(force_low + (force_high - force_low) * float(share))
    return plain if found is None else min(high, max(low, Decimal(repr(found))))


def target_mark_mm(
    target: Decimal, rest_mark_mm: Decimal, policy: Policy, hold_at_mm: Decimal | None = None
) -> Decimal:
    """The mark to set: target x mark at rest to the nearest 0.5 mm (a tie goes down), kept inside the working range.

    Where the range of an unusual mark holds no half-millimetre, the exact length. `hold_at_mm` is the present mark
    while on hold: then rounded down and never above it, out of the range only if the present mark is already below.
    """
    lowest, highest = policy.stretch_low * rest_mark_mm, policy.stretch_high * rest_mark_mm
    wanted = target * rest_mark_mm
    if hold_at_mm is not None:
        wanted = min(wanted, hold_at_mm)
        mark = _half_mm(wanted, ROUND_FLOOR)
        return mark if mark >= lowest or hold_at_mm < lowest else wanted
    mark = _half_mm(wanted, ROUND_HALF_DOWN)
    if mark > highest:
        mark = _half_mm(highest, ROUND_FLOOR)
    if mark < lowest:
        mark = _half_mm(lowest, ROUND_CEILING)
    return mark if mark <= highest else min(highest, max(lowest, wanted))


def _half_mm(length_mm: Decimal, rounding: str) -> Decimal:
    return (length_mm / HALF_MM).quantize(ONE, rounding=rounding) * HALF_MM


def order_of_work(stations_mm: Sequence[Decimal], length_mm: Decimal) -> list[int]:
    """1, 2, 3 ... for each band, from the middle of the wound outwards; of equally central ones the first comes first.

    Common practice, no source.
    """
    ranked = sorted(range(len(stations_mm)), key=lambda i: (abs(2 * stations_mm[i] - length_mm), stations_mm[i], i))
    order = [0] * len(ranked)
    for rank, index in enumerate(ranked, start=1):
        order[index] = rank
    return order
