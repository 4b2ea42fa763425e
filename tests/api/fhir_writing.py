"""What a hospital sends in the tests of writing: invented people, as Python values with the digits as written."""

from decimal import Decimal
from typing import Any

import fhir.resources.R4B.operationoutcome

from service.fhir import wire
from tests.intake.documents import course_file, installation

MRN = "https://alder-bay.example/mrn"
STAFF = "https://alder-bay.example/staff"
STAY = "https://alder-bay.example/stay"
LAB = "https://alder-bay.example/observation"
BASE = "http://127.0.0.1:8080/fhir"
FHIR = "application/fhir+json"
TAG = {"system": "https://closure-readings.example/fhir/origin", "code": "hospital"}
Tree = dict[str, Any]


def patient(value: str = "AB-1", **more: Any) -> Tree:
    return {
        "resourceType": "Patient",
        "identifier": [{"system": MRN, "value": value}],
        "name": [{"family": "Moss", "given": ["Ivy"]}],
        **more,
    }


def practitioner(value: str = "s-118", **more: Any) -> Tree:
    return {"resourceType": "Practitioner", "identifier": [{"system": STAFF, "value": value}], **more}


def organization(value: str = "ward-7", **more: Any) -> Tree:
    named = {"identifier": [{"system": f"{STAFF}/org", "value": value}], "name": "Ward seven"}
    return {"resourceType": "Organization", **named, **more}


def encounter(subject: str, value: str = "stay-1", **more: Any) -> Tree:
    # Encounter.class is required; the code is one that mappings/hl7.csv lists.
    unknown = {"system": "http://terminology.hl7.org/CodeSystem/v3-NullFlavor", "code": "UNK"}
    return {
        "resourceType": "Encounter",
        "identifier": [{"system": STAY, "value": value}],
        "status": "in-progress",
        "class": unknown,
        "subject": {"reference": subject},
        **more,
    }


def pressure(subject: str, value: str = "bp-1", **more: Any) -> Tree:
    """A blood pressure of the hospital's own; its code is one of the hospital."""
    return {
        "resourceType": "Observation",
        "identifier": [{"system": LAB, "value": value}],
        "status": "final",
        "code": {"coding": [{"system": f"{LAB}/codes", "code": "rr-dia"}], "text": "Diastolic pressure"},
        "subject": {"reference": subject},
        "effectiveDateTime": "2026-03-02T20:00:00+01:00",
        "valueQuantity": {"value": Decimal("70.50"), "unit": "mm[Hg]"},
        **more,
    }


def send(client: Any, method: str, path: str, resource: Tree | bytes, **headers: str) -> Any:
    """Send FHIR JSON; headers by their names with _ for -."""
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    body = resource if isinstance(resource, bytes) else wire.write(resource)
    url = f"/fhir/{path}" if path else "/fhir"
    return client.request(method, url, content=body, headers={"Content-Type": FHIR} | named)


def stored(client: Any, type_: str) -> list[Tree]:
    """Every current resource of a type."""
    return [entry["resource"] for entry in client.get(f"/fhir/{type_}?_count=1000").json().get("entry", ())]


def chart_course(client: Any, *entries: Tree, **course: Any) -> str:
    """Chart a course at the bedside; returns the id of its Patient."""
    body = wire.write(course_file(*(entries or (installation(),)), **course))
    answer = client.post("/intake/courses", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 201, answer.text
    return answer.json()["links"]["patient"].rpartition("/")[2]


def issues_of(answer: Any, status: int) -> list[Tree]:
    """The issues of a refusal, which must be an OperationOutcome that a second library takes for one."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"].partition(";")[0] == FHIR
    fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(answer.content)
    return answer.json()["issue"]


def without_store(resource: Tree) -> Tree:
    """A served resource without what the service added to it."""
    kept = {key: value for key, value in resource.items() if key not in ("id", "meta")}
    return kept
