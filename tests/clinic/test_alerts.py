"""Every alert: when it is raised, when it is cleared, what ends it.

Codes, severities and clearing rules are the project's own. Limits: working range 1.5 to 2.0, tail 50 mm, anchor
interval 10 mm, setback 10 to 15 mm and undermining 20 mm are common practice, no source; the perfusion limit is of
McQueen and Court-Brown, J Bone Joint Surg Br 1996;78-B:99-104 (C1 to C3).
"""

from decimal import Decimal
from typing import Any

import pytest
from msgspec.structs import replace

from service.clinic.alerts import KINDS, OF_BANDS, OF_DEVICE, OF_GAPS
from tests.clinic.scenario import (
    POLICY,
    active,
    at,
    check,
    codes,
    ended,
    folded,
    gaps,
    installation,
    marks,
    outcome,
    reconciliation,
    removal,
    reset,
    summary,
)

FIVE = (18, 18, 18, 18, 18)

# code -> (severity, the entry that raises it after an installation, one that clears it, one that does not)
ROWS: dict[str, tuple[str, Any, list[Any], list[Any]]] = {
    "above-maximum": (
        "high",
        check("up", 2, bands=marks(18, "20.1")),
        [check("ok", 3, bands=marks(18, 20)), check("ok", 3, bands=marks(18, 14)), reset("ok", 3, 18, 18)],
        [check("no", 3), check("no", 3, bands=marks(18)), check("no", 3, bands=marks(18, 21)), reset("no", 3, 18)],
    ),
    "below-range": (
        "medium",
        check("up", 2, bands=marks(18, "14.9")),
        [check("ok", 3, bands=marks(18, 15)), check("ok", 3, bands=marks(18, 21)), reset("ok", 3, 18, 18)],
        [check("no", 3), check("no", 3, bands=marks(18)), check("no", 3, bands=marks(18, 14))],
    ),
    "near-maximum": (
        "low",
        check("up", 2, bands=marks(18, "19.6")),
        [check("ok", 3, bands=marks(18, "19.5")), check("ok", 3, bands=marks(18, 21)), reset("ok", 3, 18, 18)],
        [check("no", 3), check("no", 3, bands=marks(18)), check("no", 3, bands=marks(18, "20.0"))],
    ),
    "short-tail": (
        "medium",
        check("up", 2, bands=marks(18, 18, tails_mm=[60, 49])),
        [check("ok", 3, bands=marks(18, 18, tails_mm=[60, 50])), reset("ok", 3, 18, 18, tails_mm=[60, 55])],
        [check("no", 3), check("no", 3, bands=marks(18, 18)), reset("no", 3, 18, 18, tails_mm=[60, 40])],
    ),
    "anchors-covered": (
        "medium",
        check("up", 2, dressing={"changed": False, "covers_anchors": True}),
        [check("ok", 3, dressing={"changed": False, "covers_anchors": False})],
        [check("no", 3), check("no", 3, dressing={"changed": True, "placed": 1, "removed": 1})],
    ),
    "small-dressing": (
        "medium",
        check("up", 2, dressing={"changed": False, "smallest_side_mm": Decimal("59.9")}),
        [
            check("ok", 3, dressing={"changed": True, "placed": 1, "removed": 1}),
            check("ok", 3, dressing={"changed": False, "smallest_side_mm": 60}),
            check("ok", 3, gaps=gaps(59)),
            removal("ok", 3),
            reconciliation("ok", 3, "dressings", escalated=1),
        ],
        [
            check("no", 3),
            check("no", 3, gaps=gaps(60)),
            check("no", 3, dressing={"changed": True, "placed": 1}),
            removal("no", 3, dressings=0),
            outcome("no", 3),
        ],
    ),
    "vacuum-therapy": (
        "high",
        check("up", 2, vacuum_therapy_in_use=True),
        [check("ok", 3, vacuum_therapy_in_use=False)],
        [check("no", 3), removal("no", 3), outcome("no", 3), installation("no", 3)],
    ),
    "skin-at-risk": (
        "high",
        check("up", 2, skin=["blanching"]),
        [check("ok", 3, skin=["intact"])],
        [check("no", 3), check("no", 3, skin=["blister", "erosion"]), removal("no", 3), outcome("no", 3)],
    ),
    "low-perfusion-pressure": (
        "high",
        check("up", 2, diastolic_pressure_mmhg=70, compartment_pressure_mmhg=45),  # C1: 25
        [check("ok", 3, diastolic_pressure_mmhg=75, compartment_pressure_mmhg=45)],  # C2: 30 is not below
        [
            check("no", 3),
            check("no", 3, diastolic_pressure_mmhg=120),
            check("no", 3, compartment_pressure_mmhg=10),
            check("no", 3, diastolic_pressure_mmhg=50, compartment_pressure_mmhg=60),  # C3: -10, never clipped
            removal("no", 3),
            outcome("no", 3),
        ],
    ),
    "not-parallel": (
        "low",
        check("up", 2, gaps=gaps(20, 50, 60, 50, 20)),  # 0.333, under 0.6
        [check("ok", 3, gaps=gaps(36, 50, 60, 50, 40))],  # exactly 0.6
        [check("no", 3), check("no", 3, gaps=gaps(60, stations=[100])), check("no", 3, gaps=gaps(10, 9, 9, 9, 5))],
    ),
    "stations-differ": (
        "low",
        check("up", 2, gaps=gaps(40, 40, stations=[20, 60])),  # widest at first: 100 mm
        [check("ok", 3, gaps=gaps(40, stations=[90]))],  # within 10 mm
        [check("no", 3), check("no", 3, gaps=gaps(40, stations=[111]))],
    ),
    "dislodged": (
        "high",
        check("up", 2, device_status="dislodged"),
        [check("ok", 3, device_status="in-place"), check("ok", 3, device_status="removed"), removal("ok", 3)],
        [check("no", 3, device_status="partly-in-place"), reset("no", 3, 18)],
    ),
}
RAISED = [pytest.param(code, id=code) for code in ROWS]


