"""`_since` and the instant of the snapshot: nothing is lost, whatever is written while an export runs."""

import json
import threading
from datetime import datetime, timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.search.dates import microseconds
from service.search.values import IndexValues
from service.store import Draft
from service.store.export_reading import Wanted
from tests.bulk.side import SITE, Clock, Side, open_side


def write(side: Side, ids: list[str], text: str, now: datetime) -> None:
    """Store Devices, new or as new versions."""
    drafts = []
    for id_ in ids:
        meta = {"source": "https://heron-quay.example"}
        body = {"resourceType": "Device", "id": id_, "meta": meta, "lotNumber": text}
        content = json.dumps(body, separators=(",", ":")).encode()
        drafts.append(Draft("Device", id_, None, None, content, IndexValues(), patient="p1"))
    with side.workflow.store.write(SITE, now) as unit:
        unit.save_resources(drafts)


def versions(lines):
    return {(each["id"], each["meta"]["versionId"]) for each in lines}


def export(side: Side, since: str | None = None):
    query = f"&_since={since.replace('+', '%2B')}" if since else ""
    manifest = side.manifest(f"/fhir/Patient/$export?_type=Device{query}")
    return manifest["transactionTime"], side.lines(manifest)


def current(side: Side):
    with side.database.snapshot([SITE], 0) as reading:
        rows = [row for chunk in reading.chunks(SITE, Wanted("Device")) for row in chunk]
    return versions(json.loads(row.body) for row in rows)


steps = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.sets(st.sampled_from("abcde"), min_size=1), st.integers(-30, 30)),
        st.tuples(st.just("export"), st.just(frozenset()), st.integers(-30, 30)),
    ),
    max_size=10,
)


@settings(max_examples=12, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps)
def test_exports_with_since_one_after_the_other_have_every_version_that_was_current_at_one_of_them(
    tmp_path_factory, todo
):
    # The clock jumps to and fro: a writer may have read it long before its turn, or on another machine.
    folder = tmp_path_factory.mktemp("since")
    clock = Clock(step_s=0.001)
    side = open_side(folder, f"sqlite:///{folder / 'a.sqlite3'}", clock)
    got, since = {}, None
    try:
        for number, (what, ids, jump) in enumerate([*todo, ("export", (), 0)]):
            clock.at += timedelta(seconds=jump)
            if what == "write":
                write(side, sorted(ids), f"v{number}", clock())
                continue
            clock.at += timedelta(seconds=1)
            since, lines = export(side, since)
            got |= {each["id"]: each["meta"]["versionId"] for each in lines}
            assert set(got.items()) == current(side)
    finally:
        side.close()


def test_what_is_written_while_an_export_runs_comes_with_the_next_one(empty):
    """Writers go on in a thread of their own; whoever follows with `_since` has everything in the end."""
    clock = Clock(step_s=0.001)
    side = empty
    write(side, [f"d{number}" for number in range(1200)], "v0", clock())
    stop = threading.Event()

    def keep_writing() -> None:
        number = 0
        while not stop.is_set() and number < 400:
            write(side, [f"d{number * 37 % 1200}", f"new{number}"], f"v{number}", clock())
            number += 1

    writer = threading.Thread(target=keep_writing)
    writer.start()
    got: dict[str, str] = {}
    since = None
    try:
        for _ in range(4):
            since, lines = export(side, since)
            got |= {each["id"]: each["meta"]["versionId"] for each in lines}
    finally:
        stop.set()
        writer.join()
    _, lines = export(side, since)
    got |= {each["id"]: each["meta"]["versionId"] for each in lines}
    assert set(got.items()) == current(side)
    assert len(got) > 1200


def test_nothing_later_than_the_transaction_time_comes_out(empty):
    write(empty, ["a", "b"], "v0", empty.clock())
    told, lines = export(empty)
    latest = max(microseconds(datetime.fromisoformat(each["meta"]["lastUpdated"])) for each in lines)
    assert latest <= microseconds(datetime.fromisoformat(told))
    _, again = export(empty, told)
    assert again == []


def test_the_transaction_time_is_that_of_the_snapshot_and_not_of_the_end(empty):
    empty.clock.step = timedelta(seconds=60)
    begun = empty.begin()
    at = empty.clock.at
    empty.worker.run_once()
    done = empty.get(begun.headers["content-location"]).json()
    taken = datetime.fromisoformat(done["transactionTime"])
    assert at < taken < empty.clock.at - timedelta(seconds=60)


def test_since_means_strictly_later(empty):
    # (53, 59)
    write(empty, ["a"], "v0", empty.clock())
    _, lines = export(empty)
    at = lines[0]["meta"]["lastUpdated"]
    assert export(empty, at)[1] == []
    before = datetime.fromisoformat(at) - timedelta(milliseconds=1)
    assert len(export(empty, before.isoformat())[1]) == 1


def test_what_an_operator_purged_comes_as_deletions_and_not_as_output(empty):
    # (182 to 190)
    write(empty, ["a", "b"], "v0", empty.clock())
    told, _ = export(empty)
    with empty.workflow.store.write(SITE, empty.clock()) as unit:
        unit.delete_resources([("Device", "a")])
    manifest = empty.manifest(f"/fhir/Patient/$export?_type=Device&_since={told}")
    assert manifest["output"] == []
    assert [each["type"] for each in manifest["deleted"]] == ["Bundle"]
    bundle = json.loads(empty.get(manifest["deleted"][0]["url"]).content)
    assert bundle["type"] == "transaction"
    assert [each["request"] for each in bundle["entry"]] == [{"method": "DELETE", "url": "Device/a"}]


def test_what_was_entered_in_error_stays_in_the_output(side):
    side.load("03")
    found = {each["status"] for each in side.lines(side.manifest("/fhir/$export?_type=Observation"))}
    assert "entered-in-error" in found or "corrected" in found
