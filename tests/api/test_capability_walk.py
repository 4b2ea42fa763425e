"""Rows 57 and 58: everything that the CapabilityStatement claims works, everything that it does not claim is refused.

The walk reads the statement that is served and calls what it says, so that it follows whatever comes to be claimed.
Sources: http://hl7.org/fhir/R4/capabilitystatement.html, http.html; resource types, search parameters and operations of
R4 from tests/search/r4_search_parameters.csv and the npm package hl7.fhir.r4.examples 4.0.1.
"""

import csv
import json
import time
from pathlib import Path
from uuid import uuid4

import pytest
from fhir.resources.R4B.capabilitystatement import CapabilityStatement

from service.fhir.r4 import resource_types
from service.fhir.validate import check_bytes
from service.search.parameters import parameters
from tests.api.whole_side import NOTIFIED, PUBLIC, issues, links, resources, whole_side
from tests.conformance.npm import EXAMPLES, package

# http://hl7.org/fhir/R4/valueset-type-restful-interaction.html and valueset-system-restful-interaction.html
OF_TYPES = ("read", "vread", "update", "patch", "delete", "history-instance", "history-type", "create", "search-type")
OF_SYSTEM = ("transaction", "batch", "search-system", "history-system")
VALUES = {"token": "x", "date": "2024", "string": "x", "uri": "urn:x", "quantity": "5", "number": "5"}
NARRATIVE = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">made for a test</div>'}

PAYLOAD = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-payload-content"


@pytest.fixture(scope="module")
def side(tmp_path_factory):
    with whole_side(tmp_path_factory.mktemp("walk"), "02", "03", "04", "06") as whole:
        bare = [{"resourceType": type_, "id": f"bare-{type_.lower()}", "meta": {}} for type_ in parameters()]
        whole.save(*(one for one in bare if not resources(whole.get(one["resourceType"]).json())))
        assert whole.post("Subscription", fresh("Subscription")).status_code == 201
        yield whole


@pytest.fixture(scope="module")
def statement(side):
    return side.get("metadata").json()


DRAWN = "Binary"  # read by the id that a report names, see tests/report/test_presented_at_the_door.py


@pytest.fixture(scope="module")
def rest(statement):
    (rest,) = statement["rest"]
    assert [row["type"] for row in rest["resource"] if not claimed(row)] == ["Group"]  # exported by, served as nothing
    assert [row["interaction"] for row in rest["resource"] if row["type"] == DRAWN] == [[{"code": "read"}]]
    return rest | {"resource": [row for row in rest["resource"] if claimed(row) and row["type"] != DRAWN]}


@pytest.fixture(scope="module")
def held(side, rest):
    """One resource of every claimed type."""
    found = {row["type"]: resources(side.get(row["type"]).json())[:1] for row in rest["resource"] if claimed(row)}
    assert all(found.values()), [type_ for type_, one in found.items() if not one]
    return {type_: one for type_, (one,) in found.items()}


def claimed(row):
    return {one["code"] for one in row.get("interaction", ())}


def refused(answer):
    """A refusal of the client's making, said in an OperationOutcome."""
    return 400 <= answer.status_code < 500 and any(one["severity"] in ("error", "fatal") for one in issues(answer))


def fresh(type_):
    """A sound resource of a type that a hospital may send, with a business identifier of its own."""
    identifier = {"system": "https://harbour.example/made", "value": str(uuid4())}
    of_type = {
        "Patient": {"identifier": [identifier], "name": [{"family": "Stell"}]},
        "Practitioner": {"identifier": [identifier], "name": [{"family": "Okafor"}]},
        "Organization": {"identifier": [identifier], "name": "Harbour Hospital"},
        "Encounter": {
            "identifier": [identifier],
            "status": "in-progress",
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-NullFlavor", "code": "UNK"},
        },
        "Observation": {
            "identifier": [identifier],
            "status": "final",
            "code": {"text": "Temperature"},
            "valueInteger": 37,
        },
        "Subscription": {
            "status": "requested",
            "reason": "the trend in the chart",
            "criteria": "https://closure-readings.example/fhir/SubscriptionTopic/check-charted",
            "channel": {
                "type": "rest-hook",
                "endpoint": f"https://{NOTIFIED}/told",
                "payload": "application/fhir+json",
                "_payload": {"extension": [{"url": PAYLOAD, "valueCode": "id-only"}]},
            },
        },
    }
    return {"resourceType": type_, "text": NARRATIVE, **of_type[type_]} if type_ in of_type else None