def pairs(place: int) -> list[Any]:
    return [
        pytest.param(code, entry, id=f"{code}-{n}")
        for code, row in ROWS.items()
        for n, entry in enumerate((row[2], row[3])[place])
    ]


@pytest.mark.parametrize("code", RAISED)
def test_an_alert_is_raised_by_the_entry_that_says_so(code: str) -> None:
    severity, entry, _, _ = ROWS[code]
    assert code not in codes(summary(installation()))
    (alert,) = active(summary(installation(), entry), code)
    assert (alert.severity, alert.raised_by, alert.since, alert.until) == (severity, "up", at(2), None)
    assert alert.text.endswith(f"; usual step under the local protocol: {KINDS[code].usual_step}.")


@pytest.mark.parametrize(("code", "entry"), pairs(0))
def test_an_alert_is_cleared_by_an_entry_that_says_so(code: str, entry: Any) -> None:
    fold = folded(installation(), ROWS[code][1], entry)
    assert code not in codes(fold.summary(at(3)))
    (episode,) = ended(fold.episodes(at(3)), code)
    assert (episode.raised_by, episode.cleared_by, episode.until) == ("up", "ok", at(3))


@pytest.mark.parametrize(("code", "entry"), pairs(1))
def test_an_alert_stays_until_an_entry_says_otherwise(code: str, entry: Any) -> None:
    (alert,) = active(summary(installation(), ROWS[code][1], entry), code)
    if code != "near-maximum" or entry.bands is None or len(entry.bands) < 2:
        assert (alert.raised_by, alert.since) == ("up", at(2))


ENDS = {"removal": removal("x", 3), "outcome": outcome("x", 3), "installation": installation("x", 3, gaps=gaps(30))}
OF_ROWS = sorted(set(ROWS) & set(OF_DEVICE))


@pytest.mark.parametrize("code", OF_ROWS)
@pytest.mark.parametrize("kind", ENDS)
def test_what_is_about_the_device_ends_with_it_at_once(code: str, kind: str) -> None:
    fold = folded(installation(), ROWS[code][1], ENDS[kind])
    (episode,) = ended(fold.episodes(at(3)), code)
    assert (episode.raised_by, episode.cleared_by, episode.until) == ("up", "x", at(3))
    assert code not in codes(fold.summary(at(3)))


