"""The check of the other tests finds what it is there to find."""

import pytest

from tests.delivery.agreement import assert_in_order

OURS = ["a", "b", "a", "c"]
KEY = ("Flag", "f-1")


@pytest.mark.parametrize("received", [["a", "b", "a", "c"], ["a", "c"], ["c"], ["a", "a", "b", "b", "c"], ["b", "a"]])
def test_states_in_our_order_agree(received):
    assert_in_order(received, OURS, KEY)


@pytest.mark.parametrize("received", [["c", "a"], ["b", "a", "b"], ["x"], ["a", "x", "c"]])
def test_an_older_state_after_a_newer_one_is_found(received):
    with pytest.raises(AssertionError):
        assert_in_order(received, OURS, KEY)
