"""The table of alerts: how severe each is, when it begins and ends, and which step usually follows it.

Codes, severities and rules are this project's own; the limits they name come from the policy. A usual step is what the
local protocol usually foresees, never an order.
"""

from msgspec import Struct

HIGH, MEDIUM, LOW = "high", "medium", "low"
SEVERITIES = (HIGH, MEDIUM, LOW)


class AlertKind(Struct, frozen=True):
    """How severe an alert is, which step usually follows it, and by which readings it begins and ends.

    `raised_when` and `cleared_when` name the limits of the policy; docs/alerts.md is made of them.
    """

    severity: str
    usual_step: str
    raised_when: str
    cleared_when: str


KINDS: dict[str, AlertKind] = {
    "above-maximum": AlertKind(
        HIGH,
        "the band is let out to its target mark and the skin at its anchors looked at",
        "a band reads above `stretch_high`",
        "any later reading of it that is not above",
    ),
    "below-range": AlertKind(
        MEDIUM,
        "the band is drawn to its target mark at a reset",
        "a band reads below `stretch_low`",
        "any later reading of it that is not below",
    ),
    "near-maximum": AlertKind(
        LOW,
        "the mark is read again, since the ruler's error reaches the maximum",
        "a band reads in range, above `stretch_high` less the ruler's error over its rest mark",
        "its next reading",
    ),
    "short-tail": AlertKind(
        MEDIUM,
        "a longer band is made ready before the next draw",
        "a tail is under `tail_min_mm`",
        "a tail that is long enough",
    ),
    "reset-overdue": AlertKind(
        HIGH,
        "the bands are read and reset, or the reason for waiting is charted",
        "the due time of a reset has passed",
        "a reset after which nothing is past its time",
    ),
    "anchors-covered": AlertKind(
        MEDIUM,
        "the dressing is cut to leave the anchors free and in sight",
        "the dressing is charted as covering anchors",
        "charted as not covering them",
    ),
    "small-dressing": AlertKind(
        MEDIUM,
        "a dressing larger than the gap is chosen and every piece counted in and out before the margins meet",
        "the smallest side of a dressing is less than the widest gap, judged anew at every gap reading",
        "a dressing removed, or a smallest side at or over the gap",
    ),
    "vacuum-therapy": AlertKind(
        HIGH,
        "the treating surgeon is asked, since suction locks the margins that bands draw",
        "vacuum therapy is in use while bands are in place; again at an installation while it is charted as in use",
        "charted as not in use",
    ),
    "skin-at-risk": AlertKind(
        HIGH,
        "the treating surgeon reviews the skin, and until then no band is set above its present stretch",
        "any skin sign but intact",
        "charted as intact",
    ),
    "low-perfusion-pressure": AlertKind(
        HIGH,
        "the limb is looked at and the treating surgeon called at once, since a number alone proves nothing",
        "diastolic less compartment pressure is under `perfusion_min_mmhg`, both of the same check",
        "both charted again and at or over it",
    ),
    "not-closing": AlertKind(
        MEDIUM,
        "the treating surgeon reviews what holds the margins",
        "the latest comparable gap is not smaller by more than `gap_reading_error_mm` than the latest one at "
        "least 48 h before it, with 3 or more readings from that one on",
        "no longer so",
    ),
    "not-parallel": AlertKind(
        LOW,
        "the bands along the wound are compared at the next reset",
        "parallelism is under `parallel_min`",
        "at or over it",
    ),
    "stations-differ": AlertKind(
        LOW,
        "the station that was widest at first is measured too at the next check",
        "the latest gap reading did not see the station that was widest at first",
        "a gap reading that did",
    ),
    "slow-widening": AlertKind(
        LOW,
        "swelling, infection and slipping anchors are looked for",
        "the latest comparable gap lies more than 3 x `gap_reading_error_mm` above the smallest, over two or more "
        "readings without a rebound",
        "no longer so",
    ),
    "dislodged": AlertKind(
        HIGH,
        "the treating surgeon is called, and anchors and bands are counted",
        "the device is charted as partly in place or dislodged",
        "charted as in place or removed",
    ),
    "count-mismatch": AlertKind(
        HIGH,
        "the items are counted again and what became of each is charted",
        "after a removal something is not accounted for, or more is than went in; a bedside count differs; the device "
        "is charted as removed without its counts, or as in place although by the counts all of it came out",
        "a later entry by which the counts agree",
    ),
    "item-unaccounted": AlertKind(
        HIGH,
        "the search and the imaging of the local policy for retained items follow",
        "a reconciliation escalates a lost item",
        "the item is found; stays after the course is closed",
    ),
    "item-left": AlertKind(
        MEDIUM,
        "whoever treats the wound next is told of it",
        "a reconciliation records an item left in on purpose",
        "the item is found; stays after the course is closed",
    ),
    "layout": AlertKind(
        LOW,
        "the treating surgeon confirms the placement",
        "an installation with an anchor interval over `anchor_interval_mm`, undermining over `undermining_max_mm`, "
        "or a setback outside of `setback_min_mm` to `setback_max_mm`",
        "a new installation",
    ),
}
