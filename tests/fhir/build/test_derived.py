"""What is computed, as it leaves: the figures of the metrics, their methods, and why one is missing."""

from datetime import datetime
from decimal import Decimal

import pytest

from service.clinic.force import bench_table
from service.clinic.forecast import Forecast
from service.clinic.policy import read_policy
from service.clinic.quantities import present
from service.clinic.standing import StandingEntry
from service.fhir.build.charting import Charting
from service.fhir.build.context import Context
from service.fhir.build.derived import forecast
from service.fhir.build.shown import force_figures
from service.fhir.build.values import cm, percent
from service.fhir.project import Frame
from tests.fhir.build.course_of_nine import (
    ALL,
    CHECK_1,
    FRAME,
    INSTALLATION,
    OPEN,
    POLICY,
    SITE,
    TERMS,
    charted,
    course,
    entry,
    find,
    gaps,
    projected,
)

BUILT = projected(OPEN)


def check(entry_id, at, *pairs, **more):
    return entry("check", entry_id, at, device_status="in-place", gaps=gaps(*pairs),
                 bands=[{"band": 1, "mark_mm": "17.0"}], **more)  # fmt: skip


def test_the_widest_gap_is_the_largest_reading_with_its_own_digits_and_station():
    widest = find(BUILT, "widest-gap", "c1")
    assert str(widest["valueQuantity"]["value"]) == "3.60"
    assert str(widest["component"][0]["valueQuantity"]["value"]) == "5.0"


def test_the_share_closed_is_counted_from_the_first_gap_reading():
    # (62.0 - 36.0) / 62.0 = 41.935484 % at six decimals of the fraction: 0.419355
    closed = find(BUILT, "gap-closed-percent", "c1")
    assert str(closed["valueQuantity"]["value"]) == "41.9355"
    assert closed["valueQuantity"]["code"] == "%"
    baseline = find(BUILT, "widest-gap", "i1")["id"]
    own = find(BUILT, "widest-gap", "c1")["id"]
    assert [one["reference"] for one in closed["derivedFrom"]] == [f"Observation/{own}", f"Observation/{baseline}"]


def test_a_gap_that_has_grown_is_a_negative_share():
    wider = check("c9", "2026-03-02T09:00:00+01:00", ("50", "50"), ("100", "93"), ("150", "50"))
    assert str(find(projected((INSTALLATION, wider)), "gap-closed-percent", "c9")["valueQuantity"]["value"]) == "-50"


def test_the_closure_rate_leaves_in_cm_a_day():
    # 62.0 mm to 31.0 mm in exactly one day: 31 mm/d = 3.1 cm/d.
    day = check("c9", "2026-03-02T10:00:00+01:00", ("100", "31.0"))
    rate = find(projected((INSTALLATION, day)), "gap-closure-rate", "c9")
    assert (str(rate["valueQuantity"]["value"]), rate["valueQuantity"]["code"]) == ("3.1", "cm/d")


def test_the_open_area_of_one_reading_is_the_ellipse_estimate_and_says_so():
    # Source: area of an ellipse, pi/4 x length x width: 0.7853982 x 20 cm x 3.1 cm = 48.694686 cm2.
    day = check("c9", "2026-03-02T10:00:00+01:00", ("100", "31.0"))
    area = find(projected((INSTALLATION, day)), "open-area", "c9")
    assert area["valueQuantity"]["value"] == Decimal("48.694686")
    assert area["note"][0]["text"] == "method: ellipse-estimate"


def test_areas_by_different_methods_are_not_compared():
    day = check("c9", "2026-03-02T10:00:00+01:00", ("100", "31.0"))
    area = find(projected((INSTALLATION, day)), "area-closed-percent", "c9")
    assert area["dataAbsentReason"]["coding"][0]["code"] == "not-applicable"
    assert "methods" in area["dataAbsentReason"]["text"]


