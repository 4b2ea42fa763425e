"""Nothing of one site shows at another, not even that it exists: the same questions to two installations."""

import re
import time
from collections.abc import Iterator
from typing import Any

import orjson
import pytest

from service.search.including import includes_of, reverse_includes_of
from service.search.parameters import parameters
from tests.isolation.installations import (
    NORTH,
    SOUTH,
    documents,
    installation_of,
    resources_of,
    routes_of,
)

NORTHS, SOUTHS = ("01", "03", "10"), ("02",)
FORM = "application/x-www-form-urlencoded"
FHIR = "application/fhir+json"
A_FEW = 4


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The installation with both sites' data."""
    with installation_of(tmp_path_factory.mktemp("both"), None, NORTHS, SOUTHS) as side:
        yield side


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """The installation in which north is empty."""
    with installation_of(tmp_path_factory.mktemp("alone"), None, (), SOUTHS) as side:
        yield side


@pytest.fixture(scope="module")
def norths(both):
    """Every current resource of north."""
    found = resources_of(both, NORTH)
    assert len(found) > 300
    assert len({each["resourceType"] for each in found}) > 12
    return found


@pytest.fixture(scope="module")
def samples(norths):
    """A few resources of each type."""
    by_type: dict[str, list[Any]] = {}
    for each in norths:
        by_type.setdefault(each["resourceType"], []).append(each)
    return [each for of_type in by_type.values() for each in of_type[:A_FEW]]


def marks(norths) -> set[str]:
    """Texts that only north's data holds."""
    course_ids = {orjson.loads(each)["course"]["course_id"] for each in documents(*NORTHS)}
    identifiers = {row["value"] for each in norths if each["resourceType"] == "Patient" for row in each["identifier"]}
    return course_ids | identifiers | {each["id"] for each in norths}


def same(both, alone, *asked: Any, **headers: str) -> str:
    """Ask both; the answers must be alike. Returns the answer's text."""
    with_north, without = both.told(*asked, **headers), alone.told(*asked, **headers)
    assert with_north == without, asked
    return str(with_north[1])


def test_every_route_with_every_id_of_another_site_answers_as_if_there_were_none(both, alone, norths, samples):
    course_ids = sorted({orjson.loads(each)["course"]["course_id"] for each in documents(*NORTHS)})
    events = both.ask(NORTH, "GET", "/fhir/AuditEvent?_count=3").json()["entry"]
    values = {
        "course_id": course_ids,
        "event_id": [each["resource"]["id"] for each in events],
        "version_id": ["1"],
        "secret": ["x"],
        "name": ["everything"],
    }
    asked = 0
    for method, template in routes_of(both.app):
        if method == "POST" and "{resource_type}" in template and template.endswith(("resource_type}", "/_search")):
            continue  # asked with bodies below
        if template == "/fhir/AuditEvent":
            continue  # random ids in random order; its content is looked at below
        for path in filled(template, samples, values):
            body = b"{}" if method in ("POST", "PUT", "PATCH") else None
            text = same(both, alone, method, path, body, FHIR if path.startswith("/fhir") else "")
            assert not shown(text, path, marks(norths)), path
            asked += 1
    assert asked > 500


def filled(template: str, samples: list[Any], values: dict[str, list[str]]) -> Iterator[str]:
    """The template with north's ids in it."""
    if "{resource_type}" in template or "{resource_id}" in template:
        for each in samples:
            own = template.replace("{resource_type}", each["resourceType"]).replace("{resource_id}", each["id"])
            yield re.sub(r"\{(\w+)\}", lambda found: values[found[1]][0], own)
        return
    names = re.findall(r"\{(\w+)\}", template)
    for place in range(max([len(values.get(name, ["x"])) for name in names], default=1)):
        path = template
        for name in names:
            known = values.get(name, ["x"])
            path = path.replace(f"{{{name}}}", known[place % len(known)])
        yield path


def shown(text: str, path: str, secret: set[str]) -> list[str]:
    """Texts of north in an answer that were not in the question."""
    return [each for each in secret if len(each) > 5 and each in text and each not in path]


def test_every_search_parameter_with_values_of_another_site_finds_nothing_of_it(both, alone, norths, samples):
    pool = values_by_kind(norths)
    asked = 0
    for type_, of_type in parameters().items():
        for parameter in of_type.values():
            for value in pool[parameter.kind](parameter):
                text = same(both, alone, "GET", f"/fhir/{type_}?{parameter.name}={value}&_total=accurate")
                assert not shown(text, value, marks(norths)), (type_, parameter.name, value)
                asked += 1
    assert asked > 500


