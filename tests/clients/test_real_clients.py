"""Client libraries that integrators use, against a real server: fhirclient and fhirpy (PyPI), fhir-kit-client (npm).

What is asserted is what the libraries themselves made of the answers: their own paging, parsing and error classes.
"""

import json
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import pytest
import requests
from fhirclient.client import FHIRClient
from fhirclient.models.observation import Observation
from fhirclient.models.patient import Patient
from fhirclient.server import FHIRNotFoundException, FHIRUnauthorizedException
from fhirpy import SyncFHIRClient
from fhirpy.base.exceptions import AuthorizationError, ResourceNotFound

from service import strict_json
from service.config import Settings
from tests.clients.npm_client import kit_module, node
from tests.intake.documents import check, course_file, installation
from tests.live import live_service
from tests.signing_in import signed_in

MRN = "https://alder-bay.example/mrn"


def bundle_of(number: str) -> dict:
    """A transaction that a second time finds everything there: a patient under a condition, an Observation by PUT."""
    patient, pressure = "urn:uuid:6f1c1f0e-4f0b-4f0c-8f53-0b3f1f1d1a01", f"bp-{number.lower()}"
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": patient,
                "resource": {"resourceType": "Patient", "identifier": [{"system": MRN, "value": number}]},
                "request": {"method": "POST", "url": "Patient", "ifNoneExist": f"identifier={MRN}|{number}"},
            },
            {
                "fullUrl": "urn:uuid:6f1c1f0e-4f0b-4f0c-8f53-0b3f1f1d1a02",
                "resource": {
                    "resourceType": "Observation",
                    "id": pressure,
                    "status": "final",
                    "code": {"text": "Pressure of the cuff"},
                    "subject": {"reference": patient},
                    "effectiveDateTime": "2026-03-03T08:00:00+01:00",
                    "valueString": "as charted elsewhere",
                },
                "request": {"method": "PUT", "url": f"Observation/{pressure}"},
            },
        ],
    }


def assert_the_second_time_changed_nothing(first, second):
    """(status, location) of each entry: created, then found."""
    assert [status for status, _ in first] == ["201", "201"]
    assert [status for status, _ in second] == ["200", "200"]
    assert [location for _, location in first] == [location for _, location in second]