def test_a_reading_elsewhere_has_no_share_closed_and_says_why():
    elsewhere = check("c9", "2026-03-02T10:00:00+01:00", ("20", "12"), ("30", "15"))
    share = find(projected((INSTALLATION, elsewhere)), "gap-closed-percent", "c9")
    assert share["dataAbsentReason"] == TERMS.absent("stations-differ")
    assert "valueQuantity" not in share


def test_a_forecast_that_is_not_made_says_why():
    found = find(BUILT, "closable-forecast", "c1")
    assert found["dataAbsentReason"] == TERMS.absent("too-few-readings")
    assert "valueDateTime" not in found


@pytest.fixture(scope="module")
def long_course():
    days = enumerate(("50.0", "40.5", "33.0", "26.5", "21.0", "17.0"), start=2)
    checks = [
        check(f"d0{day}", f"2026-03-0{day}T10:00:00+01:00", ("50", "20"), ("100", gap), ("150", "20"))
        for day, gap in days
    ]
    return projected([INSTALLATION, *checks])


def test_a_forecast_has_a_median_two_limits_and_three_probabilities(long_course):
    found = find(long_course, "closable-forecast", "d07")
    assert found["valueDateTime"] > "2026-03-07"
    parts = {part["code"]["coding"][0]["code"]: part for part in found["component"]}
    assert set(parts) == {
        "closable-p05", "closable-p95", "closable-within-24h", "closable-within-48h", "closable-within-72h",
    }  # fmt: skip
    assert parts["closable-p05"]["valueDateTime"] < found["valueDateTime"]
    soon, later = (parts[f"closable-within-{hours}h"]["valueQuantity"]["value"] for hours in (24, 72))
    assert 0 <= soon <= later <= 1


def test_a_forecast_beyond_the_horizon_has_no_limit_and_says_why():
    stand = StandingEntry(*[charted([INSTALLATION])[0].entry] * 2)
    charting = Charting(Context(FRAME, course(), [stand]), stand.entry, "final")
    median = datetime.fromisoformat("2026-03-09T10:00:00.700+01:00")
    built = forecast(charting, Forecast(median, median, None, True, 0.1, 0.2, 0.3, None), []).resource
    late = next(part for part in built["component"] if part["code"]["coding"][0]["code"] == "closable-p95")
    assert late["dataAbsentReason"] == TERMS.absent("beyond-horizon")
    assert built["valueDateTime"] == "2026-03-09T10:00:00+01:00"


def test_the_method_names_the_formula_its_version_and_the_policy():
    method = find(BUILT, "gap-closed-percent", "c1")["method"]["text"]
    assert "formula gap-closed-percent, version 1" in method
    assert POLICY.version in method


def test_another_policy_shows_in_the_method_of_what_was_derived_with_it():
    tighter = read_policy(b'name = "tighter"\n[limits]\nstretch_low = 1.6\n', "tighter.toml", POLICY)
    built = projected(OPEN, frame=Frame(SITE, tighter, TERMS, "0.1.0"))
    assert "policy tighter" in find(built, "widest-gap", "c1")["method"]["text"]
    assert find(built, "band-stretch/1", "c1")["referenceRange"][0]["low"]["value"] == Decimal("1.6")


def test_a_measure_has_no_performer_and_names_what_it_comes_from():
    for one in projected():
        if "method" in one.resource:
            assert "performer" not in one.resource
            assert one.resource.get("derivedFrom") or one.role.startswith("count/")


@pytest.mark.parametrize(("ratio", "shown"), [("2.0", "1"), ("1", "0"), ("0.9", "0")])
def test_the_relative_force_is_1_at_the_maximum_and_0_without_stretch(ratio, shown):
    assert force_figures(Decimal(ratio))[0] == Decimal(shown)


def test_the_relative_force_is_that_of_the_neo_hookean_shape():
    # Source: neo-Hookean shape, s - 1/s^2 normed at 2.0 (Treloar 1944): (1.75 - 1/3.0625)/1.75 = 0.813411 at 1.75.
    shown, low, high = force_figures(Decimal("1.75"))
    assert shown == Decimal("0.813411")
    assert low == Decimal("0.75")  # Hooke: (1.75 - 1)/(2 - 1)
    assert high >= shown