def called(side, code, type_, one):
    """The answer to one interaction; `one` is a resource of the type that is held."""
    path, body = f"/fhir/{type_}/{one['id']}", fresh(type_) or one
    version = one.get("meta", {}).get("versionId", "1")
    headers = {"content-type": "application/fhir+json"}
    match code:
        case "read":
            return side.client.get(path)
        case "vread":
            return side.client.get(f"{path}/_history/{version}")
        case "history-instance":
            return side.client.get(f"{path}/_history")
        case "history-type":
            return side.client.get(f"/fhir/{type_}/_history")
        case "search-type":
            return side.client.get(f"/fhir/{type_}")
        case "create":
            return side.client.post(f"/fhir/{type_}", json=body, headers=headers)
        case "update":
            return side.client.put(path, json=one, headers=headers)
        case "patch":
            return side.client.patch(path, content=b"[]", headers={"content-type": "application/json-patch+json"})
        case "delete":
            return side.client.delete(path)
    raise AssertionError(code)


def test_row_57_the_statement_is_sound_by_three_judges(side, statement):
    raw = side.get("metadata").content
    assert check_bytes(raw) == []
    CapabilityStatement.model_validate_json(raw)
    assert len({row["type"] for row in statement["rest"][0]["resource"]}) == len(statement["rest"][0]["resource"])


def test_row_58_every_interaction_that_is_not_claimed_is_refused(side, rest, held):
    for row in rest["resource"]:
        for code in sorted(set(OF_TYPES) - claimed(row)):
            answer = called(side, code, row["type"], held[row["type"]])
            assert refused(answer), (row["type"], code, answer.status_code)


def test_row_58_every_reading_interaction_that_is_claimed_works(side, rest, held):
    for row in rest["resource"]:
        for code in claimed(row) - {"create", "update", "patch", "delete"}:
            answer = called(side, code, row["type"], held[row["type"]])
            assert answer.status_code == 200, (row["type"], code, answer.text)
            assert answer.headers["content-type"].startswith("application/fhir+json")


def test_row_58_every_writing_interaction_that_is_claimed_works(side, rest):
    for row in rest["resource"]:
        writing = claimed(row) & {"create", "update", "patch", "delete"}
        body = fresh(row["type"])
        if not writing or body is None:
            continue  # what a form answers is in the tests of the forms
        assert "create" in writing, row["type"]
        made = side.post(row["type"], body)
        assert made.status_code == 201, (row["type"], made.text)
        where = made.headers["location"].partition("/_history/")[0]
        stored = side.follow(where).json()
        if "update" in writing:
            path = f"/fhir/{row['type']}/{stored['id']}"
            again = side.client.put(path, json=stored, headers={"content-type": "application/fhir+json"})
            assert again.status_code == 200, (row["type"], again.text)


def test_row_58_versioning_and_conditional_reads_are_as_claimed(side, rest, held):
    for row in rest["resource"]:
        path = f"{row['type']}/{held[row['type']]['id']}"
        answer = side.get(path)
        assert row["versioning"] in ("versioned", "versioned-update")
        assert answer.headers["etag"] == f'W/"{answer.json()["meta"]["versionId"]}"'
        assert row["readHistory"] == ("vread" in claimed(row))
        if row["conditionalRead"] == "not-supported":
            continue
        assert side.get(path, if_none_match=answer.headers["etag"]).status_code == 304
        assert side.get(path, if_modified_since=answer.headers["last-modified"]).status_code == 304


