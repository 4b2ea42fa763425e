"""Versions, history, what a repeat does, what stays when a write fails."""

from dataclasses import replace

import orjson
import pytest
from sqlalchemy import insert

from service.store import DraftError
from service.store.delivery_tables import destinations
from service.store.listening import listeners
from tests.store.samples import NOON, SITE, course, draft, entry, later, observation, save


def test_a_resource_is_served_as_sent_with_version_and_instant_first_in_its_meta(store):
    (saved,) = save(store, observation(1))
    with store.read(SITE) as reading:
        stored = reading.resource("Observation", "p-1-o-1")
    assert stored.body == saved.body
    expected = observation(1)
    expected["meta"] = {"versionId": "1", "lastUpdated": "2024-05-01T12:00:00.000Z", "source": "#test"}
    assert stored.body == orjson.dumps(expected)


def test_an_empty_meta_stays_well_formed(store):
    (saved,) = save(store, observation(1, meta={}))
    assert orjson.loads(saved.body)["meta"] == {"versionId": "1", "lastUpdated": "2024-05-01T12:00:00.000Z"}


def test_decimals_keep_their_digits(store):
    content = orjson.dumps(observation(1, valueQuantity={"value": "@"})).replace(b'"@"', b"31.00")
    with store.write(SITE, NOON) as unit:
        unit.save_resources([replace(draft(observation(1)), content=content)])
    with store.read(SITE) as reading:
        assert b'"value":31.00' in reading.resource("Observation", "p-1-o-1").body


def test_the_same_content_again_makes_no_version(store):
    first = save(store, observation(1))
    again = save(store, observation(1), now=later(1))
    assert [(each.version, each.changed) for each in again] == [(1, False)]
    assert again[0].body == first[0].body


def test_another_content_makes_the_next_version_and_keeps_the_one_before(store):
    (first,) = save(store, observation(1))
    (second,) = save(store, observation(1, status="amended"), now=later(1))
    assert (second.version, second.changed) == (2, True)
    with store.read(SITE) as reading:
        assert reading.version("Observation", "p-1-o-1", 1).body == first.body
        assert reading.version("Observation", "p-1-o-1", 2).body == second.body
        assert reading.version("Observation", "p-1-o-1", 3) is None
        history = reading.history("Observation", "p-1-o-1")
    assert [(each.version, each.body) for each in history] == [(2, second.body), (1, first.body)]


def test_one_write_holds_new_changed_and_unchanged_resources_in_the_order_given(store):
    save(store, observation(1), observation(2))
    saved = save(store, observation(3), observation(2, status="amended"), observation(1), now=later(1))
    assert [(each.id, each.version, each.changed) for each in saved] == [
        ("p-1-o-3", 1, True),
        ("p-1-o-2", 2, True),
        ("p-1-o-1", 1, False),
    ]


def test_more_resources_than_fit_into_one_statement(store):
    many = [observation(number) for number in range(1300)]
    assert all(each.version == 1 for each in save(store, *many))
    assert not any(each.changed for each in save(store, *many, now=later(1)))


def test_resources_of_the_same_id_and_another_type_are_two(store):
    flag = {"resourceType": "Flag", "id": "p-1-o-1", "meta": {}, "status": "active"}
    save(store, observation(1), flag)
    with store.read(SITE) as reading:
        assert reading.resource("Flag", "p-1-o-1").type == "Flag"
        assert b'"Observation"' in reading.resource("Observation", "p-1-o-1").body


def test_sites_do_not_see_each_other(store):
    save(store, observation(1), site="one")
    with store.read("two") as reading:
        assert reading.resource("Observation", "p-1-o-1") is None
        assert reading.history("Observation", "p-1-o-1") == []
    (saved,) = save(store, observation(1, status="amended"), site="two")
    assert saved.version == 1


def test_history_is_read_in_pages_and_from_an_instant_on(store):
    for minute in range(6):
        save(store, observation(1, note=[{"text": str(minute)}]), now=later(minute))
    with store.read(SITE) as reading:
        newest = reading.history("Observation", "p-1-o-1", limit=2)
        rest = reading.history("Observation", "p-1-o-1", before=newest[-1].version, limit=10)
        since = reading.history("Observation", "p-1-o-1", since=newest[1].last_updated)
        assert reading.history("Observation", "p-1-o-1", since=newest[0].last_updated + 1) == []
    assert [each.version for each in newest] == [6, 5]
    assert [each.version for each in rest] == [4, 3, 2, 1]
    assert [each.version for each in since] == [6, 5]


