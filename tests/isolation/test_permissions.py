"""Scopes on every interaction (rows 76 and 77): each route without a token, with one for nothing, with just enough.

Source of what a letter grants: SMART App Launch 2.2.0, Scopes for requesting FHIR Resources. What the service's own
scopes grant: docs/access.md.
"""

import re
from dataclasses import dataclass
from typing import Any

import orjson
import pytest
from starlette.testclient import TestClient

from service.api.app import create_app
from service.api.permissions import fhir_interactions
from service.config import Settings
from tests.isolation.installations import NOW, documents, routes_of
from tests.signing_in import EVERYTHING, signed_in

FHIR = "application/fhir+json"
OUTSIDE = {
    "/live",
    "/health",
    "/ready",
    "/metrics",
    "/openapi.json",
    "/auth/token",
    "/chart/links/x",
    "/chart/courses/x",
}
OPEN = OUTSIDE | {"/", "/fhir/metadata", "/fhir/.well-known/smart-configuration"}
# What a token of any kind may ask: calculations on what is sent, what the software publishes of itself, a check of a
# resource that is sent along, operations that are not offered, and Bundles, whose entries are asked one by one.
WITH_ANY_TOKEN = re.compile(
    r"/intake/plan(/sheet)?|/ward/(plan|static/.*)|/fhir/?|/fhir/(ConceptMap|CodeSystem|StructureDefinition|ValueSet|Questionnaire|"
    r"NamingSystem|OperationDefinition|SearchParameter|ImplementationGuide|Measure)(/.*)?|/fhir/Observation/\$\w+|/fhir/\$[\w-]+(/.*)?|/fhir/(Patient|Group/x)/\$export"
)


@dataclass
class Ward:
    """A service with one course, and clients of it with chosen scopes."""

    settings: Settings
    http: TestClient

    def ask(self, scopes: str, method: str, path: str, body: Any = None, **headers: str) -> Any:
        token = signed_in(self.settings, NOW, scopes) if scopes else {}
        media_type = FHIR if path.startswith("/fhir") else "application/json"
        content = body if isinstance(body, bytes) or body is None else orjson.dumps(body)
        told = {"Content-Type": media_type} if content is not None else {}
        return self.http.request(method, path, content=content, headers=token | told | headers, follow_redirects=False)

    def found(self, type_: str) -> list[str]:
        rows = self.ask(EVERYTHING, "GET", f"/fhir/{type_}?_count=1000").json().get("entry", ())
        return [row["resource"]["id"] for row in rows]


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    settings = Settings(database_url=f"sqlite:///{tmp_path_factory.mktemp('ward')}/ward.sqlite3")
    signed_in(settings, NOW)  # from now on nobody comes in without a token
    with TestClient(create_app(settings, lambda: NOW), base_url="http://127.0.0.1:8080") as http:
        opened = Ward(settings, http)
        answer = opened.ask("intake:write", "POST", "/intake/courses", documents("01")[0])
        assert answer.status_code == 201, answer.text
        yield opened


def every_request(ward) -> list[tuple[str, str]]:
    filled = {"resource_type": "Observation", "name": "nothing"}
    found = []
    for method, template in routes_of(ward.http.app):
        found.append((method, re.sub(r"\{(\w+)\}", lambda name: filled.get(name[1], "x"), template)))
    return sorted(set(found))


def test_without_a_token_nothing_is_answered_but_how_to_get_one(ward):
    asked = 0
    for method, path in every_request(ward):
        if path in OUTSIDE or (path in OPEN and method in ("GET", "HEAD")):
            continue
        answer = ward.ask("", method, path, b"{}" if method in ("POST", "PUT") else None)
        assert answer.status_code == 401, (method, path)
        assert answer.headers["www-authenticate"].startswith("Bearer")
        asked += 1
    assert asked > 60


def test_the_start_page_without_a_token_shows_no_course(ward):
    course_id = orjson.loads(documents("01")[0])["course"]["course_id"]
    answer = ward.ask("", "GET", "/")
    assert answer.status_code == 200
    assert course_id not in answer.text
    assert course_id in ward.ask("intake:read", "GET", "/").text
    assert course_id not in ward.ask("system/Task.r", "GET", "/").text


def test_a_token_that_covers_nothing_of_it_opens_nothing(ward):
    """`system/Device.d` is of no use here: the least that a token can be granted."""
    token = signed_in(ward.settings, NOW, "system/Device.d")
    asked = 0
    for method, path in every_request(ward):
        if path in OPEN or WITH_ANY_TOKEN.fullmatch(path):
            continue
        content = {"content": b"{}"} if method in ("POST", "PUT") else {}
        answer = ward.http.request(method, path, headers=token, follow_redirects=False, **content)
        assert answer.status_code == 403, (method, path, answer.status_code)
        asked += 1
    assert asked > 30


