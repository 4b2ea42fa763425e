"""What a reading says that keeps an alert up, or None where it says that there is nothing.

One plain function for each rule of the alerts: numbers and limits in, a `Finding` with them in words out. Rules without
another source are this project's own; the limits and their basis stand in the policy.
"""

from collections.abc import Sequence
from decimal import Decimal

from service.clinic.alerts import Finding
from service.clinic.bands import ABOVE_MAXIMUM, BELOW_RANGE, band_condition, near_maximum
from service.clinic.counts import Tally
from service.clinic.entries import Installation
from service.clinic.gap import GapMetrics
from service.clinic.policy import Policy
from service.clinic.quantities import present
from service.clinic.rate import SLOW_WIDENING_ERRORS, GapPoint
from service.clinic.resets import DueReset

MM, MMHG, NO_UNIT = "mm", "mm[Hg]", "1"
PLACE_WORDS = {
    "above-maximum": "read above the maximum",
    "below-range": "read below the working range",
    "dressing-change": "planned dressing change",
    "predicted-slack": "predicted to slacken",
    "interval": "time since the last setting",
}


def as_read(number: Decimal) -> str:
    """A reading or a limit with the digits it was given in."""
    return f"{number:f}"


def shown(number: Decimal | float) -> str:
    """A derived figure as it is shown everywhere."""
    return f"{present(number):f}"


def bands_in_words(bands: Sequence[int] | Sequence[str]) -> str:
    """`band 3`, or `bands 1, 2, 5`."""
    return ("band " if len(bands) == 1 else "bands ") + ", ".join(map(str, bands))


def above_maximum(band: int, ratio: Decimal, policy: Policy) -> Finding | None:
    """A band stretched beyond the stated maximum. 20.0/10.0 is exactly 2 and is not."""
    if band_condition(ratio, policy) != ABOVE_MAXIMUM:
        return None
    high = policy.stretch_high
    clause = f"Band {band} reads a stretch ratio of {shown(ratio)}, above the maximum of {as_read(high)}"
    return Finding(ratio, high, NO_UNIT, clause)


def below_range(band: int, ratio: Decimal, policy: Policy) -> Finding | None:
    """A band that has slackened below the working range."""
    if band_condition(ratio, policy) != BELOW_RANGE:
        return None
    low = policy.stretch_low
    clause = f"Band {band} reads a stretch ratio of {shown(ratio)}, below the working range from {as_read(low)}"
    return Finding(ratio, low, NO_UNIT, clause)


def near_the_maximum(band: int, ratio: Decimal, error: Decimal, policy: Policy) -> Finding | None:
    """A band in range, but within the ruler's error of the maximum."""
    if not near_maximum(ratio, error, policy):
        return None
    clause = (
        f"Band {band} reads a stretch ratio of {shown(ratio)}, within the reading error of {shown(error)} "
        f"of the maximum of {as_read(policy.stretch_high)}"
    )
    return Finding(ratio, policy.stretch_high - error, NO_UNIT, clause)


def short_tail(band: int, tail_mm: Decimal, policy: Policy) -> Finding | None:
    """A free end too short to draw on."""
    if tail_mm >= policy.tail_min_mm:
        return None
    clause = f"The tail of band {band} is {as_read(tail_mm)} mm, under {as_read(policy.tail_min_mm)} mm"
    return Finding(tail_mm, policy.tail_min_mm, MM, clause)


def reset_due_clause(due: DueReset, verb: str) -> str:
    """Which bands are (or were) due for a reset, when and why."""
    return f"A reset of {bands_in_words(due.bands)} {verb} due at {due.due_at.isoformat()} ({PLACE_WORDS[due.reason]})"


def reset_overdue(due: DueReset) -> Finding:
    """A reset whose time has passed."""
    return Finding(due.due_at.isoformat(), None, None, reset_due_clause(due, "was"))


def anchors_covered(covers_anchors: bool) -> Finding | None:
    """A dressing over the anchors hides them and the skin beneath."""
    return Finding("covered", None, None, "The dressing covers anchors") if covers_anchors else None


def small_dressing(smallest_side_mm: Decimal, max_gap_mm: Decimal) -> Finding | None:
    """A dressing smaller than the gap could be left behind under closing margins."""
    if smallest_side_mm >= max_gap_mm:
        return None
    clause = (
        f"The smallest side of a dressing is {as_read(smallest_side_mm)} mm, less than the widest gap of "
        f"{as_read(max_gap_mm)} mm, so it could be left behind under closing margins"
    )
    return Finding(smallest_side_mm, max_gap_mm, MM, clause)


def vacuum_therapy() -> Finding:
    """Vacuum therapy over bands in place."""
    return Finding("in use", None, None, "Vacuum therapy is in use while bands are in place")


def skin_at_risk(signs: Sequence[str]) -> Finding | None:
    """Any skin sign but intact."""
    if list(signs) == ["intact"]:
        return None
    words = ", ".join(sign.replace("-", " ") for sign in signs)
    return Finding(", ".join(signs), None, None, f"Skin signs are charted: {words}")


def low_perfusion_pressure(difference_mmhg: Decimal, policy: Policy) -> Finding | None:
    """Diastolic minus compartment pressure under the limit; at the limit it is not (C1 to C3).

    Source: McQueen and Court-Brown, J Bone Joint Surg Br 1996;78-B:99-104.
    """
    limit = policy.perfusion_min_mmhg
    if difference_mmhg >= limit:
        return None
    clause = f"Diastolic minus compartment pressure is {shown(difference_mmhg)} mmHg, under {as_read(limit)} mmHg"
    return Finding(difference_mmhg, limit, MMHG, clause)


