"""When the next reset is due.

The rules are the project's own; the interval of 24 h and the reset with every dressing change are common practice, no
source. Expected times are worked out by hand beside each case.
"""

from datetime import timedelta
from decimal import Decimal
from itertools import product
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.clinic.resets import REASONS, BandClock, DressingChange, DueReset, due_reset
from service.clinic.summary import Summary
from tests.clinic.scenario import (
    POLICY,
    active,
    at,
    check,
    codes,
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

DAY, HOUR = Decimal(24), Decimal(1)


def due(state: Summary) -> DueReset:
    assert state.next_reset is not None
    return state.next_reset


def said(state: Summary) -> tuple[Any, str, tuple[int, ...], str]:
    found = due(state)
    return found.due_at, found.reason, found.bands, found.set_by


ALL = (1, 2, 3, 4, 5)
FIVE = (18, 18, 18, 18, 18)


def test_the_interval_runs_from_the_last_setting_of_each_band() -> None:
    assert said(summary(installation())) == (at(24), "interval", ALL, "i1")
    assert said(summary(installation(), reset("s1", 10, 18, 18))) == (at(24), "interval", (3, 4, 5), "i1")
    later = summary(installation(), reset("s1", 10, 18, 18), reset("s2", 20, 18, 18, 18, first=3))
    assert said(later) == (at(34), "interval", (1, 2), "s1")


def test_a_check_alone_is_no_setting() -> None:
    state = summary(installation(), check("c1", 20, bands=marks(18, 18, 18, 18, 18)))
    assert said(state) == (at(24), "interval", ALL, "i1")


@pytest.mark.parametrize(("mark", "reason"), [(14, "below-range"), (21, "above-maximum")])
def test_a_band_out_of_range_is_due_within_the_grace(mark: int, reason: str) -> None:
    state = summary(installation(), check("c1", 6, bands=marks(18, mark, 18, 18, 18)))
    assert said(state) == (at(7), reason, (2,), "c1")


def test_a_band_exactly_at_an_end_of_the_range_is_in_range() -> None:
    state = summary(installation(), check("c1", 6, bands=marks("15.0", "20.0", 18, 18, 18)))
    assert due(state).reason == "interval"


def test_looking_again_never_postpones_a_reset() -> None:
    entries = [installation(), check("c1", 6, bands=marks(14, 18, 18, 18, 18))]
    again = [check(f"c{n}", 6 + n, bands=marks(14, 18, 18, 18, 18)) for n in range(2, 5)]
    assert said(summary(*entries, *again)) == (at(7), "below-range", (1,), "c1")


def test_a_band_that_goes_from_one_side_to_the_other_keeps_its_first_time() -> None:
    entries = [installation(), check("c1", 6, bands=marks(14)), check("c2", 8, bands=marks(21))]
    assert said(summary(*entries)) == (at(7), "above-maximum", (1,), "c1")


def test_a_reading_in_range_clears_one_out_of_range() -> None:
    entries = [installation(), check("c1", 6, bands=marks(14)), check("c2", 6.5, bands=marks(16))]
    assert said(summary(*entries)) == (at(24), "interval", ALL, "i1")
    third = check("c3", 8, bands=marks(14))
    assert said(summary(*entries, third)) == (at(9), "below-range", (1,), "c3")


def test_a_band_not_read_keeps_the_due_time_of_its_earlier_reading() -> None:
    entries = [installation(), check("c1", 6, bands=marks(14, 18, 18, 18, 18)), check("c2", 6.5)]
    assert said(summary(*entries)) == (at(7), "below-range", (1,), "c1")


def test_a_setting_out_of_range_counts_from_that_setting() -> None:
    state = summary(installation(), check("c1", 6, bands=marks(14)), reset("s1", 10, 14))
    assert said(state) == (at(11), "below-range", (1,), "s1")
    assert said(summary(installation(band_marks=(18, 21, 18, 18, 18)))) == (at(1), "above-maximum", (2,), "i1")


def test_the_next_dressing_change_is_due_for_every_band() -> None:
    state = summary(installation(), check("c1", 6, next_dressing_change_at=at(12)))
    assert said(state) == (at(12), "dressing-change", ALL, "c1")


def test_the_latest_charted_dressing_change_counts() -> None:
    entries = [installation(), check("c1", 6, next_dressing_change_at=at(12))]
    assert said(summary(*entries, check("c2", 8, next_dressing_change_at=at(15))))[0] == at(15)
    assert said(summary(*entries, check("c2", 8, next_dressing_change_at=at(10))))[0] == at(10)
    assert said(summary(*entries, check("c2", 8)))[0] == at(12)


def test_a_dressing_change_not_after_the_last_setting_no_longer_counts() -> None:
    entries = [installation(), check("c1", 6, next_dressing_change_at=at(12))]
    assert said(summary(*entries, reset("s1", 12, 18, 18, 18, 18, 18))) == (at(36), "interval", ALL, "s1")
    assert said(summary(*entries, reset("s1", 11, 18, 18, 18, 18, 18)))[:2] == (at(12), "dressing-change")


def test_a_predicted_slackening_is_due_at_its_instant() -> None:
    # Margins 10 mm set back, gap 60 at every band: span 80, read at 16/10, so L0 = 50 and the gap at low is
    # 1.5 x 50 - 20 = 55. The gap closed from 70 to 60 in 12 h, 20 mm a day: 5 mm take 6 h.
    entries = [
        installation(band_marks=(16, 16, 16, 16, 16), gaps=gaps(70)),
        check("c1", 12, gaps=gaps(60), bands=marks(16, 16, 16, 16, 16)),
    ]
    found = due(summary(*entries))
    assert (found.reason, found.set_by) == ("predicted-slack", "c1")
    # Bands lie off the stations: at 40, 60, 80, 100 and 120 mm the profile is 60 everywhere between 40 and 160.
    assert found.bands == ALL
    assert abs(found.due_at - at(18)) < timedelta(seconds=1)


def test_without_closing_nothing_is_predicted_to_slacken() -> None:
    entries = [installation(gaps=gaps(60)), check("c1", 12, gaps=gaps(60), bands=marks(16, 16, 16, 16, 16))]
    assert due(summary(*entries)).reason == "interval"


def test_a_band_last_read_below_range_is_due_for_that_and_not_predicted() -> None:
    entries = [
        installation(gaps=gaps(70)),
        check("c1", 12, gaps=gaps(60), bands=marks(14, 18, 18, 18, 18)),
        check("c2", 12.5),
    ]
    state = summary(*entries)
    assert said(state) == (at(13), "below-range", (1,), "c1")
    assert state.bands[0].below_range_at is None


def test_a_prediction_that_a_later_reading_has_overtaken_counts_from_that_reading() -> None:
    # As above, but the marks are read again, in range, 10 h later without gaps: 1.6 then means another 6 h.
    entries = [
        installation(band_marks=(16, 16, 16, 16, 16), gaps=gaps(70)),
        check("c1", 12, gaps=gaps(60)),
        check("c2", 22, bands=marks(16, 16, 16, 16, 16)),
    ]
    state = summary(*entries)
    assert all(band.span_is_estimate for band in state.bands)
    assert state.bands[0].below_range_at is not None
    assert abs(state.bands[0].below_range_at - at(28)) < timedelta(seconds=1)
    assert due(state).reason == "interval"


TIES = {
    "above-maximum": BandClock(1, at(-1), "i1", at(5), "c1", "above-maximum"),
    "below-range": BandClock(2, at(-1), "i1", at(5), "c1", "below-range"),
    "predicted-slack": BandClock(3, at(-1), "i1", slack_at=at(6), slack_by="c1"),
    "interval": BandClock(4, at(-18), "i1"),
}


@pytest.mark.parametrize("count", range(5))
def test_of_equal_times_the_more_urgent_reason_is_named_with_every_band_due_then(count: int) -> None:
    kept = REASONS[count:]
    clocks = [TIES[reason] for reason in kept if reason in TIES]
    change = DressingChange(at(6), "c2") if "dressing-change" in kept else None
    found = due_reset(clocks, change, DAY, HOUR)
    assert found is not None
    assert (found.due_at, found.reason) == (at(6), kept[0])
    assert found.bands == tuple(sorted(clock.band for clock in clocks))


def test_no_band_in_place_means_no_reset() -> None:
    assert due_reset([], DressingChange(at(6), "c2"), DAY, HOUR) is None


@pytest.mark.parametrize(
    ("hours", "status"), [(0, "planned"), (21.9, "planned"), (22, "due"), (24, "due"), (24.001, "overdue")]
)
def test_a_reset_is_due_within_two_hours_and_overdue_after_its_time(hours: float, status: str) -> None:
    assert due(summary(installation())).status(at(hours)) == status


CHECKS = st.lists(
    st.tuples(st.integers(1, 40), st.sampled_from([None, 14, 16, 18, 20, 21]), st.sampled_from([None, 40, 60, 80])),
    max_size=6,
)


@given(CHECKS, st.integers(41, 60), st.sampled_from([None, 14, 16, 18, 21]))
def test_a_later_check_never_moves_an_interval_based_due_time(
    before: list[tuple[int, int | None, int | None]], hour: int, mark: int | None
) -> None:
    def interval(*entries: Any) -> Any:
        candidates = due(summary(*entries, hours=99)).candidates
        return [(c.due_at, c.bands) for c in candidates if c.reason == "interval"]

    def looked(name: str, hours: int, mark: int | None, gap: int | None) -> Any:
        read = {"bands": marks(*[mark] * 5)} if mark else {}
        return check(name, hours, **read, **({"gaps": gaps(gap)} if gap else {}))

    entries = [installation(), *(looked(f"c{n}", *one) for n, one in enumerate(before))]
    assert interval(*entries) == interval(*entries, looked("late", hour, mark, None))


@given(CHECKS, st.integers(41, 60), st.sampled_from([14, 21]))
def test_a_further_reading_out_of_range_never_makes_a_reset_later(
    before: list[tuple[int, int | None, int | None]], hour: int, mark: int
) -> None:
    entries = [installation()]
    entries += [check(f"c{n}", hours, bands=marks(*[m] * 5)) for n, (hours, m, _) in enumerate(before) if m]
    earlier, later = due(summary(*entries)), due(summary(*entries, check("late", hour, bands=marks(*[mark] * 5))))
    assert later.due_at <= earlier.due_at


ENDS = {
    "removal": removal("x", 10),
    "device-removed": check("x", 10, device_status="removed"),
    "outcome": outcome("x", 10),
}


@pytest.mark.parametrize("kind", ENDS)
def test_nothing_is_due_once_the_device_is_out_or_the_course_closed(kind: str) -> None:
    fold = folded(installation(), ENDS[kind])
    assert fold.summary(at(40)).next_reset is None
    (period,) = fold.reset_periods()
    assert (period.opened_by, period.closed_by, period.closed_at, period.closed_kind) == ("i1", "x", at(10), kind)
    assert period.due is not None
    assert period.due.due_at == at(24)


def test_a_removal_with_an_item_missing_leaves_no_reset_of_bands_that_are_out() -> None:
    assert summary(installation(), removal("r1", 10, anchors=13)).next_reset is None


def test_a_missing_band_that_is_accounted_for_ends_the_reset() -> None:
    entries = [installation(), removal("r1", 10, bands=4)]
    assert summary(*entries).next_reset is not None
    fold = folded(*entries, reconciliation("k1", 11, "bands", escalated=1))
    assert fold.summary(at(12)).next_reset is None
    assert [(p.closed_by, p.closed_kind) for p in fold.reset_periods()] == [("k1", "removal")]


def test_a_partial_removal_ends_the_clocks_of_what_came_out_only_when_a_check_says_which_remain() -> None:
    entries = [installation(), removal("r1", 10, anchors=4, bands=2, dressings=0)]
    assert due(summary(*entries)).bands == ALL
    two = check("c1", 11, bands=marks(18, 18))
    assert due(summary(*entries, two)).bands == ALL  # two of three named: nobody has said which is the third
    three = check("c1", 11, bands=marks(18, 18, 18, first=2))
    state = summary(*entries, three)
    assert due(state).bands == (2, 3, 4)
    assert [band.band for band in state.bands] == [2, 3, 4]
    assert due(summary(*entries, two, check("c2", 12, bands=marks(18, 18, first=2)))).bands == (1, 2, 3)
    counted = check("c1", 11, bands=marks(18, 18), devices_present={"anchors": 10, "bands": 2})
    assert due(summary(*entries, counted)).bands == (1, 2)


def test_a_band_that_is_set_again_is_there_whatever_was_thought_before() -> None:
    entries = [installation(), removal("r1", 10, anchors=4, bands=2), check("c1", 11, bands=marks(18, 18, 18, first=2))]
    state = summary(*entries, reset("s1", 12, 18))
    assert [band.band for band in state.bands] == [1, 2, 3, 4]


def test_alerts_of_bands_that_came_out_end_with_their_clocks() -> None:
    entries = [installation(band_marks=(21, 18, 18, 18, 18)), removal("r1", 10, anchors=4, bands=2, dressings=0)]
    assert active(summary(*entries), "above-maximum") != []
    assert active(summary(*entries, check("c1", 11, bands=marks(18, 18, 18, first=2))), "above-maximum") == []


def test_a_new_installation_starts_the_clocks_anew() -> None:
    entries = [installation(), removal("r1", 10, anchors=4, bands=2), installation("i2", 11)]
    assert said(summary(*entries)) == (at(35), "interval", ALL, "i2")


def test_a_device_charted_as_removed_and_found_in_place_goes_on_with_its_clocks() -> None:
    entries = [
        installation(band_marks=(21, 18, 18, 18, 18)),
        check("c1", 10, device_status="removed"),
        check("c2", 11, device_status="in-place"),
    ]
    fold = folded(*entries)
    state = fold.summary(at(11))
    assert said(state)[:2] == (at(1), "above-maximum")
    assert {"above-maximum", "reset-overdue"} <= codes(state)
    assert [period.closed_by for period in fold.reset_periods()] == [None]
    keys = [(e.code, e.subject, e.raised_by) for e in fold.episodes(at(11))]
    assert len(keys) == len(set(keys))


def test_a_reset_shows_that_a_device_charted_as_removed_is_in_place() -> None:
    state = summary(installation(), check("c1", 10, device_status="removed"), reset("s1", 11, *FIVE))
    assert said(state) == (at(35), "interval", ALL, "s1")
    assert codes(state) == set()


def test_a_reset_after_everything_came_out_sets_nothing() -> None:
    fold = folded(installation(), removal("r1", 10), reset("s1", 11, *FIVE))
    assert fold.summary(at(12)).next_reset is None
    assert [period.opened_by for period in fold.reset_periods()] == ["i1"]


def test_each_setting_closes_the_open_period_and_opens_the_next() -> None:
    fold = folded(installation(), reset("s1", 10, 18), installation("i2", 20), outcome("o1", 30))
    assert [(p.opened_by, p.closed_by, p.closed_kind) for p in fold.reset_periods()] == [
        ("i1", "s1", "reset"),
        ("s1", "i2", "installation"),
        ("i2", "o1", "outcome"),
    ]


def test_at_most_the_last_period_is_open() -> None:
    kinds = product(["s", "i", "d"], repeat=4)
    for order in kinds:
        entries: list[Any] = [installation()]
        for n, kind in enumerate(order):
            hours = 5 + 5 * n
            entries.append(
                {
                    "s": reset(f"s{n}", hours, 18),
                    "i": installation(f"j{n}", hours),
                    "d": check(f"d{n}", hours, device_status="removed"),
                }[kind]
            )
        periods = folded(*entries).reset_periods()
        assert all(not period.is_open for period in periods[:-1])


def test_an_overdue_reset_is_an_alert_from_its_time_until_a_reset() -> None:
    entries = [installation(), check("c1", 30)]
    (alert,) = active(summary(*entries), "reset-overdue")
    assert (alert.severity, alert.since, alert.raised_by) == ("high", at(24), "i1")
    assert at(24).isoformat() in alert.text
    assert active(summary(installation(), hours=24), "reset-overdue") == []
    assert active(summary(installation(), hours=25), "reset-overdue")[0].since == at(24)
    fold = folded(*entries, reset("s1", 31, 18, 18, 18, 18, 18))
    (episode,) = [e for e in fold.episodes(at(32)) if e.code == "reset-overdue"]
    assert (episode.cleared_by, episode.until) == ("s1", at(31))


def test_a_reset_of_some_bands_leaves_the_others_overdue() -> None:
    entries = [installation(), reset("s1", 30, 18, 18)]
    (alert,) = active(summary(*entries), "reset-overdue")
    assert (alert.since, alert.raised_by) == (at(24), "i1")
    assert "bands 3, 4, 5" in alert.text
    assert active(summary(*entries, reset("s2", 31, 18, 18, 18, first=3)), "reset-overdue") == []


@pytest.mark.parametrize("kind", ENDS)
def test_an_overdue_reset_ends_with_the_device_and_the_course(kind: str) -> None:
    entries = [installation(band_marks=(21, 18, 18, 18, 18)), ENDS[kind]]
    fold = folded(*entries)
    assert "reset-overdue" not in codes(fold.summary(at(60)))
    (episode,) = [e for e in fold.episodes(at(60)) if e.code == "reset-overdue"]
    assert (episode.since, episode.until) == (at(1), at(10))


def test_a_site_may_set_another_interval_and_grace() -> None:
    policy = type(POLICY)(
        name="ward", **(POLICY.limits() | {"reset_interval_h": Decimal("12.5"), "out_of_range_grace_h": Decimal(0)})
    )
    assert due(summary(installation(), policy=policy)).due_at == at(12.5)
    out = summary(installation(), check("c1", 3, bands=marks(14)), policy=policy)
    assert due(out).due_at == at(3)