def test_what_is_about_the_patient_and_the_counts_does_not_end_with_the_device() -> None:
    stays = {"skin-at-risk", "low-perfusion-pressure", "count-mismatch", "item-unaccounted", "item-left"}
    stays |= {"vacuum-therapy", "small-dressing"}
    assert stays == set(KINDS) - set(OF_DEVICE)
    assert set(OF_BANDS) | set(OF_GAPS) < set(OF_DEVICE)


def test_an_alert_that_goes_on_shows_the_latest_reading_and_keeps_its_beginning() -> None:
    state = summary(installation(), check("c1", 2, bands=marks(21)), check("c2", 4, bands=marks("22.5")))
    (alert,) = active(state, "above-maximum")
    assert (alert.since, alert.raised_by, alert.observed_by) == (at(2), "c1", "c2")
    assert (alert.observed, alert.limit, alert.unit) == (Decimal("2.25"), Decimal("2.0"), "1")
    assert alert.text.startswith("Band 1 reads a stretch ratio of 2.25, above the maximum of 2.0;")


def test_an_alert_raised_again_is_another_episode() -> None:
    looks = [check("c1", 2, bands=marks(21)), check("c2", 4, bands=marks(18)), check("c3", 6, bands=marks(21))]
    fold = folded(installation(), *looks)
    found = [(e.raised_by, e.cleared_by) for e in fold.episodes(at(7)) if e.code == "above-maximum"]
    assert found == [("c1", "c2"), ("c3", None)]


def test_each_band_has_its_own_alert() -> None:
    state = summary(installation(), check("c1", 2, bands=marks(21, 18, 21)))
    assert {alert.subject for alert in active(state, "above-maximum")} == {"band-1", "band-3"}


def test_near_the_maximum_lasts_until_the_next_reading_which_may_raise_it_anew() -> None:
    fold = folded(installation(), check("c1", 2, bands=marks("19.8")), check("c2", 4, bands=marks("19.8")))
    found = [(e.raised_by, e.cleared_by) for e in fold.episodes(at(7)) if e.code == "near-maximum"]
    assert found == [("c1", "c2"), ("c2", None)]


def test_an_installation_is_a_reading_too() -> None:
    state = summary(installation(band_marks=(21, 14, "19.8", 18, 18), tails=(80, 80, 80, 80, 20)))
    assert codes(state) >= {"above-maximum", "below-range", "near-maximum", "short-tail"}


def test_a_gap_equal_to_the_dressing_raises_nothing_and_a_wider_one_does() -> None:
    sized = check("c1", 2, dressing={"changed": False, "smallest_side_mm": 60})
    assert codes(summary(installation(), sized)) == set()
    (alert,) = active(summary(installation(), sized, check("c2", 4, gaps=gaps(61))), "small-dressing")
    assert (alert.raised_by, alert.observed, alert.limit) == ("c2", 60, 61)


def test_a_new_dressing_is_judged_beside_the_gaps_of_the_same_check() -> None:
    small = check("c1", 2, dressing={"changed": False, "smallest_side_mm": 50})
    new = {"changed": True, "placed": 1, "removed": 1, "smallest_side_mm": 80}
    larger = check("c2", 4, gaps=gaps(70), dressing=new)
    fold = folded(installation(), small, larger)
    assert [(e.raised_by, e.cleared_by) for e in fold.episodes(at(5)) if e.code == "small-dressing"] == [("c1", "c2")]


def test_the_gaps_of_an_installation_are_judged_like_those_of_a_check() -> None:
    assert codes(summary(installation(gaps=gaps(20, 50, 60, 50, 20)))) == {"not-parallel"}
    sized = check("c1", 2, dressing={"changed": False, "smallest_side_mm": 60})
    again = installation("i2", 4, gaps=gaps(70, 70, stations=[20, 60]))
    state = summary(installation(), sized, again)
    assert codes(state) == {"stations-differ", "small-dressing"}
    assert {alert.raised_by for alert in state.alerts} == {"i2"}


