"""The course view. Source: the intake contract, version 1, "course view"; the names are those of the glossary."""

import json
from datetime import datetime
from decimal import Decimal
from typing import Any

from hypothesis import given, settings

from service.clinic.course import fold_course
from service.clinic.quantities import QUANTITIES, present
from service.clinic.standing import standing
from service.clinic.summary import course_view
from tests.clinic.random_courses import courses
from tests.clinic.scenario import (
    POLICY,
    active,
    at,
    charted,
    check,
    course,
    folded,
    gaps,
    installation,
    marks,
    outcome,
    reconciliation,
    removal,
    summary,
)

D = Decimal


def view(*entries: Any, hours: float = 40) -> dict[str, Any]:
    return course_view(course(), folded(*entries).summary(at(hours)), at(hours))


def test_the_view_holds_what_the_contract_names() -> None:
    shown = view(installation(), check("c1", 6, gaps=gaps(50), bands=marks(21, 18)))
    assert {"course_id", "state", "latest", "bands", "next_reset", "counts", "alerts"} <= set(shown)
    assert (shown["course_id"], shown["state"]) == ("marrow-1", "open")
    named = {"band", "station_mm", "stretch_ratio", "state", "target_stretch_ratio", "target_mark_mm", "draw_mm"}
    assert named <= set(shown["bands"][0])
    assert {"due_at", "status", "reason", "bands"} <= set(shown["next_reset"])
    assert set(shown["counts"]) == {"anchors", "bands", "dressings"}
    assert {"placed", "removed", "reconciled", "outstanding"} <= set(shown["counts"]["bands"])
    assert all({"code", "severity", "since", "text"} <= set(alert) for alert in shown["alerts"])


def test_the_next_reset_is_told_with_its_status_as_of_now() -> None:
    entries = [installation(), check("c1", 6, bands=marks(21, 18, 18, 18, 18))]
    expected = {"due_at": at(7).isoformat(), "reason": "above-maximum", "bands": [1], "set_by": "c1"}
    assert view(*entries, hours=6.5)["next_reset"] == expected | {"status": "due"}
    assert view(*entries, hours=8)["next_reset"] == expected | {"status": "overdue"}
    assert view(installation(), outcome("o1", 3))["next_reset"] is None


def test_readings_keep_their_digits_and_derived_figures_are_presented() -> None:
    shown = view(installation(), check("c1", 6, gaps=gaps("31.0"), bands=marks("18.0")))
    assert str(shown["latest"]["max_gap_mm"]) == "31.0"
    assert str(shown["bands"][0]["mark_mm"]) == "18.0"
    assert str(shown["bands"][0]["stretch_ratio"]) == "1.8"
    assert str(shown["latest"]["closure_fraction"]) == "0.483333"  # 1 - 31/60


def test_without_gaps_the_reason_stands_and_the_last_measured_ones_beside_it() -> None:
    shown = view(installation(), check("c1", 6, gaps=gaps(50)), check("c2", 9, gaps_not_measured="in theatre"))
    latest = shown["latest"]
    assert latest["entry_id"] == "c2"
    assert "max_gap_mm" not in latest
    assert latest["max_gap_mm_absent_reason"] == "in theatre"
    assert (latest["last_measured"]["entry_id"], latest["last_measured"]["at"]) == ("c1", at(6).isoformat())
    assert latest["last_measured"]["max_gap_mm"] == 50


def test_absent_figures_carry_their_reason() -> None:
    shown = view(installation(gaps=gaps(60, stations=[100])), check("c1", 6, gaps=gaps(50), bands=marks(18)))
    latest, unread = shown["latest"], shown["bands"][1]
    assert latest["area_closure_fraction_absent_reason"] == "area-methods-differ"
    assert latest["closure_rate_low_absent_reason"] == "fewer-than-5-readings"
    assert latest["forecast_absent_reason"] == "too-few-readings"
    assert (unread["state"], unread["stretch_ratio_absent_reason"]) == ("not-read", "not-read")
    assert unread["draw_mm_absent_reason"] == "not-read"
    assert unread["target_mark_mm"] > 0
    few = view(installation(gaps=gaps(60, stations=[100])))["latest"]
    assert few["parallelism_absent_reason"] == "too-few-stations"


def test_a_forecast_beyond_the_horizon_is_shown_as_open_ended() -> None:
    looks = [check(f"c{n}", 12 * n, gaps=gaps(width)) for n, width in enumerate(("57.5", 56, 53, 51), start=1)]
    latest = view(installation(), *looks, hours=48)["latest"]
    assert latest["open_ended"] is True
    assert latest["closable_at_p95_absent_reason"] == "open-ended"
    assert 0 <= latest["p_closable_24h"] <= latest["p_closable_72h"] <= 1


def test_counts_tell_what_became_of_every_item() -> None:
    shown = view(installation(), removal("r1", 5, bands=3), reconciliation("k1", 6, "bands", found=1, escalated=1))
    assert shown["counts"]["bands"] == {
        "placed": 5,
        "removed": 3,
        "reconciled": 2,
        "found": 1,
        "left_on_purpose": 0,
        "unaccounted_escalated": 1,
        "outstanding": 0,
    }
    unknown = view(installation(dressings_placed=None))["counts"]["dressings"]
    assert unknown["outstanding_absent_reason"] == "not-charted"
    assert "outstanding" not in unknown


def test_a_view_before_any_entry_has_nothing_to_tell() -> None:
    shown = view()
    assert (shown["latest"], shown["bands"], shown["next_reset"], shown["alerts"]) == (None, [], None, [])


def test_text_and_figure_of_an_alert_say_the_same() -> None:
    entries = [installation(), check("c1", 6, bands=marks("20.5"))]
    (alert,) = [one for one in view(*entries)["alerts"] if one["code"] == "above-maximum"]
    assert alert["observed"] == D("2.05")
    assert f"{alert['observed']}" in alert["text"]
    assert active(summary(*entries), "above-maximum")[0].text == alert["text"]


def numbers_of(value: Any) -> list[Decimal]:
    if isinstance(value, dict):
        return [n for one in value.values() for n in numbers_of(one)]
    if isinstance(value, list):
        return [n for one in value for n in numbers_of(one)]
    return [value] if isinstance(value, Decimal) else []


@settings(max_examples=100, deadline=None)
@given(courses())
def test_every_view_is_plain_json_with_times_that_carry_their_offset(entries: list[Any]) -> None:
    shown = course_view(course(), fold_course(course(), standing(charted(*entries)), POLICY).summary(at(140)), at(140))
    json.dumps(shown, default=str)
    for number in numbers_of(shown):
        assert number.is_finite()
        assert "E" not in str(present(number))
    for alert in shown["alerts"]:
        assert datetime.fromisoformat(alert["since"]).utcoffset() is not None


def test_derived_names_are_those_of_the_glossary() -> None:
    looks = [check(f"c{n}", 12 * n, gaps=gaps(60 - 5 * n), bands=marks(*[18] * 5)) for n in range(1, 7)]
    pressures = check("c9", 80, diastolic_pressure_mmhg=75, compartment_pressure_mmhg=30, gaps=gaps(25))
    shown = view(installation(), *looks, pressures, hours=80)
    read = {"station_mm", "rest_mark_mm", "mark_mm", "tail_mm"}
    found = {
        name
        for part in (shown["latest"], *shown["bands"])
        for name, value in part.items()
        if isinstance(value, Decimal) or name.startswith("closable_at")
    }
    assert found - read <= set(QUANTITIES)
    assert found >= {"max_gap_mm", "closure_rate_low", "closable_at_median", "unstretched_span_mm"}
