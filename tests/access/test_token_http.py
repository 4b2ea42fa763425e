"""The token endpoint and discovery over HTTP, and the dependency of routes (RFC 6749 5, RFC 6750 3, row 69, 74, 77)."""

import random
from urllib.parse import urlencode

import pytest
from fastapi import Depends, FastAPI
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from service.access.clients import revoke
from service.access.discovery import read_access_codes, smart_configuration
from service.access.gate import Access, Gate
from service.api.authorise import as_http, authorisation
from service.api.token import token_routes
from tests.access.conftest import NOW
from tests.access.sender import PUBLIC_BASE, TOKEN_URL, TYPES, assertion, claims, form, header

FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@pytest.fixture
def http(database, endpoint):
    app = FastAPI()
    app.include_router(token_routes(endpoint, smart_configuration(read_access_codes(), TOKEN_URL, TYPES), lambda: NOW))
    authorise = authorisation(Gate(database, "demo"), lambda: NOW)

    @app.get("/observations")
    async def observations(access: Access = Depends(authorise)):  # noqa: B008 - the framework's own way
        with as_http():
            access.require("Observation", "search-type")
        return {"site": access.site}

    @app.get("/patients")
    async def patients(access: Access = Depends(authorise)):  # noqa: B008 - the framework's own way
        with as_http():
            access.require("Patient", "search-type")
        return {}

    with TestClient(app, base_url=PUBLIC_BASE) as client:
        yield client


def good(client_id, **changes):
    return form(assertion(header(), claims(client_id, NOW.timestamp())), **changes)


def assert_refused(answer, error, status=400):
    assert answer.status_code == status, answer.text
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()["error"] == error
    assert answer.json().keys() == {"error", "error_description"}


def test_a_token_is_got_used_and_void_after_revocation(http, database, client_id):
    answer = http.post("/auth/token", data=good(client_id))
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    assert answer.headers["pragma"] == "no-cache"
    token = {"Authorization": f"Bearer {answer.json()['access_token']}"}
    assert http.get("/observations", headers=token).json() == {"site": "north"}
    denied = http.get("/patients", headers=token)
    assert denied.status_code == 403
    assert 'error="insufficient_scope"' in denied.headers["www-authenticate"]
    assert 'scope="system/Patient.s"' in denied.headers["www-authenticate"]
    revoke(database, client_id, NOW)
    void = http.get("/observations", headers=token)
    assert void.status_code == 401
    assert 'error="invalid_token"' in void.headers["www-authenticate"]


def test_without_a_token_the_challenge_names_bearer_and_no_error(http, client_id):
    answer = http.get("/observations")
    assert answer.status_code == 401
    assert answer.headers["www-authenticate"] == 'Bearer realm="closure-readings"'


def test_a_token_in_the_url_is_not_looked_at(http, client_id):
    token = http.post("/auth/token", data=good(client_id)).json()["access_token"]
    assert http.get("/observations", params={"access_token": token}).status_code == 401


def test_the_open_demonstration_answers_this_machine_only(http):
    assert http.get("/observations").json() == {"site": "demo"}
    for headers in ({"Host": "readings.example"}, {"X-Forwarded-For": "192.0.2.7"}, {"Forwarded": "for=192.0.2.7"}):
        assert http.get("/observations", headers=headers).status_code == 403


@pytest.mark.parametrize("accept", [None, "application/fhir+json", "text/html", "application/xml;q=1, */*;q=0"])
def test_row_69_the_configuration_is_json_whatever_is_accepted_and_needs_no_token(http, client_id, accept):
    answer = http.get("/fhir/.well-known/smart-configuration", headers={"Accept": accept} if accept else {})
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()["token_endpoint"] == TOKEN_URL


def test_a_body_that_is_no_form_is_an_invalid_request(http, client_id):
    assert_refused(http.post("/auth/token", json=good(client_id)), "invalid_request")
    assert_refused(http.post("/auth/token", content=urlencode(good(client_id))), "invalid_request")
    assert_refused(http.post("/auth/token"), "invalid_request")
    assert_refused(http.post("/auth/token", files={"grant_type": b"client_credentials"}), "invalid_request")
    assert_refused(http.post("/auth/token", content=b"x=" + b"y" * 40_000, headers=FORM), "invalid_request", 413)
    assert_refused(http.post("/auth/token", content=b"grant_type=%ff%fe", headers=FORM), "invalid_request")
    assert_refused(http.post("/auth/token", content=b"grant_type=\xff", headers=FORM), "invalid_request")