def test_a_low_perfusion_pressure_difference_is_low_against_the_limit():
    # Source: McQueen and Court-Brown, J Bone Joint Surg Br 1996;78-B:99-104: below 30 mmHg; 70 - 45 = 25.
    delta = find(BUILT, "delta-pressure", "c1")
    assert (delta["valueQuantity"]["value"], delta["valueQuantity"]["code"]) == (Decimal(25), "mm[Hg]")
    assert delta["interpretation"][0]["coding"][0]["code"] == "L"
    assert delta["referenceRange"][0]["low"]["value"] == 30
    assert len(delta["derivedFrom"]) == 2
    assert "has to be looked at" in delta["text"]["div"]


def test_a_pressure_difference_at_the_limit_is_not_low():
    at_limit = {**CHECK_1, "diastolic_pressure_mmhg": "75", "compartment_pressure_mmhg": "45"}
    delta = find(projected((INSTALLATION, at_limit)), "delta-pressure", "c1")
    assert delta["interpretation"][0]["coding"][0]["code"] == "N"


def test_the_share_in_range_counts_the_bands_that_were_read():
    # Bands 1 (1.4) and 2 (2.05) were read, neither lies in range; band 3 was not read.
    assert find(BUILT, "bands-in-range-share", "c1")["valueQuantity"]["value"] == 0
    assert find(BUILT, "bands-in-range-share", "i1")["valueQuantity"]["value"] == 100
    assert find(BUILT, "bands-in-range-share", "c2")["dataAbsentReason"] == TERMS.absent("bands-not-read")


def test_counts_say_what_is_outstanding_and_from_what():
    dressings = find(projected(), "count/dressings", "m1")
    # 2 placed + 2 placed - 2 removed - 1 removed = 1
    assert dressings["valueQuantity"]["value"] == 1
    assert [part["valueQuantity"]["value"] for part in dressings["component"]] == [4, 3, 0, 0, 0]
    assert find(projected(), "count/dressings", "k1")["valueQuantity"]["value"] == 0


def test_a_placement_that_was_not_charted_leaves_the_count_unknown():
    unknown = {key: value for key, value in INSTALLATION.items() if key != "dressings_placed"}
    built = projected([unknown, *ALL[1:]])
    assert find(built, "count/dressings", "m1")["dataAbsentReason"] == TERMS.absent("count-unknown")


def test_moving_the_decimal_point_never_rounds():
    digits = Decimal("123.4567890123456789012345678901234567")
    assert str(cm(digits)) == "12.34567890123456789012345678901234567"
    assert str(percent(Decimal("0.5"))) == "50"
    assert str(percent(Decimal(1))) == "100"
    assert percent(Decimal(1) / 3) == present(Decimal(1) / 3) * 100


# An invented bench table; only its shape matters here.
BENCH = bench_table("invented", [1.0, 1.25, 1.5, 1.75, 2.0], [0.0, 1.10, 1.80, 2.35, 2.85])


def force_of(built, band, entry_id):
    parts = find(built, f"relative-band-force/{band}", entry_id)["component"]
    return next((part for part in parts if part["code"]["coding"][0]["code"] == "band-force"), None)


def test_newtons_leave_only_with_a_bench_table():
    stiff = {**INSTALLATION, "bands": [{**INSTALLATION["bands"][0], "mark_mm": "17.5"}]}
    assert force_of(projected((stiff,)), 1, "i1") is None
    force = force_of(projected((stiff,), bench=BENCH), 1, "i1")
    assert (force["valueQuantity"]["value"], force["valueQuantity"]["code"]) == (Decimal("2.35"), "N")


def test_a_stretch_outside_of_the_bench_table_has_no_newtons_and_says_why():
    force = force_of(projected((INSTALLATION, CHECK_1), bench=BENCH), 2, "c1")  # 20.5 mm of 10.0 mm
    assert force["dataAbsentReason"] == TERMS.absent("outside-calibration")
