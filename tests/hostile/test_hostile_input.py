"""Whatever comes in, nothing breaks: no 5xx, the shape of every refusal, and of what is refused nothing is stored.

Seeded: 10,000 documents and 5,000 requests, the same in every run.
"""

import contextlib
import json
import logging
import random
import sqlite3
from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from service import strict_json
from service.api.app import create_app
from service.api.limits import Limits
from service.config import Settings
from tests.hostile.mutations import damaged, damaged_bytes, damaged_text
from tests.intake.documents import (
    NOW,
    amendment,
    check,
    course_file,
    installation,
    outcome,
    removal,
    reset,
    retraction,
)
from tests.signing_in import LOOPBACK

INTAKE, FHIR = 10_000, 5_000
WHOLE = (
    installation(), check(pain_0_10=3, note="slept well"), reset(), amendment("am-1", check(pain_0_10=4)),
    retraction("rt-1", "re-1"), removal(), outcome(),
)  # fmt: skip
PATIENT = {"resourceType": "Patient", "identifier": [{"system": "https://alder-bay.example/mrn", "value": "AB-9"}],
           "name": [{"family": "Moen", "given": ["Ingrid"]}], "birthDate": "1951-04-17"}  # fmt: skip
OBSERVATION = {
    "resourceType": "Observation", "status": "final", "code": {"text": "Pressure of the cuff"},
    "subject": {"reference": "Patient?identifier=https://alder-bay.example/mrn|AB-1"},
    "effectiveDateTime": "2026-03-03T08:00:00+01:00", "valueString": "as charted elsewhere",
}  # fmt: skip
BUNDLE = {
    "resourceType": "Bundle",
    "type": "transaction",
    "entry": [
        {"fullUrl": "urn:uuid:6f1c1f0e-4f0b-4f0c-8f53-0b3f1f1d1a01", "resource": PATIENT,
         "request": {"method": "POST", "url": "Patient", "ifNoneExist": "identifier=a|b"}},
        {"resource": OBSERVATION, "request": {"method": "POST", "url": "Observation"}},
        {"request": {"method": "GET", "url": "Observation?_count=1"}},
    ],
}  # fmt: skip
SEARCHES = (
    "Observation?patient=Patient/x&code=gap-width&date=ge2026-03-02&_sort=-date&_count=5",
    "Observation?component-code-value-quantity=a|b$gt3.5||cm&_include=Observation:patient&_total=accurate",
    "Observation?value-quantity=le4.10|http://unitsofmeasure.org|cm&category=exam&status:not=final&_summary=true",
    "Task?status=requested&_elements=id,status&_id=a,b&code:missing=false&_lastUpdated=sa2026-03-02T10:00:00Z",
    "Patient?name=Moen&birthdate=1951&identifier=https://alder-bay.example/mrn|AB-1&_revinclude=Provenance:target",
    "Patient/x/$everything?start=2026-01-01&_type=Observation&_count=3",
    "Observation/$lastn?max=2&patient=x&category=exam",
    "Observation/x/_history?_since=2026-03-02&_count=2", "Observation/x/_history/1", "Observation/x", "metadata",
    "AuditEvent?date=2026",
    "ConceptMap/$translate?code=gap-width&system=x", "StructureDefinition?url=x&_count=2",
)  # fmt: skip
HEADERS = {
    "Accept": "application/fhir+json;q=0.9, */*", "Prefer": "return=minimal; handling=strict", "If-None-Match": 'W/"1"',
    "If-Modified-Since": "Mon, 02 Mar 2026 08:00:00 GMT", "If-None-Exist": "identifier=a|b", "If-Match": 'W/"1"',
    "X-Request-Id": "ward-7", "Content-Type": "application/fhir+json",
}  # fmt: skip


@pytest.fixture
def settings(tmp_path):
    url = f"sqlite:///{tmp_path}/readings.sqlite3"
    return replace(Settings(), database_url=url, zone="Europe/Vienna", synchronous="OFF")


@pytest.fixture
def client(settings):
    app = create_app(settings, clock=lambda: NOW, limits=Limits(requests_per_minute=0))  # none is turned away unread
    with TestClient(app, base_url=LOOPBACK, raise_server_exceptions=False) as opened:
        yield opened


@pytest.fixture(autouse=True)
def _no_fault_is_logged(caplog):
    yield
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.ERROR] == []


@pytest.fixture
def stored(settings):
    """A look at what is stored of the record: it stays the same where nothing was accepted."""
    with contextlib.closing(sqlite3.connect(settings.database_url.removeprefix("sqlite:///"))) as database:
        counted = (
            "SELECT (SELECT count(*) FROM courses), (SELECT count(*) FROM entries), (SELECT count(*) FROM resources)"
        )

        def look():
            return database.execute(f"{counted}, (SELECT count(*) FROM resource_history)").fetchone()

        yield look


