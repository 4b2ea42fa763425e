"""Order of arrival does not matter, a repeat changes nothing, a stored course equals its projection made afresh."""

import random
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service import strict_json
from service.config import Settings
from service.fhir import wire
from service.intake.faults import Refused
from service.search.query import parse
from service.workflow import UnknownCourse, open_workflow
from tests.random_courses import course_files

NOW = datetime(2026, 11, 1, tzinfo=UTC)
EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("[0-9]*/course*.json"))


def opened(folder, name):
    return open_workflow(Settings(database_url=f"sqlite:///{folder}/{name}.sqlite3", synchronous="OFF"))


def opened_at(database_url):
    return open_workflow(Settings(database_url=database_url, synchronous="OFF"))


def stored(workflow, course_id):
    """(type, id) -> content, without what the store adds; Provenance tells of the writes and is left out."""
    with workflow.store.read("demo") as unit:
        keys = [key for key in unit.current(course_id) if key[0] != "Provenance"]
        found = {}
        for key, body in unit.bodies(keys).items():
            resource = wire.read(body)
            del resource["meta"]["versionId"], resource["meta"]["lastUpdated"]
            found[key] = wire.write(resource)
        return found


def send_one_by_one(workflow, document, order):
    """Send each entry by itself; one that is refused because what it builds on is missing comes again later."""
    workflow.record_course(document | {"entries": []}, NOW)
    waiting = list(order)
    while waiting:
        refused = []
        for entry in waiting:
            try:
                workflow.record_entries(document["course"]["course_id"], entry, NOW)
            except Refused:
                refused.append(entry)
        assert len(refused) < len(waiting), "no order takes these entries"
        waiting = refused


def withdrawn(body):
    resource = wire.read(body)
    return resource.get("status") == "entered-in-error"


def assert_same_in_any_order(folder, document, orders):
    course_id = document["course"]["course_id"]
    at_once = opened(folder, "at-once")
    at_once.record_course(document, NOW)
    expected = stored(at_once, course_id)
    assert list(at_once.differences(NOW)) == []
    at_once.close()
    for number, order in enumerate(orders):
        workflow = opened(folder, f"order-{number}")
        send_one_by_one(workflow, document, order)
        found = stored(workflow, course_id)
        surplus = {key: body for key, body in found.items() if key not in expected}
        assert all(withdrawn(body) for body in surplus.values()), "only what is withdrawn may be left over"
        assert {key: body for key, body in found.items() if key in expected} == expected
        assert list(workflow.differences(NOW)) == []
        workflow.close()


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_an_example_gives_the_same_resources_in_any_order_of_arrival(path, tmp_path):
    document = strict_json.read(path.read_bytes())
    entries, chance = document["entries"], random.Random(7)
    assert_same_in_any_order(tmp_path, document, [entries[::-1], chance.sample(entries, len(entries))])


@pytest.mark.slow
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(document=course_files(most=6), seed=st.integers(0, 99))
def test_any_course_gives_the_same_resources_in_any_order_of_arrival(document, seed, tmp_path_factory):
    entries = document["entries"]
    order = random.Random(seed).sample(entries, len(entries))
    assert_same_in_any_order(tmp_path_factory.mktemp("order"), document, [order])


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_an_example_gives_the_same_resources_on_both_engines(path, tmp_path, postgresql_url):
    document, both = strict_json.read(path.read_bytes()), []
    for workflow in (opened(tmp_path, "one-engine"), opened_at(postgresql_url)):
        workflow.record_course(document | {"entries": []}, NOW)
        for entry in document["entries"]:
            workflow.record_entries(document["course"]["course_id"], entry, NOW)
        both.append(stored(workflow, document["course"]["course_id"]))
        assert list(workflow.differences(NOW)) == []
        workflow.close()
    assert both[0] == both[1]
    assert both[0]


def test_a_repeat_changes_nothing(database_url):
    document = strict_json.read(EXAMPLES[0].read_bytes())
    workflow = opened_at(database_url)
    assert workflow.record_course(document, NOW).changed
    with workflow.store.read("demo") as unit:
        before = unit.current(document["course"]["course_id"])
    assert not workflow.record_course(document, NOW).changed
    for entry in document["entries"]:
        assert not workflow.record_entries(document["course"]["course_id"], entry, NOW).changed
    with workflow.store.read("demo") as unit:
        assert unit.current(document["course"]["course_id"]) == before
    workflow.close()


def test_of_a_refused_document_nothing_is_stored(database_url):
    document = strict_json.read(EXAMPLES[0].read_bytes())
    document["entries"][-1]["colour"] = "red"
    workflow = opened_at(database_url)
    with pytest.raises(Refused):
        workflow.record_course(document, NOW)
    assert workflow.is_empty()
    with pytest.raises(UnknownCourse):
        workflow.course_view(document["course"]["course_id"], NOW)
    workflow.close()


def search(workflow, type_, **parameters):
    with workflow.store.read("demo") as unit:
        rows = unit.search(parse(type_, list(parameters.items()), UTC)).rows
    return [wire.read(row.body) for row in rows]


def test_a_reset_that_becomes_overdue_is_shown_without_anybody_charting(database_url):
    document = strict_json.read(EXAMPLES[0].read_bytes())
    document["entries"] = [entry for entry in document["entries"] if entry["kind"] == "installation"][:1]
    charted = datetime.fromisoformat(document["entries"][0]["at"])
    workflow = opened_at(database_url)
    workflow.record_course(document, charted)
    assert [task["priority"] for task in search(workflow, "Task", status="requested")] == ["routine"]
    assert workflow.mark_overdue(charted) == 0
    assert workflow.mark_overdue(NOW) == 1
    assert [task["priority"] for task in search(workflow, "Task", status="requested")] == ["urgent"]
    codes = {coding["code"] for flag in search(workflow, "Flag", status="active") for coding in flag["code"]["coding"]}
    assert "reset-overdue" in codes
    assert workflow.mark_overdue(NOW) == 0
    assert list(workflow.differences(NOW)) == []
    workflow.close()