def values_by_kind(norths: list[Any]) -> dict[str, Any]:
    patients = [each for each in norths if each["resourceType"] == "Patient"]
    rows = [row for each in norths for row in each.get("identifier", ()) if isinstance(row, dict)]
    identifiers = sorted({f"{row['system']}|{row['value']}" for row in rows})[:A_FEW]
    codes = ["gap-width", "band-stretch-ratio", "final", "active", "requested"]
    references = [
        f"Patient/{patients[0]['id']}",
        patients[-1]["id"],
        f"http://127.0.0.1:8080/fhir/Patient/{patients[0]['id']}",
    ]
    families = [name["family"] for each in patients for name in each.get("name", ())]
    ids = [each["id"] for each in norths[:: len(norths) // A_FEW]]
    return {
        "token": lambda parameter: [*codes, *(ids if parameter.name == "_id" else identifiers)],
        "date": lambda _: ["ge2020", "lt2030", "2026-10"],
        "reference": lambda _: references,
        "string": lambda _: [*families[:A_FEW], "a"],
        "quantity": lambda _: ["gt0", "1.75", "40||mm"],
        "composite": lambda _: ["gap-width$gt0"],
        "uri": lambda _: ["https://closure-readings.example/fhir/x"],
        "number": lambda _: ["1"],
    }


def test_no_include_brings_anything_of_another_site(both, alone, norths):
    for type_ in parameters():
        for name, values in (("_include", includes_of(type_)), ("_revinclude", reverse_includes_of(type_))):
            for value in values:
                text = same(both, alone, "GET", f"/fhir/{type_}?{name}={value}&_count=1000")
                assert not shown(text, "", marks(norths)), (type_, value)


def test_links_and_cursors_of_another_site_lead_nowhere(both, alone, samples):
    followed = 0
    for type_ in parameters():
        for path in (f"/fhir/{type_}?_count=1", f"/fhir/{type_}?_count=1&_sort=-_lastUpdated"):
            found = {each["relation"]: each["url"] for each in both.ask(NORTH, "GET", path).json()["link"]}
            if "next" in found:
                same(both, alone, "GET", found["next"].removeprefix("http://127.0.0.1:8080"))
                followed += 1
    patient = next(each["id"] for each in samples if each["resourceType"] == "Patient")
    found = both.ask(NORTH, "GET", f"/fhir/Patient/{patient}/$everything?_count=2").json()["link"]
    for each in found:
        same(both, alone, "GET", each["url"].removeprefix("http://127.0.0.1:8080"))
    assert followed > 10


def test_operations_and_bundles_see_nothing_of_another_site(both, alone, norths, samples):
    patient = next(each["id"] for each in samples if each["resourceType"] == "Patient")
    observation = next(each["id"] for each in samples if each["resourceType"] == "Observation")
    for path in (
        f"/fhir/Patient/{patient}/$everything",
        f"/fhir/Observation/$lastn?patient={patient}&category=exam",
        f"/fhir/Observation/{observation}/$validate",
        f"/fhir/Observation/{observation}/_history?_count=1",
    ):
        assert not shown(same(both, alone, "GET", path), path, marks(norths))
    gets = [f"{each['resourceType']}/{each['id']}" for each in samples]
    for kind in ("batch", "transaction"):
        for urls in [gets] if kind == "batch" else [[url] for url in gets[:8]]:
            entries = [{"request": {"method": "GET", "url": url}} for url in urls]
            same(both, alone, "POST", "/fhir", {"resourceType": "Bundle", "type": kind, "entry": entries}, FHIR)
    same(both, alone, "POST", "/fhir/Observation/_search", f"patient={patient}".encode(), FORM)


def test_references_and_conditions_find_nothing_of_another_site(both, alone, norths, samples):
    """Writes of south that name what is north's; whatever is stored is south's own, and the same in both."""
    patient = next(each for each in norths if each["resourceType"] == "Patient")
    identifier = patient["identifier"][0]
    token = f"{identifier['system']}|{identifier['value']}"
    code = {"coding": [{"system": "https://south.example/codes", "code": "x"}], "text": "Something"}
    observation = {"resourceType": "Observation", "status": "final", "code": code, "valueString": "x"}
    for subject in (f"Patient/{patient['id']}", f"Patient?identifier={token}"):
        resource = observation | {"subject": {"reference": subject}}
        same(both, alone, "POST", "/fhir/Observation", resource, FHIR)
        entry = {"resource": resource, "request": {"method": "POST", "url": "Observation"}}
        same(both, alone, "POST", "/fhir", {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}, FHIR)
    named = {"resourceType": "Patient", "identifier": [identifier], "name": [{"family": "South"}]}
    same(both, alone, "PUT", f"/fhir/Patient/{patient['id']}", named | {"id": patient["id"]}, FHIR)
    same(both, alone, "PUT", f"/fhir/Patient?identifier={token}", named, FHIR)
    same(both, alone, "POST", "/fhir/Patient", named, FHIR, **{"If-None-Exist": f"identifier={token}"})
    same(both, alone, "GET", f"/fhir/Patient?identifier={token}")


def test_intake_and_chart_links_know_nothing_of_another_site(both, alone, norths):
    for document in documents(*NORTHS):
        course = orjson.loads(document)
        course_id = course["course"]["course_id"]
        same(both, alone, "GET", f"/intake/courses/{course_id}")
        same(both, alone, "GET", f"/intake/courses?cursor={course_id}")
        same(both, alone, "POST", f"/intake/courses/{course_id}/entries", course["entries"])
        same(both, alone, "POST", "/chart/links", {"course_id": course_id})
        same(both, alone, "POST", "/intake/preview", document)
    for path in ("/", "/intake/courses", "/intake/due?within_h=8000", "/fhir/metadata"):
        assert not shown(same(both, alone, "GET", path), path, marks(norths))


def test_the_audit_record_of_a_site_holds_its_own_accesses_alone(both, norths):
    both.ask(NORTH, "GET", f"/fhir/Patient/{next(e['id'] for e in norths if e['resourceType'] == 'Patient')}")
    souths = both.ask(SOUTH, "GET", "/fhir/AuditEvent?_count=1000").json()["entry"]
    assert souths
    for each in souths:
        who = each["resource"]["agent"][0]["who"].get("identifier", {}).get("value")
        assert who == both.client_ids[SOUTH]


def test_the_same_course_at_two_sites_is_two_courses_and_a_write_of_one_leaves_the_other(both, alone, norths):
    document = documents(NORTHS[0])[0]
    before = {(each["resourceType"], each["id"]): each for each in resources_of(both, NORTH)}
    assert both.told("POST", "/intake/courses", document)[:2] == alone.told("POST", "/intake/courses", document)[:2]
    course_id = orjson.loads(document)["course"]["course_id"]
    assert both.ask(SOUTH, "GET", f"/intake/courses/{course_id}").status_code == 200
    after = {(each["resourceType"], each["id"]): each for each in resources_of(both, NORTH)}
    assert before == after
    souths = {(each["resourceType"], each["id"]) for each in resources_of(both, SOUTH)}
    assert souths == {(each["resourceType"], each["id"]) for each in resources_of(alone, SOUTH)}


def test_jobs_and_files_of_exports_of_another_site_are_none(both):
    asked = {"Accept": "application/fhir+json", "Prefer": "respond-async"}
    begun = both.ask(NORTH, "GET", "/fhir/$export?_type=Patient,Goal", **asked)
    assert begun.status_code == 202, begun.text
    job = begun.headers["content-location"].removeprefix("http://127.0.0.1:8080")
    for _ in range(60):
        manifest = both.ask(NORTH, "GET", job)
        if manifest.status_code == 200:
            break
        time.sleep(1)
    (file, *_) = [each["url"].removeprefix("http://127.0.0.1:8080") for each in manifest.json()["output"]]
    assert both.ask(NORTH, "GET", file).status_code == 200
    unknown = re.sub(r"[0-9a-f]{32}", "0" * 32, file)
    for method, theirs, none in (
        ("GET", job, unknown.rpartition("/")[0]),
        ("DELETE", job, unknown.rpartition("/")[0]),
        ("GET", file, unknown),
        ("HEAD", file, unknown),
    ):
        told, expected = both.ask(SOUTH, method, theirs), both.ask(SOUTH, method, none)
        assert (told.status_code, told.text) == (expected.status_code, expected.text), (method, theirs)
        assert told.status_code == 404
    assert both.ask(NORTH, "GET", file).status_code == 200