def test_a_size_is_forgotten_with_the_dressing_that_had_it() -> None:
    small = check("c1", 2, dressing={"changed": False, "smallest_side_mm": 50})
    off = check("c2", 4, dressing={"changed": True, "placed": 1, "removed": 1})
    assert codes(summary(installation(), small, off, check("c3", 6, gaps=gaps(60)))) == set()


def test_vacuum_therapy_without_bands_raises_nothing_until_bands_go_in() -> None:
    entries = [installation(), removal("r1", 2), check("c1", 3, device_status="removed", vacuum_therapy_in_use=True)]
    assert codes(summary(*entries)) == set()
    (alert,) = active(summary(*entries, installation("i2", 5)), "vacuum-therapy")
    assert (alert.raised_by, alert.severity) == ("i2", "high")
    off = check("c2", 4, device_status="removed", vacuum_therapy_in_use=False)
    assert codes(summary(*entries, off, installation("i2", 5))) == set()


def test_pressures_of_two_checks_are_never_paired() -> None:
    state = summary(
        installation(), check("c1", 2, diastolic_pressure_mmhg=60), check("c2", 3, compartment_pressure_mmhg=50)
    )
    assert codes(state) == set()
    assert state.perfusion_difference_mmhg is None


def test_not_closing_needs_three_readings_over_48_h() -> None:
    def state(*widths: tuple[float, Any]) -> Any:
        first, *rest = widths
        later = [check(f"c{n}", hours, gaps=gaps(w)) for n, (hours, w) in enumerate(rest)]
        return summary(installation(gaps=gaps(first[1])), *later)

    (alert,) = active(state((0, 60), (24, 59), (48, 58)), "not-closing")  # exactly the reading error of 2 mm
    assert (alert.severity, alert.raised_by, alert.observed, alert.limit) == ("medium", "c1", 58, 58)
    assert "58 mm" in alert.text
    assert "60 mm" in alert.text
    assert active(state((0, 60), (24, 59), (48, "57.9")), "not-closing") == []
    assert active(state((0, 60), (48, 60)), "not-closing") == []  # two readings
    assert active(state((0, 60), (24, 60), (47.9, 60)), "not-closing") == []  # under 48 h
    assert active(state((0, 60), (24, 60), (48, 60), (60, 55)), "not-closing") == []  # no longer so
    assert active(state((0, 60), (0.5, 60), (48, 60)), "not-closing") == []  # two readings within the hour are one


def test_not_closing_looks_back_to_the_latest_reading_that_is_48_h_old() -> None:
    widths = [(12, 50), (24, 49), (60, 49)]  # against 50 at 12 h, not 60 at 0 h
    later = [check(f"c{n}", hours, gaps=gaps(w)) for n, (hours, w) in enumerate(widths)]
    assert active(summary(installation(), *later), "not-closing")[0].limit == 48


def test_a_reading_that_is_not_comparable_takes_no_part_in_not_closing() -> None:
    later = [check("c1", 24, gaps=gaps(60)), check("c2", 48, gaps=gaps(60, 60, stations=[20, 40]))]
    assert active(summary(installation(), *later), "not-closing") == []


def test_slow_widening_creeps_past_three_reading_errors() -> None:
    def state(*widths: Any) -> Any:
        later = [check(f"c{n}", 12 * n, gaps=gaps(w)) for n, w in enumerate(widths, start=1)]
        return summary(installation(), *later)

    (alert,) = active(state(40, 44, 48), "slow-widening")
    assert (alert.severity, alert.raised_by, alert.observed, alert.limit) == ("low", "c3", 48, 46)
    assert "48 mm, 8 mm above the smallest of 40 mm" in alert.text
    assert active(state(40, 44, 46), "slow-widening") == []  # 6 mm is not more than three reading errors
    assert active(state(40, 48), "slow-widening") == []  # a rebound alone is information, no alarm
    assert active(state(40, 44, 48, 44), "slow-widening") == []  # back within three reading errors
    assert active(state(40, 44, 48, 48), "slow-widening") != []