class Service(NamedTuple):
    """Its FHIR API, and a token where it asks for one."""

    fhir: str
    token: str

    @property
    def header(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"} if self.token else {}


@pytest.fixture(scope="module", params=["open", "signed in"])
def service(request, tmp_path_factory):
    """The open demonstration, then the same behind access control."""
    folder = tmp_path_factory.mktemp("live")
    database_url = f"sqlite:///{folder}/live.sqlite3"
    header = signed_in(Settings(database_url=database_url), datetime.now(UTC)) if request.param == "signed in" else {}
    with live_service(folder, database_url) as live:
        for name in ("alder-1", "alder-2"):
            document = course_file(installation(), check(), course_id=name)
            document["course"]["patient"]["identifier"]["value"] = name.upper()
            sent = requests.post(
                f"{live.base}/intake/courses",
                data=strict_json.write(document),
                headers={"Content-Type": "application/json"} | header,
                timeout=10,
            )
            assert sent.status_code == 201
        yield Service(live.fhir, header.get("Authorization", "").removeprefix("Bearer "))


@pytest.fixture
def all_ids(service):
    """Every Observation there is, by one plain request."""
    answer = requests.get(f"{service.fhir}/Observation?_count=1000", headers=service.header, timeout=10).json()
    ids = {entry["resource"]["id"] for entry in answer["entry"]}
    assert len(ids) > 20
    return ids


@pytest.fixture
def smart(service):
    """fhirclient has no sign-in of this kind (private_key_jwt): it is given the token."""
    opened = FHIRClient(settings={"app_id": "closure-test", "api_base": service.fhir})
    opened.prepare()
    if service.token:
        assert opened.server.auth.auth_type == "oauth2"  # it read that from the CapabilityStatement
        opened.server.auth.access_token = service.token
    yield opened
    opened.server.session.close()


@pytest.fixture
def fhirpy_client(service):
    return SyncFHIRClient(service.fhir, authorization=service.header.get("Authorization"))


def test_fhirclient_reads_the_capabilities_and_every_page_of_a_search(smart, all_ids):
    assert smart.server.capabilityStatement.fhirVersion == "4.0.1"
    found = list(Observation.where({"_count": "7", "_sort": "_id"}).perform_resources_iter(smart.server))
    assert {each.id for each in found} == all_ids
    assert len(found) == len(all_ids)
    assert all(isinstance(each, Observation) for each in found)


def test_fhirclient_reads_a_resource_its_version_and_its_history(smart, all_ids):
    own = sorted(all_ids)[0]
    read = Observation.read(own, smart.server)
    assert read.id == own
    assert Observation.read(f"{own}/_history/1", smart.server).meta.versionId == "1"
    assert smart.server.request_json(f"Observation/{own}/_history")["type"] == "history"
    patient = Patient.read(read.subject.reference.partition("/")[2], smart.server)
    assert patient.identifier[0].system == MRN
    with pytest.raises(FHIRNotFoundException):
        Observation.read("unknown", smart.server)


def test_fhirclient_sends_a_transaction_twice(smart):
    answers = [smart.server.post_json("", bundle_of("FC-1")).json() for _ in range(2)]
    assert_the_second_time_changed_nothing(*(responses(answer) for answer in answers))


def responses(answer):
    told = [entry["response"] for entry in answer["entry"]]
    return [(each["status"][:3], each.get("location", "")) for each in told]


def test_fhirpy_reads_the_capabilities_and_every_page_of_a_search(fhirpy_client, all_ids):
    client = fhirpy_client
    assert client.execute("metadata", method="get")["fhirVersion"] == "4.0.1"
    found = client.resources("Observation").sort("_id").limit(7).fetch_all()
    assert {each.id for each in found} == all_ids
    assert len(found) == len(all_ids)


def test_fhirpy_searches_reads_and_follows_references(fhirpy_client, all_ids):
    client = fhirpy_client
    own = sorted(all_ids)[0]
    read = client.reference("Observation", own).to_resource()
    assert read.id == own
    patient = read["subject"].to_resource()
    assert patient["identifier"][0]["system"] == MRN
    of_patient = client.resources("Observation").search(patient=patient.id).fetch_all()
    assert 0 < len(of_patient) < len(all_ids)
    assert client.execute(f"Observation/{own}/_history/1", method="get")["meta"]["versionId"] == "1"
    assert client.execute(f"Observation/{own}/_history", method="get")["type"] == "history"
    with pytest.raises(ResourceNotFound):
        client.reference("Observation", "unknown").to_resource()


def test_fhirpy_sends_a_transaction_twice_and_saves_a_resource(fhirpy_client):
    client = fhirpy_client
    answers = [client.execute("", method="post", data=bundle_of("FP-01")) for _ in range(2)]
    assert_the_second_time_changed_nothing(*(responses(answer) for answer in answers))
    organization = client.resource("Organization", name="Alder Bay wound clinic")
    organization.save()
    assert client.reference("Organization", organization.id).to_resource()["name"] == "Alder Bay wound clinic"


def test_fhir_kit_client_does_the_same_from_node(service, all_ids, tmp_path):
    (tmp_path / "bundle.json").write_text(json.dumps(bundle_of("KIT-001")))
    script = Path(__file__).with_name("kit_client.mjs")
    command = [node(), str(script), str(kit_module()), service.fhir, str(tmp_path / "bundle.json"), service.token]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["fhirVersion"] == "4.0.1"
    assert told["pages"][:-1] == [7] * (len(told["pages"]) - 1)
    assert sorted(told["ids"]) == sorted(all_ids)
    assert (told["read"], told["vread"], told["history"]) == (told["ids"][0], "1", "history")
    assert told["refused"] == [404, "OperationOutcome"]
    assert_the_second_time_changed_nothing(*told["transactions"])


def test_each_library_says_that_its_token_is_none(service, smart, tmp_path):
    smart.server.auth.access_token = "guessed"
    with pytest.raises(FHIRUnauthorizedException):
        smart.server.request_json("Observation?_count=1")
    with pytest.raises(AuthorizationError):
        SyncFHIRClient(service.fhir, authorization="Bearer guessed").resources("Observation").fetch()
    (tmp_path / "bundle.json").write_text("{}")
    script = Path(__file__).with_name("kit_client.mjs")
    command = [node(), str(script), str(kit_module()), service.fhir, str(tmp_path / "bundle.json"), "guessed"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode != 0
    assert "401" in done.stderr