def test_row_58_conditional_writes_are_as_claimed(side, rest):
    headers = {"content-type": "application/fhir+json"}
    for row in rest["resource"]:
        type_, body = row["type"], fresh(row["type"])
        sent = body or {"resourceType": type_}
        value = sent.get("identifier", [{"value": "x"}])[0]["value"]
        condition = f"identifier=https://harbour.example/made|{value}"
        create = [
            side.client.post(f"/fhir/{type_}", json=sent, headers=headers | {"if-none-exist": condition}) for _ in "12"
        ]
        if row["conditionalCreate"] and body:
            assert [answer.status_code for answer in create] == [201, 200], (type_, create[0].text)
        elif not row["conditionalCreate"]:
            assert all(refused(answer) for answer in create), type_
        update = side.client.put(f"/fhir/{type_}?{condition}", json=sent, headers=headers)
        if row["conditionalUpdate"] and body:
            assert update.status_code in (200, 201), (type_, update.text)
        elif not row["conditionalUpdate"]:
            assert refused(update), type_
        unknown, another = str(uuid4()), fresh(type_) or sent
        as_create = side.client.put(f"/fhir/{type_}/{unknown}", json=another | {"id": unknown}, headers=headers)
        if row["updateCreate"] and body:
            assert as_create.status_code == 201, (type_, as_create.text)
        elif not row["updateCreate"]:
            assert refused(as_create), type_
        if row["conditionalDelete"] == "not-supported":
            assert refused(side.client.delete(f"/fhir/{type_}?{condition}")), type_


# Search


def value_for(type_, name, kind):
    parameter = parameters().get(type_, {}).get(name)
    if kind == "reference":
        return f"{min(parameter.targets)}/p-1"
    if kind == "composite":
        return "$".join(value_for(type_, part, parameters()[type_][part].kind) for part in parameter.parts)
    return VALUES[kind]


def test_row_58_every_search_parameter_that_is_claimed_is_used(side, rest):
    for row in rest["resource"]:
        for parameter in row["searchParam"]:
            name = parameter["name"]
            value = value_for(row["type"], name, parameter["type"])
            answer = side.get(f"{row['type']}?{name}={value}", prefer="handling=strict")
            assert answer.status_code == 200, (row["type"], name, answer.text)
            assert f"{name}=" in links(answer.json())["self"]


def test_row_58_no_other_search_parameter_of_r4_is_used(side, rest):
    with (Path(__file__).parents[1] / "search" / "r4_search_parameters.csv").open() as file:
        published = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(published) > 100
    for row in rest["resource"]:
        known = {parameter["name"] for parameter in row["searchParam"]}
        others = {line["code"] for line in published if line["base"] == row["type"]} - known
        for name in sorted(others | {"colour", "_filter", "_has:Observation:patient:code", "_text", "_list"}):
            answer = side.get(f"{row['type']}?{name}=x", prefer="handling=strict")
            assert refused(answer), (row["type"], name)


def test_row_58_includes_are_as_claimed(side, rest):
    for row in rest["resource"]:
        type_ = row["type"]
        for name, claim in (("_include", "searchInclude"), ("_revinclude", "searchRevInclude")):
            for include in row.get(claim, ()):
                answer = side.get(f"{type_}?{name}={include}&_count=2", prefer="handling=strict")
                assert answer.status_code == 200, (type_, include, answer.text)
            unclaimed = side.get(f"{type_}?{name}={type_}:colour", prefer="handling=strict")
            assert refused(unclaimed), (type_, name)


# Operations


def exported(side, path):
    """The end of an export: begun, waited for."""
    begun = side.get(path, accept="application/fhir+json", prefer="respond-async")
    assert begun.status_code == 202, begun.text
    for _ in range(100):
        told = side.follow(begun.headers["content-location"])
        if told.status_code not in (202, 429):
            break
        time.sleep(1)
    return told


def test_rows_59_and_80_exports_are_claimed_on_three_levels_and_work(side, statement):
    """`instantiates` and canonicals: Bulk Data Access 2.0, CapabilityStatement bulk-data."""
    (rest,) = statement["rest"]
    bulk = "http://hl7.org/fhir/uv/bulkdata"
    assert f"{bulk}/CapabilityStatement/bulk-data" in statement["instantiates"]
    assert rest["operation"] == [{"name": "export", "definition": f"{bulk}/OperationDefinition/export"}]
    for type_, name in (("Patient", "patient-export"), ("Group", "group-export")):
        (row,) = [row for row in rest["resource"] if row["type"] == type_]
        assert {"name": "export", "definition": f"{bulk}/OperationDefinition/{name}"} in row["operation"]
    manifest = exported(side, "$export?_type=Goal")
    assert manifest.status_code == 200
    assert {each["type"] for each in manifest.json()["output"]} == {"Goal"}


