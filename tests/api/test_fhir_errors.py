"""Rows 6 and 7 and part B, 13: whatever goes wrong below /fhir is an OperationOutcome with the right status."""

import fhir.resources.R4B.operationoutcome
import pytest
from starlette.exceptions import HTTPException

from service import strict_json
from service.api.outcomes import outcome_for
from service.search.criteria import SearchError
from service.store import errors as store_errors
from tests.api.fhir_client import FhirSide
from tests.store.samples import observation


@pytest.fixture
def side(tmp_path, database_url):
    opened = FhirSide(tmp_path, database_url)
    opened.save(observation(1))
    yield opened
    opened.client.close()
    opened.store.close()


def assert_outcome(answer, status: int) -> str:
    assert answer.status_code == status
    assert answer.headers["content-type"].partition(";")[0] == "application/fhir+json"
    fhir.resources.R4B.operationoutcome.OperationOutcome.model_validate_json(answer.content)
    issue = answer.json()["issue"][0]
    assert issue["severity"] == "error"
    assert issue["diagnostics"]
    return issue["code"]


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [
        ("GET", "Observation/unknown", 404, "not-found"),
        ("GET", "Spoon/1", 404, "not-found"),
        ("GET", "Spoon", 404, "not-found"),
        ("GET", "Observation/not_an_id", 404, "not-found"),
        ("GET", "Observation/" + "x" * 65, 404, "not-found"),
        ("GET", "", 404, "not-found"),
        ("GET", "Observation/p-1-o-1/unknown", 404, "not-found"),
        ("GET", "Observation/p-1-o-1/_history/1/more", 404, "not-found"),
        ("GET", "Observation?date=13-13", 400, "invalid"),
        ("GET", "Observation?_cursor=x", 400, "invalid"),
        ("GET", "Observation?code=%00", 200, ""),
        ("POST", "", 405, "not-supported"),
        ("POST", "Observation", 405, "not-supported"),
        ("PUT", "Observation/p-1-o-1", 405, "not-supported"),
        ("PUT", "Observation?identifier=x", 405, "not-supported"),
        ("PATCH", "Observation/p-1-o-1", 405, "not-supported"),
        ("DELETE", "Observation/p-1-o-1", 405, "not-supported"),
        ("DELETE", "Observation/p-1-o-1/_history", 405, "not-supported"),
        ("PUT", "metadata", 405, "not-supported"),
        ("BREW", "Observation", 405, "not-supported"),
        ("POST", "Spoon/_search", 415, "not-supported"),
    ],
)
def test_every_refusal_is_an_outcome(side, method, path, status, code):
    answer = side.client.request(method, f"/fhir/{path}" if path else "/fhir")
    if status == 200:
        assert answer.status_code == 200
    else:
        assert assert_outcome(answer, status) == code


def test_a_refused_write_says_why(side):
    answer = side.client.post("/fhir/Observation", json={"resourceType": "Observation"})
    assert "readings" in answer.json()["issue"][0]["diagnostics"]
    assert answer.headers["allow"] == "GET, HEAD"


def test_a_crash_is_an_outcome_without_its_cause(side, monkeypatch):
    def crash(*_):
        raise RuntimeError("Tove Ødegård, born 1950")

    for way in ("read", "read_nearby"):
        monkeypatch.setattr(type(side.store), way, crash)
    answer = side.get("Observation/p-1-o-1")
    assert assert_outcome(answer, 500) == "exception"
    assert "Tove" not in answer.text


@pytest.mark.parametrize(
    ("fault", "status", "code"),
    [
        (HTTPException(404), 404, "not-found"),
        (HTTPException(401), 401, "login"),
        (HTTPException(418), 418, "invalid"),
        (SearchError("date", "not a date"), 400, "invalid"),
        (strict_json.TooLarge("too large"), 413, "too-long"),
        (store_errors.StoreBusyError("busy"), 503, "transient"),
        (store_errors.StoreFullError("full"), 503, "transient"),
        (store_errors.StoreUnavailableError("away"), 503, "transient"),
        (store_errors.StoreCorruptedError("damaged"), 500, "exception"),
        (store_errors.SchemaError("old"), 500, "exception"),
        (KeyError("x"), 500, "exception"),
    ],
)
def test_every_error_of_the_tree_has_its_status_and_issue_code(fault, status, code):
    answer = outcome_for(fault)
    assert answer.status_code == status
    assert f'"code":"{code}"'.encode() in answer.body
    assert b"KeyError" not in answer.body


def test_every_error_of_the_store_is_answered():
    classes = [each for each in vars(store_errors).values() if isinstance(each, type)]
    kinds = [each for each in classes if issubclass(each, store_errors.StoreError)]
    assert len(kinds) == 7
    for kind in kinds:
        assert outcome_for(kind("reason")).status_code in {500, 503}


def test_what_may_succeed_later_says_when_to_try_again():
    assert int(outcome_for(store_errors.StoreBusyError("busy")).headers["retry-after"]) > 0


@pytest.mark.parametrize(
    "asked",
    [
        "date=1950-07-01-Tove",
        "patient=Device/Tove",
        "code:of-type=Tove",
        "_count=Tove",
        "identifier=a|b|Tove",
        "_cursor=Tove",
        "_total=Tove",
        "Tove|1950=x",
    ],
)
def test_diagnostics_repeat_no_value(side, asked):
    answer = side.get(f"Observation?{asked}")
    told = [entry["resource"] for entry in answer.json().get("entry", []) if entry["search"]["mode"] == "outcome"]
    if asked.startswith("Tove"):
        assert "Tove" in str(told)  # the name of an unknown parameter has to be told
    else:
        assert answer.status_code == 400
        assert "Tove" not in answer.text
