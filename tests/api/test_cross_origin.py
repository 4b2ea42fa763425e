"""Row 10: browser apps of other origins (https://fetch.spec.whatwg.org/#http-cors-protocol; R4 http.html#security)."""

import pytest
from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse
from starlette.testclient import TestClient

from service.api.cross_origin import CrossOrigin
from service.api.outcomes import answer_outcome
from service.config import Settings, settings_from

APP = "https://charts.heron-quay.example"
EXPOSED = {"etag", "location", "content-location", "last-modified", "x-request-id"}


def client(*origins: str) -> TestClient:
    app = FastAPI()

    @app.get("/fhir/Observation/1")
    async def read() -> PlainTextResponse:
        return PlainTextResponse("{}", headers={"ETag": 'W/"1"'})

    @app.get("/fhir/Observation/2")
    async def gone() -> PlainTextResponse:
        raise HTTPException(404, "not there")

    @app.get("/intake/courses")
    async def courses() -> PlainTextResponse:
        return PlainTextResponse("[]")

    app.add_exception_handler(HTTPException, answer_outcome)
    app.add_middleware(CrossOrigin, origins=origins)
    return TestClient(app)


def preflight(opened: TestClient, origin: str = APP, method: str = "PUT", headers: str = "if-match,content-type"):
    asked = {"Origin": origin, "Access-Control-Request-Method": method, "Access-Control-Request-Headers": headers}
    return opened.options("/fhir/Observation/1", headers=asked)


def test_row_10_no_origin_is_allowed_by_itself():
    assert Settings().allowed_origins == ()
    opened = client()
    answer = opened.get("/fhir/Observation/1", headers={"Origin": APP})
    assert (answer.status_code, "access-control-allow-origin" in answer.headers) == (200, False)
    assert preflight(opened).status_code == 400


def test_row_10_a_named_origin_reads_the_headers_it_needs_also_of_an_error():
    opened = client(APP)
    for path, status in (("/fhir/Observation/1", 200), ("/fhir/Observation/2", 404)):
        answer = opened.get(path, headers={"Origin": APP})
        assert answer.status_code == status
        assert answer.headers["access-control-allow-origin"] == APP
        assert {each.strip().lower() for each in answer.headers["access-control-expose-headers"].split(",")} == EXPOSED
        assert "access-control-allow-credentials" not in answer.headers


def test_row_10_a_preflight_allows_what_fhir_clients_send():
    answer = preflight(client(APP), headers="if-match,if-none-exist,prefer,authorization,content-type,x-request-id")
    assert answer.status_code == 200
    assert answer.headers["access-control-allow-origin"] == APP
    assert {"GET", "HEAD", "POST", "PUT"} <= set(answer.headers["access-control-allow-methods"].split(", "))


@pytest.mark.parametrize(
    "asked", [{"origin": "https://elsewhere.example"}, {"method": "DELETE"}, {"headers": "x-other"}]
)
def test_row_10_a_refused_preflight_is_an_operation_outcome(asked):
    answer = preflight(client(APP), **asked)
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"
    assert answer.headers.get("access-control-allow-origin") in (None, APP)


def test_row_10_the_other_sides_are_left_alone():
    answer = client(APP).get("/intake/courses", headers={"Origin": APP})
    assert "access-control-allow-origin" not in answer.headers


def test_row_10_origins_come_from_the_environment():
    found = settings_from({"CLOSURE_READINGS_ALLOWED_ORIGINS": f"{APP}, http://127.0.0.1:3000"})
    assert found.allowed_origins == (APP, "http://127.0.0.1:3000")
