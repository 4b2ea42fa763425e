"""One order of lastUpdated at a site, whatever the machine's clock does (part B, 16: none appears behind a reader)."""

from datetime import timedelta
from itertools import pairwise

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.store.samples import NOON, SITE, observation, save


def stamps(store):
    with store.read(SITE) as reading:
        return [each.last_updated for each in reversed(reading.history("Observation", "p-1-o-1", limit=1000))]


def test_last_updated_rises_when_the_clock_jumps_back_or_stands_still(store):
    for number, seconds in enumerate([0, 10, 5, 5, 5.0004, -86_400, 11]):
        save(store, observation(1, note=[{"text": str(number)}]), now=NOON + timedelta(seconds=seconds))
    found = stamps(store)
    assert found == sorted(set(found))
    assert [(each - found[0]) // 1000 for each in found] == [0, 10_000, 10_001, 10_002, 10_003, 10_004, 11_000]


def test_a_write_that_changes_nothing_uses_up_no_instant(store):
    save(store, observation(1))
    save(store, observation(1))
    save(store, observation(1, status="amended"))
    first, second = stamps(store)
    assert second - first == 1000


def test_resources_of_one_write_share_their_instant(store):
    saved = save(store, observation(1), observation(2))
    with store.read(SITE) as reading:
        assert len({reading.resource(each.type, each.id).last_updated for each in saved}) == 1


_counter = iter(range(10**9))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=20, deadline=None)
@given(st.lists(st.integers(min_value=-(10**7), max_value=10**7), min_size=1, max_size=8))
def test_any_clock_gives_rising_instants_in_whole_milliseconds(sqlite_store, offsets_ms):
    for offset in offsets_ms:
        changed = observation(1, note=[{"text": str(next(_counter))}])
        save(sqlite_store, changed, now=NOON + timedelta(milliseconds=offset))
    found = stamps(sqlite_store)
    assert all(later > earlier for earlier, later in pairwise(found))
    assert all(each % 1000 == 0 for each in found)
