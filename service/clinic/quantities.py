"""The glossary: one name, one unit and one definition for every derived quantity, and how a figure is shown."""

import re
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache

from msgspec import Struct

SIX_DECIMALS = Decimal("0.000001")
_SHOWN_AS_IT_IS = re.compile(r"-?[0-9]+(?:\.[0-9]{0,5}[1-9])?").fullmatch


class Quantity(Struct, frozen=True):
    """A derived quantity: its name everywhere, its UCUM unit ("1" = none), what it is."""

    name: str
    unit: str
    definition: str


@lru_cache(maxsize=4096)  # a figure stands in the view of a course, in its resources and in their sentences
def present(value: Decimal | float) -> Decimal:
    """A derived figure as shown everywhere: half-even to 6 decimals, no trailing zeros, never an exponent.

    For derived values only; a reading keeps the digits that were read. Floats go through their shortest text, so 0.1
    is 0.1. Zero is never negative. Raises ValueError for NaN and infinity, which are no figures.
    """
    number = value if isinstance(value, Decimal) else Decimal(repr(float(value)))
    if not number.is_finite():
        raise ValueError(f"{value} is no figure to show")
    if number and _SHOWN_AS_IT_IS(str(number)):
        return number
    text = format(number.quantize(SIX_DECIMALS, rounding=ROUND_HALF_EVEN), "f").rstrip("0").rstrip(".")
    return Decimal("0" if text in ("", "-0", "-") else text)


def _quantity(name: str, unit: str, definition: str) -> tuple[str, Quantity]:
    return name, Quantity(name, unit, definition)


# Units are UCUM; "1" has none, "" is an instant. Lengths here are in mm; FHIR resources show wound lengths in cm.
QUANTITIES: dict[str, Quantity] = dict(
    (
        _quantity("max_gap_mm", "mm", "largest gap between the margins over the measured stations"),
        _quantity("min_gap_mm", "mm", "smallest gap over the measured stations"),
        _quantity("widest_station_mm", "mm", "station of the largest gap; of equals the most central"),
        _quantity("mean_gap_mm", "mm", "open area / wound length"),
        _quantity("open_area_cm2", "cm2", "trapezoid over 3 or more stations, ends at 0; else the ellipse estimate"),
        _quantity("baseline_max_gap_mm", "mm", "largest gap of the course's first gap reading"),
        _quantity("closure_fraction", "1", "1 - largest gap / baseline's largest gap; negative when wider"),
        _quantity("area_closure_fraction", "1", "1 - open area / baseline's open area by the same method"),
        _quantity("closure_fraction_of_widest", "1", "1 - largest gap / largest gap so far in the course"),
        _quantity("parallelism", "1", "smallest / largest gap over the middle 60 % of the length; 1 = parallel"),
        _quantity("rebound_mm", "mm", "rise over the smallest gap of the segment, when beyond the rebound limit"),
        _quantity("closure_rate_mm_per_day", "mm/d", "Theil-Sen slope of the largest gap over up to 72 h; + = closing"),
        _quantity("closure_rate_low", "mm/d", "lower end of the exact 95 % rank interval of the closure rate"),
        _quantity("closure_rate_high", "mm/d", "upper end of the exact 95 % rank interval of the closure rate"),
        _quantity("closable_at_median", "", "instant by which the gap is closable with a chance of 50 %"),
        _quantity("closable_at_p05", "", "instant by which the gap is closable with a chance of 5 %"),
        _quantity("closable_at_p95", "", "instant by which the gap is closable with a chance of 95 %"),
        _quantity("p_closable_24h", "1", "chance that the gap is closable within 24 h of the latest gap reading"),
        _quantity("p_closable_48h", "1", "chance that the gap is closable within 48 h of the latest gap reading"),
        _quantity("p_closable_72h", "1", "chance that the gap is closable within 72 h of the latest gap reading"),
        _quantity("stretch_ratio", "1", "reference mark now / reference mark at rest"),
        _quantity("stretch_error", "1", "reading error of a mark / reference mark at rest"),
        _quantity("gap_mm", "mm", "gap at a band, from the latest comparable gap reading"),
        _quantity("span_mm", "mm", "distance between a band's anchors: gap at the band + 2 x setback"),
        _quantity("unstretched_span_mm", "mm", "band at rest between its anchors: span / stretch ratio read with it"),
        _quantity("gap_at_low_mm", "mm", "gap at which the band leaves the range below; negative: margins meet first"),
        _quantity("gap_at_slack_mm", "mm", "gap at which the band hangs slack; negative: margins meet first"),
        _quantity("relative_force", "1", "force / force at stretch 2.0, neo-Hookean; hours after a setting: at most"),
        _quantity("relative_force_low", "1", "smallest relative force over three laws; shape of the law only"),
        _quantity("relative_force_high", "1", "largest relative force over three laws; shape of the law only"),
        _quantity("relative_force_mean", "1", "mean relative force of the bands read; hours after a setting: at most"),
        _quantity("force_n", "N", "force by the site's bench table; hours after a setting: at most"),
        _quantity("share_in_range", "1", "bands in range / bands read"),
        _quantity("target_stretch_ratio", "1", "stretch to set: more in the middle and where the wound is wider"),
        _quantity("target_mark_mm", "mm", "target stretch x reference mark at rest, to 0.5 mm, inside the range"),
        _quantity("draw_mm", "mm", "unstretched band to draw through the holder; negative = let out"),
        _quantity("tail_after_mm", "mm", "free tail that is left after drawing"),
        _quantity("below_range_at", "", "instant at which the closing gap is expected to bring the band below range"),
        _quantity("perfusion_difference_mmhg", "mm[Hg]", "diastolic - compartment pressure of the same check"),
        _quantity("cut_length_mm", "mm", "unstretched band to cut: span / target stretch + 2 tails"),
    )
)