def test_row_59_the_statement_tells_how_to_sign_in(statement):
    (rest,) = statement["rest"]
    security = rest["security"]
    assert security["service"][0]["coding"][0]["code"] == "SMART-on-FHIR"
    (uris,) = security["extension"]
    assert uris["url"].endswith("/oauth-uris")
    assert uris["extension"] == [{"url": "token", "valueUri": f"{PUBLIC}/auth/token"}]


def test_row_58_every_operation_that_is_claimed_works(side, rest, held):
    for row in rest["resource"]:
        for operation in row.get("operation", ()):
            owner = operation["definition"].rpartition("/")[2]
            assert owner.rpartition("-")[2] == operation["name"]
            answer = CALLS[operation["name"]](side, row["type"], held[row["type"]])
            assert answer.status_code == 200, (row["type"], operation["name"], answer.text)
            if operation["name"] == "export":
                continue
            assert check_bytes(answer.content) == [] or answer.json()["resourceType"] == "Bundle"


def test_row_58_a_resource_of_r4_without_a_row_is_not_served(side, rest):
    rows = {row["type"] for row in rest["resource"]}
    for type_ in sorted(resource_types() - rows - {"AuditEvent"}):
        assert refused(side.get(type_)), type_


CALLS = {
    "export": lambda side, type_, one: exported(side, f"{type_}/$export"),
    "status": lambda side, type_, one: side.get(f"{type_}/{one['id']}/$status"),
    "events": lambda side, type_, one: side.get(f"{type_}/{one['id']}/$events"),
    "validate": lambda side, type_, one: side.post(f"{type_}/$validate", one),
    "everything": lambda side, type_, one: side.get(f"{type_}/{one['id']}/$everything?_count=5"),
    "lastn": lambda side, type_, one: side.get(f"{type_}/$lastn?patient={one['subject']['reference']}&category=exam"),
    "translate": lambda side, type_, one: side.get(f"{type_}/{one['id']}/$translate?system=urn:x&code=x"),
}


def test_row_58_no_other_operation_of_r4_is_answered(side, rest, held):
    folder = package(*EXAMPLES)
    names = {json.loads(file.read_text("utf-8"))["code"] for file in folder.glob("OperationDefinition-*-*.json")}
    assert {"validate", "everything", "lastn", "translate", "expand", "lookup"} <= names
    for row in rest["resource"]:
        type_, id_ = row["type"], held[row["type"]]["id"]
        mine = {operation["name"] for operation in row.get("operation", ())}
        for name in sorted(names - mine):
            for path in (f"{type_}/${name}", f"{type_}/{id_}/${name}"):
                assert refused(side.get(path)), path
                assert refused(side.post(path, {"resourceType": "Parameters"})), path
    of_system = {operation["name"] for operation in rest.get("operation", ())}
    for name in sorted(names - of_system):
        assert refused(side.get(f"${name}"))
        assert refused(side.post(f"${name}", {"resourceType": "Parameters"}))


# What is not there at all


def test_row_58_no_other_resource_type_of_r4_is_served(side, rest):
    others = resource_types() - {row["type"] for row in rest["resource"]} - {DRAWN}
    assert len(others) > 100
    for type_ in sorted(others | {"Moon"}):
        for answer in (
            side.get(type_),
            side.get(f"{type_}/1"),
            side.get(f"{type_}/1/_history"),
            side.post(type_, {"resourceType": type_}),
            side.post(f"{type_}/$validate", {"resourceType": type_}),
            side.client.put(f"/fhir/{type_}/1", json={"resourceType": type_, "id": "1"}),
            side.client.delete(f"/fhir/{type_}/1"),
        ):
            assert refused(answer), (type_, answer.request.method, answer.request.url, answer.status_code)


def test_row_58_interactions_of_the_whole_system_are_as_claimed(side, rest):
    known = {one["code"] for one in rest.get("interaction", ())}
    for code in ("transaction", "batch"):
        answer = side.post("", {"resourceType": "Bundle", "type": code})
        assert (answer.status_code == 200) if code in known else refused(answer), code
    for code, path in (("search-system", "?_type=Patient&_id=1"), ("history-system", "_history")):
        answer = side.client.get(f"/fhir{path}" if path.startswith("?") else f"/fhir/{path}")
        assert (answer.status_code == 200) if code in known else refused(answer), code
    assert known <= set(OF_SYSTEM)
    assert "compartment" not in rest
    assert refused(side.get("Patient/1/Observation"))