def test_a_parameter_given_twice_is_an_invalid_request(http, client_id):
    for name in ("grant_type", "scope", "client_assertion", "unknown"):
        body = urlencode({**good(client_id), "unknown": "1"}) + f"&{name}=again"
        assert_refused(http.post("/auth/token", content=body, headers=FORM), "invalid_request")


def test_parameters_in_the_url_are_refused(http, client_id):
    assert_refused(http.post("/auth/token", params=good(client_id), headers=FORM), "invalid_request")


def test_a_charset_beside_the_media_type_is_no_hindrance(http, client_id):
    headers = {"Content-Type": "application/x-www-form-urlencoded; charset=UTF-8"}
    assert http.post("/auth/token", content=urlencode(good(client_id)), headers=headers).status_code == 200


@pytest.mark.parametrize("sent", ["Basic dXNlcjpwYXNz", "Bearer abc", 'x" evil="1', ""])
def test_an_authorization_header_is_answered_by_401_with_a_challenge(http, client_id, sent):
    answer = http.post("/auth/token", data=good(client_id), headers={"Authorization": sent})
    assert_refused(answer, "invalid_client", 401)
    assert answer.headers["www-authenticate"] in {
        'Basic realm="closure-readings"', 'Bearer realm="closure-readings"', 'x realm="closure-readings"'
    }  # fmt: skip


@pytest.mark.parametrize("method", ["GET", "PUT", "DELETE", "PATCH"])
def test_only_post_asks_for_tokens(http, method):
    assert http.request(method, "/auth/token").status_code == 405


def test_descriptions_hold_only_the_characters_that_rfc_6749_allows(http, client_id):
    answer = http.post("/auth/token", data=good(client_id, scope='system/"ü\\\x07.rs'))
    assert_refused(answer, "invalid_scope")
    text = answer.json()["error_description"]
    assert all("\x20" <= char <= "\x7e" and char not in '"\\' for char in text)


ERRORS = {"invalid_request", "invalid_client", "invalid_scope", "unsupported_grant_type"}
NAMES = st.sampled_from(
    ["grant_type", "scope", "client_assertion_type", "client_assertion", "client_id", "client_secret", "x", ""]
)


@settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(pairs=st.lists(st.tuples(NAMES, st.text(max_size=40)), max_size=12))
def test_any_form_is_answered_by_an_error_of_the_list(http, client_id, pairs):
    encoded = urlencode(pairs, errors="surrogatepass")
    answer = http.post("/auth/token", content=encoded, headers=FORM)
    assert answer.status_code in (400, 413)
    assert answer.json()["error"] in ERRORS


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(body=st.binary(max_size=300))
def test_any_octets_are_answered_by_an_error_of_the_list(http, client_id, body):
    assert_refused(http.post("/auth/token", content=body, headers=FORM), http_error(http, body))


def http_error(http, body):
    return http.post("/auth/token", content=body, headers=FORM).json()["error"]


def test_a_thousand_damaged_requests_get_no_token_and_break_nothing(http, client_id, database):
    chance = random.Random(20261125)
    for number in range(1000):
        body = bytearray(urlencode(good(client_id)).encode())
        for _ in range(chance.randint(1, 4)):
            place = chance.randrange(len(body))
            what = chance.randrange(3)
            if what == 0:
                body[place] ^= 1 << chance.randrange(8)
            elif what == 1:
                del body[place : place + chance.randint(1, 20)]
            else:
                body[place:place] = bytes(chance.randrange(256) for _ in range(chance.randint(1, 8)))
        answer = http.post("/auth/token", content=bytes(body), headers=FORM)
        assert answer.status_code in (200, 400), (number, bytes(body), answer.text)
        if answer.status_code == 200:
            # What is damaged may be what is passed over: an unknown parameter that grew, a scope that became less.
            assert answer.json()["scope"] in {"system/Observation.rs", "system/Observation.r", "system/Observation.s"}
        else:
            assert answer.json()["error"] in ERRORS