@pytest.mark.parametrize(
    ("method", "path", "scope", "others"),
    [
        ("GET", "/fhir/Observation", "system/Observation.s", "system/Observation.crud system/Patient.cruds"),
        ("POST", "/fhir/Observation/_search", "system/Observation.s", "system/Observation.crud"),
        ("GET", "/fhir/Observation/x", "system/Observation.r", "system/Observation.cuds system/*.s"),
        ("GET", "/fhir/Observation/x/_history", "system/Observation.r", "system/Observation.cuds"),
        ("GET", "/fhir/Observation/x/_history/1", "system/Observation.r", "system/Observation.cuds"),
        ("GET", "/fhir/Observation/x/$validate", "system/Observation.r", "system/Observation.cuds"),
        ("GET", "/fhir/Observation/$lastn?patient=x&category=y", "system/Observation.s", "system/Observation.crud"),
        ("POST", "/fhir/Patient", "system/Patient.c", "system/Patient.ruds"),
        ("PUT", "/fhir/Patient/x", "system/Patient.u", "system/Patient.crds"),
        ("GET", "/intake/courses", "intake:read", "intake:write system/*.cruds"),
        ("GET", "/intake/due", "intake:read", "intake:write system/*.cruds"),
        ("POST", "/intake/preview", "intake:read", "intake:write system/*.cruds"),
        ("POST", "/intake/courses", "intake:write", "intake:read system/*.cruds"),
        ("POST", "/intake/courses/x/entries", "intake:write", "intake:read system/*.cruds"),
        ("POST", "/chart/links", "chart-link:create", "intake:read intake:write system/*.cruds"),
    ],
)
def test_each_interaction_needs_its_own_scope_and_no_other(ward, method, path, scope, others):
    body = b"{}" if method in ("POST", "PUT") else None
    assert ward.ask(scope, method, path, body).status_code not in (401, 403)
    refused = ward.ask(others, method, path, body)
    assert refused.status_code == 403
    assert 'error="insufficient_scope"' in refused.headers["www-authenticate"]


def test_version_1_spelling_is_what_it_is_declared_to_be(ward):
    assert ward.ask("system/Observation.read", "GET", "/fhir/Observation").status_code == 200
    assert ward.ask("system/Observation.write", "GET", "/fhir/Observation").status_code == 403
    assert ward.ask("system/*.*", "GET", "/fhir/Observation").status_code == 200


def test_reading_one_type_grants_no_other_by_include(ward):
    """Row 76: `.rs` does not grant `_include` of other types."""
    for asked in ("_include=Observation:subject", "_revinclude=Provenance:target"):
        refused = ward.ask("system/Observation.rs", "GET", f"/fhir/Observation?{asked}")
        assert refused.status_code == 403, asked
        assert ward.ask("system/*.rs", "GET", f"/fhir/Observation?{asked}").status_code == 200
    both = "system/Observation.rs system/Patient.r"
    assert ward.ask(both, "GET", "/fhir/Observation?_include=Observation:subject:Patient").status_code == 200


def test_a_chain_needs_to_search_what_it_leads_through(ward):
    path = "/fhir/Observation?patient.identifier=https://hospital.example/mrn|1"
    assert ward.ask("system/Observation.rs", "GET", path).status_code == 403
    assert ward.ask("system/Observation.rs system/Patient.s", "GET", path).status_code == 200
    lastn = path.replace("?", "/$lastn?") + "&category=exam"
    assert ward.ask("system/Observation.rs", "GET", lastn).status_code == 403


def test_everything_of_a_patient_needs_every_type_that_it_gives(ward):
    (patient, *_) = ward.found("Patient")
    path = f"/fhir/Patient/{patient}/$everything"
    assert ward.ask("system/Patient.rs system/Observation.rs", "GET", path).status_code == 403
    assert ward.ask("system/*.r", "GET", path).status_code == 200
    narrowed = f"{path}?_type=Patient,Goal"
    assert ward.ask("system/Patient.r system/Goal.r", "GET", narrowed).status_code == 200
    assert ward.ask("system/Patient.r", "GET", narrowed).status_code == 403


