"""How times are compared: arithmetic with known answers; no time is measured here."""

import pytest

from tests.bench.drawing import _APART, _spread
from tests.bench.timing import Pairs, compared, share


def test_the_share_of_runs_is_that_of_the_ordered_times() -> None:
    times = [float(number) for number in range(100, 0, -1)]
    assert (share(times, 0.5), share(times, 0.99), share([3.0], 0.99)) == (51, 100, 3)


def test_both_works_of_a_pair_run_and_who_begins_changes() -> None:
    told: list[str] = []
    found = compared([(lambda: told.append("one"), lambda: told.append("other"))] * 3)
    assert told == ["other", "one", "one", "other", "other", "one"]
    assert [len(times) for each in found for times in each] == [3, 3, 3, 3]


def test_a_p99_over_all_runs_sees_what_is_rare() -> None:
    slow = ([1.0] * 95 + [9.0] * 5) * 10
    assert Pairs([1.0] * 1000, slow).ratio(0.99) == 9
    assert Pairs([1.0] * 1000, slow).ratio(0.5) == 1


def test_the_interval_holds_the_ratio_and_widens_with_what_disturbs() -> None:
    quiet = Pairs([1.0, 1.01] * 200, [2.0, 2.02] * 200)
    disturbed = Pairs([1.0] * 400, [2.0] * 360 + [8.0] * 40)  # one disturbance, at the end
    assert quiet.interval(0.5) == pytest.approx((2, 2), abs=0.05)
    low, high = disturbed.interval(0.99)
    assert low == 2
    assert high == 8


def test_labels_of_a_drawing_keep_apart_and_in_order() -> None:
    found = _spread([100.0, 101.0, 40.0])
    assert found == [100, 100 + _APART, 40]