@pytest.mark.slow
def test_damaged_documents_break_nothing_and_of_refused_ones_nothing_is_stored(client, stored):
    chance = random.Random(20260309)
    statuses: dict[int, int] = {}
    before = stored()
    for number in range(INTAKE):
        whole = course_file(*WHOLE[: chance.randrange(1, len(WHOLE) + 1)], course_id=f"alder-{number % 40}")
        path, sent = chance.choice(
            (
                ("/intake/courses", whole), ("/intake/courses", whole), ("/intake/preview", whole),
                (f"/intake/courses/alder-{number % 40}/entries", chance.choice(WHOLE)),
                (f"/intake/courses/alder-{number % 40}/entries", list(WHOLE[1:4])),
                ("/intake/plan", {"length_mm": 160, "max_gap_mm": 58, "rest_mark_mm": 10}),
            )
        )  # fmt: skip
        body = damaged(chance, sent)
        answer = client.post(path, content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code < 500, (number, path, body)
        statuses[answer.status_code] = statuses.get(answer.status_code, 0) + 1
        after = stored()
        if answer.status_code >= 400:
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["status"] == answer.status_code
            assert after == before, (number, path, body)
        before = after
    assert statuses.get(201, 0) > 10, "some damage is harmless, else the test sends nothing worth refusing"
    assert {400, 422} <= statuses.keys()
    assert not {401, 403, 429} & statuses.keys(), "the door turned away what was to be read"
    assert sum(count for status, count in statuses.items() if status >= 400) > INTAKE / 2


def request_of(chance):
    """Verb, path, headers and body of one damaged request below /fhir."""
    headers = {name: value for name, value in HEADERS.items() if chance.random() < 0.25}
    if headers and chance.random() < 0.5:
        name = chance.choice(sorted(headers))
        headers[name] = damaged_text(chance, headers[name])
    kind = chance.randrange(10)
    if kind < 6:
        path = chance.choice(SEARCHES)
        path = damaged_text(chance, path) if chance.random() < 0.85 else path
        return chance.choice(("GET", "GET", "GET", "HEAD")), path, headers, b""
    if kind == 6:
        form = {"Content-Type": "application/x-www-form-urlencoded"}
        asked = damaged_text(chance, chance.choice(SEARCHES[:5]).partition("?")[2]).encode()
        asked = damaged_bytes(chance, asked) if chance.random() < 0.3 else asked
        return "POST", "Observation/_search", headers | form, asked
    verb, path, resource = chance.choice(
        (
            ("POST", "", BUNDLE), ("POST", "", BUNDLE | {"type": "batch"}), ("POST", "Patient", PATIENT),
            ("PUT", "Patient/p-1", PATIENT | {"id": "p-1"}), ("PUT", "Patient?identifier=a|b", PATIENT),
            ("POST", "Observation", OBSERVATION), ("POST", "Observation/$validate", OBSERVATION),
            ("PATCH", "Patient/p-1", PATIENT), ("DELETE", "Patient/p-1", {"a": 1}),
        )
    )  # fmt: skip
    path = damaged_text(chance, path) if chance.random() < 0.2 else path
    return verb, path, headers | {"Content-Type": "application/fhir+json"}, damaged(chance, resource)


@pytest.mark.slow
def test_damaged_fhir_requests_break_nothing_and_of_refused_ones_nothing_is_stored(client, stored):
    chance = random.Random(20260310)
    body = strict_json.write(course_file(*WHOLE))
    assert client.post("/intake/courses", content=body, headers={"Content-Type": "application/json"}).status_code == 201
    statuses: dict[int, int] = {}
    before = stored()
    for number in range(FHIR):
        verb, path, headers, body = request_of(chance)
        url = f"/fhir/{path}" if path else "/fhir"
        answer = client.request(verb, url, headers=headers, content=body)
        assert answer.status_code < 500, (number, verb, url, headers, body)
        statuses[answer.status_code] = statuses.get(answer.status_code, 0) + 1
        after = stored()
        if answer.status_code >= 400:
            # A damaged path may leave /fhir; then the other shape is right.
            assert answer.headers["content-type"].partition(";")[0] in (
                "application/fhir+json",
                "application/problem+json",
            )
            assert after == before, (number, verb, url, headers, body)
            if verb != "HEAD":
                told = json.loads(answer.content)
                assert told.get("resourceType") == "OperationOutcome" or told["status"] == answer.status_code
        before = after
    assert {200, 400, 404} <= statuses.keys()
    assert sum(count for status, count in statuses.items() if status >= 400) > FHIR / 4