def test_a_batch_is_asked_entry_by_entry(ward):
    """Row 76: batch and transaction are checked entry by entry (SMART test 130)."""
    (patient, *_), (observation, *_) = ward.found("Patient"), ward.found("Observation")
    urls = [f"Patient/{patient}", f"Observation/{observation}", "Observation?_count=1", "metadata"]
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    batch = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    answer = ward.ask("system/Patient.r", "POST", "/fhir", batch)
    told = [each["response"]["status"][:3] for each in answer.json()["entry"]]
    assert told == ["200", "403", "403", "200"]
    assert observation not in answer.text.replace(f"Observation/{observation}", "")
    included = [{"request": {"method": "GET", "url": "Patient?_revinclude=Observation:subject"}}]
    answer = ward.ask("system/Patient.rs", "POST", "/fhir", batch | {"entry": included})
    assert answer.json()["entry"][0]["response"]["status"].startswith("403")


def test_a_transaction_with_one_entry_beyond_the_token_does_nothing(ward):
    new = {"resourceType": "Patient", "identifier": [{"system": "https://hospital.example/mrn", "value": "t-1"}]}
    practitioner = {
        "resourceType": "Practitioner",
        "identifier": [{"system": "https://hospital.example/s", "value": "1"}],
    }
    entries = [
        {"resource": new, "request": {"method": "POST", "url": "Patient"}},
        {"resource": practitioner, "request": {"method": "POST", "url": "Practitioner"}},
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    before = ward.found("Patient")
    refused = ward.ask("system/Patient.c", "POST", "/fhir", bundle)
    assert refused.status_code == 403
    (issue,) = refused.json()["issue"]
    assert issue["code"] == "forbidden"
    assert issue["expression"] == ["Bundle.entry[1].request"]
    assert ward.found("Patient") == before
    assert ward.ask("system/Patient.c system/Practitioner.c", "POST", "/fhir", bundle).status_code == 200


def test_asking_whether_something_exists_is_a_search(ward):
    """A condition (`If-None-Exist`, PUT by query, a conditional reference) tells what is there, so it needs `s`."""
    named = {"resourceType": "Patient", "identifier": [{"system": "https://hospital.example/mrn", "value": "c-1"}]}
    condition = {"If-None-Exist": "identifier=https://hospital.example/mrn|c-1"}
    assert ward.ask("system/Patient.c", "POST", "/fhir/Patient", named, **condition).status_code == 403
    assert ward.ask("system/Patient.cs", "POST", "/fhir/Patient", named, **condition).status_code == 201
    by_query = "/fhir/Patient?identifier=https://hospital.example/mrn|c-1"
    assert ward.ask("system/Patient.u", "PUT", by_query, named).status_code == 403
    assert ward.ask("system/Patient.us", "PUT", by_query, named).status_code == 200
    observation = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "Something"},
        "subject": {"reference": "Patient?identifier=https://hospital.example/mrn|c-1"},
        "valueString": "x",
    }
    entry = {"resource": observation, "request": {"method": "POST", "url": "Observation"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    assert ward.ask("system/Observation.c", "POST", "/fhir", bundle).status_code == 403
    assert ward.ask("system/Observation.c system/Patient.s", "POST", "/fhir", bundle).status_code == 200


def test_a_token_in_the_url_is_never_looked_at(ward):
    token = signed_in(ward.settings, NOW)["Authorization"].removeprefix("Bearer ")
    assert ward.ask("", "GET", f"/fhir/Patient?access_token={token}").status_code == 401


def test_a_registry_reads_no_identified_data(ward):
    registry = signed_in(ward.settings, NOW, "system/*.rs", site="")
    for path in ("/fhir/Patient", "/fhir/Observation/x", "/intake/courses", "/", "/fhir/metadata"):
        expected = {200} if path in OPEN else {403}
        assert ward.http.get(path, headers=registry).status_code in expected, path


@pytest.mark.parametrize(
    ("method", "path", "expected"),
    [
        ("GET", "", []),
        ("GET", "_search", [("*", "search-system")]),
        ("GET", "_history", [("*", "history-system")]),
        ("GET", "Goal/_history", [("Goal", "history-type")]),
        ("DELETE", "Goal/1", [("Goal", "delete")]),
        ("DELETE", "Goal", [("Goal", "delete"), ("Goal", "search-type")]),
        ("PATCH", "Goal/1", [("Goal", "patch")]),
        ("PUT", "Goal/$x", [("Goal", "update")]),
        ("DELETE", "Goal/1/$x", [("Goal", "delete")]),
        ("HEAD", "Goal", [("Goal", "search-type")]),
        ("GET", "Unheard/1/Of/It", [("Unheard", "read")]),
    ],
)
def test_an_interaction_follows_from_verb_and_path(method, path, expected):
    assert fhir_interactions(method, [part for part in path.split("/") if part]) == expected
