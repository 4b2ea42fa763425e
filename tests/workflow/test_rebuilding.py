"""`rebuild`: what differs from the record is found, written as versions with a Provenance, and then agrees."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from msgspec import structs
from sqlalchemy import create_engine, text

from service import strict_json
from service.config import Settings
from service.fhir import wire
from service.fhir.build.context import Frame
from service.search.values import index
from service.store import Draft
from service.store.receiving import identified
from service.workflow import open_workflow
from service.workflow.rebuilding import compare_all, course_count, rebuild_all

NOW = datetime(2026, 11, 1, tzinfo=UTC)
EXAMPLES = Path(__file__).parents[2] / "examples"
NAMES = ("01", "03", "04")


@pytest.fixture
def workflow(database_url):
    opened = open_workflow(Settings(database_url=database_url))
    for name in NAMES:
        for path in sorted(EXAMPLES.glob(f"{name}*/course*.json")):
            opened.record_course(strict_json.read(path.read_bytes()), NOW)
    yield opened
    opened.close()


def execute(workflow, statement, **values):
    engine = create_engine(workflow.store._writer.url)
    with engine.begin() as connection:
        changed = connection.execute(text(statement), values).rowcount
    engine.dispose()
    return changed


def first_key(workflow, type_):
    with workflow.store.read("demo") as unit:
        course_id = unit.courses(limit=1)[0].course_id
        return course_id, next(key for key in unit.current(course_id) if key[0] == type_)


def found(workflow):
    return [difference for one in compare_all(workflow, NOW) for difference in one.differences]


def current(workflow, key):
    with workflow.store.read("demo") as unit:
        return unit.resource(*key)


def rebuilt(workflow):
    return [one.course_id for one in rebuild_all(workflow, NOW) if one.rebuilt]


def test_what_agrees_is_left_alone(workflow):
    assert course_count(workflow) == len(NAMES)
    assert found(workflow) == []
    assert rebuilt(workflow) == []


def test_other_content_becomes_a_version_with_a_provenance_that_says_so(workflow):
    course_id, key = first_key(workflow, "Observation")
    before = current(workflow, key)
    changed = wire.read(before.body) | {"status": "cancelled"}
    execute(
        workflow, "UPDATE resources SET body = :b, digest = :d WHERE id = :i", b=wire.write(changed), d=b"x", i=key[1]
    )
    assert [(one.course_id, one.reference, one.what) for one in found(workflow)] == [
        (course_id, "/".join(key), "has other content")
    ]
    assert rebuilt(workflow) == [course_id]
    assert found(workflow) == []
    after = current(workflow, key)
    assert after.version == before.version + 1
    assert wire.read(after.body)["status"] == "final"
    with workflow.store.read("demo") as unit:
        told = unit.bodies(unit.current(course_id, ("Provenance",))).values()
    ours = [body for body in map(wire.read, told) if "made afresh" in body["text"]["div"]]
    assert [one["target"] for one in ours] == [[{"reference": f"{key[0]}/{key[1]}/_history/{after.version}"}]]
    assert rebuilt(workflow) == []


def test_a_body_that_the_disk_changed_is_mended_though_its_digest_is_right(workflow):
    _, key = first_key(workflow, "Observation")
    before = current(workflow, key)
    flipped = before.body.replace(b'"final"', b'"finam"')
    assert execute(workflow, "UPDATE resources SET body = :b WHERE id = :i", b=flipped, i=key[1]) == 1
    assert [one.what for one in found(workflow)] == ["has other content"]
    rebuilt(workflow)
    assert found(workflow) == []
    assert b'"final"' in current(workflow, key).body


def test_a_body_that_cannot_be_read_is_mended_and_its_identifiers_still_find_it(workflow):
    _, key = first_key(workflow, "Observation")
    identifier = wire.read(current(workflow, key).body)["identifier"][0]
    execute(workflow, "UPDATE resources SET body = :b WHERE id = :i", b=b'{"resource\xff', i=key[1])
    assert [one.what for one in found(workflow)] == ["cannot be read"]
    rebuilt(workflow)
    assert found(workflow) == []
    with workflow.store.read("demo") as unit:
        by_identifier = identified(unit, "Observation", identifier["system"], identifier["value"])
        versions = unit.history(*key)
    assert [one.id for one in by_identifier] == [key[1]]
    assert [wire.read(one.body)["id"] for one in versions] == [key[1]] * 2


def test_what_is_missing_is_made_again(workflow):
    course_id, key = first_key(workflow, "DiagnosticReport")
    execute(workflow, "DELETE FROM resources WHERE id = :i", i=key[1])
    execute(workflow, "DELETE FROM identifiers WHERE type = :t", t=key[0])
    assert (course_id, "/".join(key), "is missing") in [tuple(one)[:3] for one in found(workflow)]
    rebuilt(workflow)
    assert found(workflow) == []


def test_what_the_projection_no_longer_gives_is_withdrawn_once(workflow):
    course_id, key = first_key(workflow, "Observation")
    stray = wire.read(current(workflow, key).body) | {"id": "stray"}
    stray["identifier"][0]["value"] = "stray"
    del stray["meta"]["versionId"], stray["meta"]["lastUpdated"]
    with workflow.store.write("demo", NOW) as unit:
        unit.save_resources([Draft("Observation", "stray", course_id, None, wire.write(stray), index(stray, UTC))])
    assert [(one.reference, one.what) for one in found(workflow)] == [("Observation/stray", "is no longer given")]
    assert rebuilt(workflow) == [course_id]
    assert wire.read(current(workflow, ("Observation", "stray")).body)["status"] == "entered-in-error"
    assert found(workflow) == []
    assert rebuilt(workflow) == []


def test_a_damaged_record_is_told_of_and_nothing_is_made_of_it(workflow):
    with workflow.store.read("demo") as unit:
        course_id = unit.courses(limit=1)[0].course_id
        entry = unit.entries(course_id)[1]
    other = entry.body.replace(b'"gap_mm":', b'"gap_mm":1', 1)
    assert other != entry.body
    execute(
        workflow,
        "UPDATE entries SET body = :b WHERE entry_id = :e AND course_id = :c",
        b=other,
        e=entry.entry_id,
        c=course_id,
    )
    assert [(one.of_record, one.reference) for one in found(workflow)] == [(True, f"the entry {entry.entry_id}")]
    with workflow.store.read("demo") as unit:
        before = unit.current(course_id)
    assert rebuilt(workflow) == []
    with workflow.store.read("demo") as unit:
        assert unit.current(course_id) == before


def test_another_policy_rebuilds_every_course_and_an_interruption_loses_nothing(workflow):
    policy = structs.replace(workflow.site.policy, name="another")
    frame = Frame("demo", policy, workflow.site.frame.terms, workflow.settings.software_version)
    changed = replace(workflow, site=structs.replace(workflow.site, policy=policy, frame=frame))
    assert len({one.course_id for one in found(changed)}) == len(NAMES)
    going = rebuild_all(changed, NOW)
    first = next(going)
    going.close()
    assert first.rebuilt
    assert first.course_id not in {one.course_id for one in found(changed)}
    assert rebuilt(changed) == sorted({one.course_id for one in compare_all(changed, NOW)} - {first.course_id})
    assert found(changed) == []