def test_a_deleted_resource_is_gone_its_history_stays_and_its_numbers_go_on(store):
    save(store, observation(1))
    with store.write(SITE, later(1)) as unit:
        assert unit.delete_resources([("Observation", "p-1-o-1"), ("Observation", "unknown")]) == 1
    with store.read(SITE) as reading:
        gone = reading.resource("Observation", "p-1-o-1")
        assert (gone.version, gone.body) == (2, None)
        assert reading.version("Observation", "p-1-o-1", 2).body is None
        assert reading.version("Observation", "p-1-o-1", 1).body is not None
        assert [each.body is None for each in reading.history("Observation", "p-1-o-1")] == [True, False]
    (again,) = save(store, observation(1), now=later(2))
    assert (again.version, again.changed) == (3, True)
    with store.read(SITE) as reading:
        assert reading.resource("Observation", "p-1-o-1").version == 3


def test_a_write_that_fails_leaves_no_trace(store):
    save(store, observation(1))

    def write_and_fail() -> None:
        with store.write(SITE, later(1)) as unit:
            unit.add_course(course())
            unit.add_entries("c-1", [entry("e-1")])
            unit.save_resources([draft(observation(1, status="amended")), draft(observation(2, code="never-seen"))])
            unit.save_resources([replace(draft(observation(3)), content=b"{}")])

    with pytest.raises(DraftError):
        write_and_fail()
    with store.read(SITE) as reading:
        assert reading.course("c-1") is None
        assert reading.entries("c-1") == []
        assert reading.resource("Observation", "p-1-o-1").version == 1
        assert reading.resource("Observation", "p-1-o-2") is None
    # what the failed write would have numbered is free again: sets of tokens and arrival
    save(store, observation(2, code="another"), observation(3, code="never-seen"), now=later(2))
    assert {each.id for each in _found(store, "code=never-seen")} == {"p-1-o-3"}


def _found(store, text):
    from tests.store.test_searching import search

    return search(store, "Observation", text).rows


@pytest.mark.parametrize(
    "content",
    [
        b'{"id":"p-1-o-1","resourceType":"Observation","meta":{}}',
        b'{"resourceType":"Observation","id":"other","meta":{}}',
        b'{"resourceType":"Observation","id":"p-1-o-1","status":"final","meta":{}}',
        b"",
    ],
)
def test_content_of_another_form_is_refused(store, content):
    with pytest.raises(DraftError), store.write(SITE, NOON) as unit:
        unit.save_resources([replace(draft(observation(1)), content=content)])


def test_two_drafts_of_one_resource_are_refused(store):
    with pytest.raises(DraftError):
        save(store, observation(1), observation(1))


def test_changed_identifiers_are_found_by_the_new_and_not_by_the_old(store):
    save(store, observation(1))
    save(store, observation(1, identifier=[{"system": "urn:new", "value": "8"}]), now=later(1))
    assert _found(store, "identifier=p-1/1") == []
    assert [each.id for each in _found(store, "identifier=urn:new|8")] == ["p-1-o-1"]


def test_courses_are_added_revised_and_found(store):
    with store.write(SITE, NOON) as unit:
        unit.add_course(course("c-2", due_at=20))
        unit.add_course(course("c-1", due_at=10, state="open"))
        unit.add_course(course("c-3", state="closed"))
    with store.write(SITE, later(1)) as unit:
        unit.revise_course("c-1", b'{"given":"other"}', b"other")
        unit.set_course_state("c-2", state="open", due_at=30, overdue_shown=True)
    with store.read(SITE) as reading:
        revised = reading.course("c-1")
        assert (revised.header, revised.digest, revised.revision) == (b'{"given":"other"}', b"other", 2)
        assert reading.course("c-2").overdue_shown is True
        assert [each.course_id for each in reading.courses()] == ["c-1", "c-2", "c-3"]
        assert [each.course_id for each in reading.courses(state="open", limit=1)] == ["c-1"]
        assert [each.course_id for each in reading.courses(state="open", after="c-1")] == ["c-2"]
        assert [each.course_id for each in reading.courses_due(30)] == ["c-1", "c-2"]
        assert [each.course_id for each in reading.courses_due(29)] == ["c-1"]
        assert [each.course_id for each in reading.courses_due(30, overdue_shown=False)] == ["c-1"]