def not_closing(latest: GapPoint, earlier: GapPoint, policy: Policy) -> Finding:
    """The widest gap has not narrowed by more than the reading error over 48 h or longer."""
    error = policy.gap_reading_error_mm
    clause = (
        f"The widest gap is {shown(latest.gap_mm)} mm and was {shown(earlier.gap_mm)} mm at "
        f"{earlier.at.isoformat()}, so it is not smaller by more than the reading error of {as_read(error)} mm"
    )
    return Finding(latest.gap_mm, earlier.gap_mm - error, MM, clause)


def slow_widening(latest_mm: Decimal, smallest_mm: Decimal, readings: int, policy: Policy) -> Finding | None:
    """The widest gap has crept up by more than three reading errors over two or more readings."""
    limit = SLOW_WIDENING_ERRORS * policy.gap_reading_error_mm
    if readings < 2 or latest_mm - smallest_mm <= limit:
        return None
    clause = (
        f"The widest gap is {shown(latest_mm)} mm, {shown(latest_mm - smallest_mm)} mm above the smallest of "
        f"{shown(smallest_mm)} mm and so more than {shown(limit)} mm over {readings} readings without a rebound"
    )
    return Finding(latest_mm, smallest_mm + limit, MM, clause)


def not_parallel(gap: GapMetrics, policy: Policy) -> Finding | None:
    """The margins of the middle 60 % of the wound are far from parallel."""
    if gap.parallelism is None or gap.parallelism >= policy.parallel_min:
        return None
    clause = f"Parallelism of the margins is {shown(gap.parallelism)}, under {as_read(policy.parallel_min)}"
    return Finding(gap.parallelism, policy.parallel_min, NO_UNIT, clause)


def stations_differ(gap: GapMetrics, baseline_widest_mm: Decimal) -> Finding | None:
    """A gap reading that did not see the place that was widest at first."""
    if gap.comparable:
        return None
    first, last = gap.readings[0][0], gap.readings[-1][0]
    measured = as_read(first) if first == last else f"{as_read(first)} to {as_read(last)}"
    clause = (
        f"Gaps were measured at {measured} mm along the wound, not over the station that was widest at first, "
        f"{as_read(baseline_widest_mm)} mm"
    )
    return Finding(measured, baseline_widest_mm, MM, clause)


def dislodged(device_status: str) -> Finding | None:
    """The device is charted as partly in place or dislodged."""
    if device_status not in ("partly-in-place", "dislodged"):
        return None
    return Finding(device_status, None, None, f"The device is charted as {device_status.replace('-', ' ')}")


def layout(installation: Installation, policy: Policy) -> Finding | None:
    """An installation outside of the policy's layout."""
    found = []
    if installation.anchor_interval_mm > policy.anchor_interval_mm:
        limit = as_read(policy.anchor_interval_mm)
        found.append(f"anchor interval {as_read(installation.anchor_interval_mm)} mm (at most {limit} mm)")
    undermined = installation.undermined_mm
    if undermined is not None and undermined > policy.undermining_max_mm:
        found.append(f"undermining {as_read(undermined)} mm (at most {as_read(policy.undermining_max_mm)} mm)")
    if not policy.setback_min_mm <= installation.setback_mm <= policy.setback_max_mm:
        limits = f"{as_read(policy.setback_min_mm)} to {as_read(policy.setback_max_mm)} mm"
        found.append(f"setback {as_read(installation.setback_mm)} mm ({limits})")
    words = ", ".join(found)
    return Finding(words, None, None, f"The layout differs from the policy: {words}") if found else None


def count_mismatch(item: str, tally: Tally) -> Finding | None:
    """Items that nobody can point to, or more items than went in."""
    missing = tally.mismatch
    if missing == 0:
        return None
    placed = str(tally.placed) if tally.all_placements_known else "an unknown number"
    verdict = f"{missing} not accounted for" if missing > 0 else f"{-missing} more than the counts allow"
    clause = (
        f"{item.capitalize()}: {placed} placed, {tally.removed} removed, {tally.found} found, "
        f"{tally.left_on_purpose} left on purpose, {tally.unaccounted_escalated} escalated, so {verdict}"
    )
    return Finding(Decimal(missing), Decimal(0), NO_UNIT, clause)


def count_at_bedside(item: str, present_items: int, tally: Tally) -> Finding | None:
    """A bedside count that differs from what should be there."""
    if present_items == tally.balance:
        return None
    clause = f"{item.capitalize()}: {present_items} counted at the bedside where {tally.balance} should be"
    return Finding(Decimal(present_items), Decimal(tally.balance), NO_UNIT, clause)


def counts_not_charted(anchors: Tally, bands: Tally) -> Finding:
    """The device is charted as removed and no removal says what came out."""
    clause = (
        "The device is charted as removed, but its counts are not charted: "
        f"{anchors.balance} anchors and {bands.balance} bands are outstanding"
    )
    return Finding("counts not charted", None, None, clause)


def in_place_against_counts(device_status: str) -> Finding:
    """The device is charted as there although by the counts all of it came out."""
    words = device_status.replace("-", " ")
    clause = f"The device is charted as {words}, but by the counts nothing of it is outstanding"
    return Finding(device_status, None, None, clause)


def item_unaccounted(item: str, tally: Tally) -> Finding | None:
    """Lost items that were escalated."""
    lost = tally.unaccounted_escalated
    if lost == 0:
        return None
    return Finding(Decimal(lost), Decimal(0), NO_UNIT, f"{item.capitalize()}: {lost} lost and escalated")


def item_left(item: str, tally: Tally) -> Finding | None:
    """Items left in on purpose."""
    left = tally.left_on_purpose
    if left == 0:
        return None
    return Finding(Decimal(left), Decimal(0), NO_UNIT, f"{item.capitalize()}: {left} left in on purpose")
