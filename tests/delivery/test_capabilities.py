"""What a server's CapabilityStatement says about what we would send. http://hl7.org/fhir/R4/capabilitystatement.html"""

from copy import deepcopy
from datetime import UTC, datetime

import orjson
import pytest
import respx

from service.delivery.capabilities import findings_of, read_capabilities
from service.delivery.destination import SENDABLE, Destination
from service.delivery.faults import DeliveryFault, Refused, Temporary
from service.fhir.validate import check
from tests.delivery.receiver import Server
from tests.delivery.ward import NAME, SITE

URL = "https://record.alder-bay.example/fhir"
PUT = Server(assigns_ids=False).capabilities()
CONDITIONAL = Server(assigns_ids=True).capabilities()


def now():
    return datetime(2026, 3, 9, 11, 0, tzinfo=UTC)


def wanted(**changes):
    return Destination(SITE, NAME, URL, **changes)


def without(statement, type_):
    changed = deepcopy(statement)
    rest = changed["rest"][0]
    rest["resource"] = [row for row in rest["resource"] if row["type"] != type_]
    return changed


def test_the_statements_of_these_tests_are_sound():
    assert [issue for issue in check(PUT) if issue.severity == "error"] == []


@pytest.mark.parametrize(("statement", "writing"), [(PUT, "put"), (CONDITIONAL, "conditional")])
def test_a_server_that_takes_everything_has_no_problem(statement, writing):
    found = findings_of(statement, wanted(writing=writing))
    assert found.problems == []
    assert found.proposal == ""
    assert found.notes == ["Receiving ward 3, FHIR 4.0.1"]


def test_the_other_way_of_writing_is_proposed():
    found = findings_of(CONDITIONAL, wanted(writing="put"))
    kept = [each for each in SENDABLE if each not in ("Patient", "Encounter")]
    assert found.problems == [f"{', '.join(kept)}: our own ids are not taken (updateCreate)"]
    assert found.proposal == "--writing conditional"
    assert findings_of(PUT, wanted(writing="conditional")).proposal == "--writing put"


def test_the_types_that_are_taken_are_proposed():
    found = findings_of(without(PUT, "Flag"), wanted())
    assert found.problems == ["Flag: is not offered"]
    kept = [each for each in SENDABLE if each not in ("Flag", "Patient", "Encounter")]
    assert found.proposal == "--writing put" + "".join(f" --type {each}" for each in kept)


def test_a_type_that_is_not_sent_need_not_be_offered():
    assert findings_of(without(PUT, "Flag"), wanted(types=("Observation",))).problems == []


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"fhirVersion": "5.0.0"}, "it speaks FHIR 5.0.0, not R4"),
        ({"fhirVersion": "3.0.2"}, "it speaks FHIR 3.0.2, not R4"),
        ({"format": ["xml"]}, "it does not offer JSON"),
    ],
)
def test_what_the_server_as_a_whole_lacks_is_told(changes, problem):
    assert findings_of(PUT | changes, wanted()).problems == [problem]


def test_a_server_without_transactions_is_told():
    statement = deepcopy(PUT)
    statement["rest"][0]["interaction"] = [{"code": "batch"}]
    assert findings_of(statement, wanted()).problems == ["it does not offer transactions"]


@pytest.mark.parametrize("statement", [{}, {"rest": 7}, {"rest": [{"mode": "server", "resource": [7]}]}])
def test_a_statement_in_any_shape_is_judged(statement):
    assert findings_of(statement, wanted()).problems


@respx.mock
def test_a_token_endpoint_leads_to_the_proposal_to_sign_in():
    respx.get(f"{URL}/metadata").respond(200, content=orjson.dumps(PUT))
    endpoint = "https://record.alder-bay.example/token"
    respx.get(f"{URL}/.well-known/smart-configuration").respond(200, json={"token_endpoint": endpoint})
    found = read_capabilities(wanted(), 5.0, now)
    assert f"it has a token endpoint: {endpoint}" in found.notes
    assert found.proposal == "--sign-in smart --client-id ID --secret-file FILE"


@respx.mock
def test_what_is_no_statement_is_a_fault():
    respx.get(f"{URL}/metadata").respond(200, text="<html>")
    with pytest.raises(DeliveryFault, match="no CapabilityStatement"):
        read_capabilities(wanted(), 5.0, now)


@respx.mock
@pytest.mark.parametrize(("status", "fault"), [(404, Refused), (503, Temporary)])
def test_a_server_that_does_not_answer_is_a_fault(status, fault):
    respx.get(f"{URL}/metadata").respond(status)
    with pytest.raises(fault):
        read_capabilities(wanted(), 5.0, now)