def test_entries_keep_the_order_in_which_they_arrived(store):
    with store.write(SITE, NOON) as unit:
        unit.add_course(course())
        unit.add_entries("c-1", [entry("z", 3), entry("a", 1)])
    with store.write(SITE, later(1)) as unit:
        unit.add_entries("c-1", [])
        unit.add_entries("c-1", [entry("m", 2)])
        assert [(each.entry_id, each.arrival) for each in unit.entries("c-1")] == [("z", 1), ("a", 2), ("m", 3)]


def test_the_current_resources_of_a_course_are_its_own(store):
    with store.write(SITE, NOON) as unit:
        unit.add_course(course())
        unit.save_resources(
            [
                draft(observation(1)),
                draft(observation(2), course_id="c-2"),
                draft({"resourceType": "Provenance", "id": "v-1", "meta": {}}, patient="p-1"),
                draft({"resourceType": "Patient", "id": "p-1", "meta": {}}, course_id=None),
            ]
        )
    with store.read(SITE) as reading:
        assert {key: value.version for key, value in reading.current("c-1").items()} == {
            ("Observation", "p-1-o-1"): 1,
            ("Provenance", "v-1"): 1,
        }
        assert set(reading.current("c-1", ["Provenance", "Flag"])) == {("Provenance", "v-1")}
        assert set(reading.bodies([("Observation", "p-1-o-1"), ("Flag", "p-1-o-1")])) == {("Observation", "p-1-o-1")}


def test_versions_are_given_out_before_anything_is_written(store):
    save(store, observation(1))
    with store.write(SITE, later(1)) as unit:
        changed, fresh = draft(observation(1, status="amended")), draft(observation(2))
        saving = unit.begin_saving([("Observation", changed.id), ("Observation", fresh.id)])
        assert saving.stored_digest(("Observation", fresh.id)) is None
        first = saving.take([changed])
        second = saving.take([fresh])
        assert [each.version for each in (*first, *second)] == [2, 1]
        assert unit.bodies([("Observation", fresh.id)]) == {}
        saving.write()
        saving.write()  # what was taken is written once
    with store.read(SITE) as reading:
        assert [each.version for each in reading.history("Observation", changed.id)] == [2, 1]
        assert reading.resource("Observation", fresh.id).version == 1


def test_a_draft_that_was_not_looked_up_or_was_taken_before_is_refused(store):
    with store.write(SITE, NOON) as unit:
        saving = unit.begin_saving([("Observation", "p-1-o-1")])
        saving.take([draft(observation(1))])
        with pytest.raises(DraftError, match="two drafts"):
            saving.take([draft(observation(1))])
        with pytest.raises(DraftError, match="another key"):
            saving.take([draft(observation(2))])


def test_only_the_named_type_of_an_id_goes_to_the_history(store):
    alike = {"resourceType": "Flag", "id": "p-1-o-1", "meta": {}}
    with store.write(SITE, NOON) as unit:
        unit.save_resources([draft(alike), draft(observation(1))])
    save(store, observation(1, status="amended"), now=later(1))
    with store.read(SITE) as reading:
        assert [each.version for each in reading.history("Observation", "p-1-o-1")] == [2, 1]
        assert [each.version for each in reading.history("Flag", "p-1-o-1")] == [1]


def test_a_site_without_anybody_to_tell_is_asked_in_every_write(store):
    with store.write(SITE, NOON) as unit:
        assert listeners(unit) == (False, False)
        row = {column.name: column.type.python_type() for column in destinations.c}
        unit.connection.execute(insert(destinations).values(row | {"site": SITE}))
    with store.write(SITE, later(1)) as unit:
        assert listeners(unit) == (False, True)