def test_the_layout_is_compared_with_the_policy_at_an_installation() -> None:
    outside = {"anchor_interval_mm": Decimal(12), "undermined_mm": Decimal("20.5"), "setback_mm": Decimal(16)}
    (alert,) = active(summary(installation(**outside)), "layout")
    assert alert.severity == "low"
    for words in ("anchor interval 12 mm (at most 10 mm)", "undermining 20.5 mm (at most 20 mm)", "setback 16 mm"):
        assert words in alert.text
    limits = {"anchor_interval_mm": Decimal(10), "undermined_mm": Decimal(20)}
    for setback in (10, 15):
        assert codes(summary(installation(setback_mm=Decimal(setback), **limits))) == set()
    assert active(summary(installation(setback_mm=Decimal("9.9"))), "layout") != []


@pytest.mark.parametrize("kind", ENDS)
def test_a_layout_alert_ends_with_the_device(kind: str) -> None:
    assert "layout" not in codes(summary(installation(setback_mm=Decimal(8)), ENDS[kind]))


def test_stations_that_differ_are_named() -> None:
    several = summary(installation(), check("c1", 2, gaps=gaps(40, 40, stations=[20, 60])))
    one = summary(installation(), check("c1", 2, gaps=gaps(40, stations=["30.5"])))
    assert "at 20 to 60 mm along" in active(several, "stations-differ")[0].text
    assert "at 30.5 mm along" in active(one, "stations-differ")[0].text
    assert "widest at first, 100 mm" in active(one, "stations-differ")[0].text


def test_gap_alerts_are_not_raised_where_no_device_is_in_place() -> None:
    out = removal("r1", 2)
    later = check("c1", 3, device_status="removed", gaps=gaps(20, 50, 60, 50, 20))
    assert codes(summary(installation(), out, later)) == set()


def test_the_most_severe_alerts_come_first_and_of_equals_the_oldest() -> None:
    state = summary(
        installation(setback_mm=Decimal(8)),
        check("c1", 2, bands=marks(14), skin=["blister"]),
        check("c2", 3, bands=marks(14, 21)),
    )
    assert [alert.code for alert in state.alerts] == [
        "skin-at-risk",
        "above-maximum",
        "below-range",
        "layout",
    ]


def everything() -> list[Any]:
    """One course in which every alert is raised at some time."""
    return [
        installation(setback_mm=Decimal(8)),
        *(replace(row[1], entry_id=f"e{n}", at=at(2 + n / 10)) for n, row in enumerate(ROWS.values())),
        check("d1", 26, gaps=gaps(58)),
        check("d2", 38, gaps=gaps(62)),
        check("d3", 50, gaps=gaps(66)),
        removal("r1", 60, anchors=13, bands=3),
        reconciliation("k1", 61, "bands", left=1, escalated=1),
    ]


def test_every_alert_names_its_numbers_with_units_and_orders_no_treatment() -> None:
    episodes = folded(*everything()).episodes(at(70))
    assert {episode.code for episode in episodes} == set(KINDS)
    for episode in episodes:
        assert ". " not in episode.text  # one sentence
        assert episode.text[0].isupper()
        assert "usual step under the local protocol:" in episode.text
        assert not {"must", "shall", "do not", "immediately"} & set(episode.text.lower().split())
        if isinstance(episode.observed, Decimal) and episode.unit in ("mm", "mm[Hg]"):
            assert f"{episode.observed.normalize():f} {'mmHg' if episode.unit == 'mm[Hg]' else 'mm'}" in episode.text


def test_code_subject_and_raising_entry_name_an_episode_once() -> None:
    keys = [(e.code, e.subject, e.raised_by) for e in folded(*everything()).episodes(at(70))]
    assert len(keys) == len(set(keys))


def test_no_alert_ends_before_it_began() -> None:
    for episode in folded(*everything()).episodes(at(70)):
        assert episode.until is None or episode.until >= episode.since


def test_a_site_with_other_limits_has_other_alerts() -> None:
    policy = type(POLICY)(name="ward", **(POLICY.limits() | {"tail_min_mm": Decimal(90)}))
    assert len(active(summary(installation(), policy=policy), "short-tail")) == 5
