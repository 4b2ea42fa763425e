"""Chart links over HTTP: made by a client, opened once by a browser, then a session for one course and nothing else."""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import orjson
import pytest
from starlette.testclient import TestClient

from service.access.settings import AccessSettings
from service.api.app import create_app
from service.config import Settings
from service.store.access import open_access_database
from service.store.client_rows import revoke_client
from tests.isolation.installations import NOW, documents
from tests.signing_in import new_client, token_of

CHART = "https://chart.heron-quay.example"
PUBLIC = "https://readings.heron-quay.example"


@dataclass
class Ward:
    settings: Settings
    http: TestClient
    clock: list[Any]
    client_id: str
    courses: list[str]

    def link(self, course_id: str) -> Any:
        token = token_of(self.settings, self.client_id, self.clock[0])
        return self.http.post(
            "/chart/links", json={"course_id": course_id}, headers={"Authorization": f"Bearer {token}"}
        )

    def open(self, url: str) -> Any:
        """As a browser does: without any token, the cookie kept."""
        return self.http.get(url.removeprefix(PUBLIC), follow_redirects=False)

    def page(self, course_id: str, cookie: str = "") -> Any:
        return self.http.get(f"/chart/courses/{course_id}", headers={"Cookie": cookie} if cookie else {})


@pytest.fixture
def ward(tmp_path):
    settings = Settings(database_url=f"sqlite:///{tmp_path}/ward.sqlite3", public_base=PUBLIC, site="north")
    client_id = new_client(settings, NOW)
    settings = replace(settings, audit_readers=frozenset({client_id}))
    clock = [NOW]
    app = create_app(settings, lambda: clock[0], host="0.0.0.0", access=AccessSettings(frame_origins=(CHART,)))
    with TestClient(app, base_url=PUBLIC) as http:
        token = {"Authorization": f"Bearer {token_of(settings, client_id, NOW)}"}
        courses = []
        for document in documents("01", "02"):
            assert http.post("/intake/courses", content=document, headers=token | JSON).status_code == 201
            courses.append(orjson.loads(document)["course"]["course_id"])
        yield Ward(settings, http, clock, client_id, courses)


JSON = {"Content-Type": "application/json"}


def opened(ward) -> str:
    """Open a link; the cookie as the browser would send it."""
    answer = ward.open(ward.link(ward.courses[0]).json()["url"])
    assert answer.status_code == 303
    ward.http.cookies.clear()  # each test sends what it means to send
    return str(answer.headers["set-cookie"].partition(";")[0])


def test_a_link_opens_its_course_once_in_the_frame_of_the_chart(ward):
    made = ward.link(ward.courses[0])
    assert made.status_code == 201
    assert made.headers["cache-control"] == "no-store"
    assert made.json()["expires_at"] == (NOW + timedelta(seconds=60)).isoformat(timespec="seconds")
    first = ward.open(made.json()["url"])
    assert first.headers["location"] == f"{PUBLIC}/chart/courses/{ward.courses[0]}"
    cookie, *attributes = [part.strip() for part in first.headers["set-cookie"].split(";")]
    assert {"HttpOnly", "Secure", "SameSite=Strict", f"Path=/chart/courses/{ward.courses[0]}"} <= set(attributes)
    ward.http.cookies.clear()
    page = ward.page(ward.courses[0], cookie)
    assert page.status_code == 200
    assert ward.courses[0] in page.text
    assert ward.open(made.json()["url"]).status_code == 401


def test_the_page_may_be_framed_by_the_chart_alone_and_runs_no_script(ward):
    page = ward.page(ward.courses[0], opened(ward))
    policy = page.headers["content-security-policy"]
    assert f"frame-ancestors {CHART}" in policy
    assert "default-src 'none'" in policy
    assert "script-src" not in policy
    assert "<script" not in page.text
    assert page.headers["referrer-policy"] == "no-referrer"
    assert page.headers["cache-control"] == "no-store"


def test_the_session_reaches_no_other_course_and_no_other_route(ward):
    cookie = opened(ward)
    assert ward.page(ward.courses[1], cookie).status_code == 403
    assert ward.page("no-such-course", cookie).status_code == 403
    for path in ("/intake/courses", f"/intake/courses/{ward.courses[0]}", "/fhir/Patient", "/ward"):
        assert ward.http.get(path, headers={"Cookie": cookie}).status_code == 401, path
    assert ward.http.post("/chart/links", json={}, headers={"Cookie": cookie}).status_code == 401


def test_without_the_cookie_or_with_another_nothing_is_shown(ward):
    opened(ward)
    assert ward.page(ward.courses[0]).status_code == 401
    assert ward.page(ward.courses[0], "__Secure-chart=AAAA").status_code == 401


def test_link_and_session_end_by_time_and_with_the_client(ward):
    late = ward.link(ward.courses[0]).json()["url"]
    cookie = opened(ward)
    ward.clock[0] = NOW + timedelta(seconds=61)
    assert ward.open(late).status_code == 401
    assert ward.page(ward.courses[0], cookie).status_code == 200
    ward.clock[0] = NOW + timedelta(hours=1, seconds=1)
    assert ward.page(ward.courses[0], cookie).status_code == 401
    ward.clock[0] = NOW
    database = open_access_database(ward.settings.database_url)
    with database.write() as connection:
        assert revoke_client(connection, ward.client_id, 1)
    database.close()
    assert ward.page(ward.courses[0], cookie).status_code == 401


@pytest.mark.parametrize("document", [{}, [], {"course_id": 1}, {"course_id": "a", "more": 1}, "x"])
def test_a_request_for_a_link_that_is_none_is_told_so(ward, document):
    token = {"Authorization": f"Bearer {token_of(ward.settings, ward.client_id, NOW)}"}
    answer = ward.http.post("/chart/links", content=orjson.dumps(document), headers=token | JSON)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/course_id"


@pytest.mark.parametrize("course_id", ["no-such-course", "../x", "a/b", ""])
def test_there_is_no_link_to_what_there_is_not(ward, course_id):
    assert ward.link(course_id).status_code == 404


def test_what_the_chart_was_shown_is_in_the_audit_record(ward):
    ward.page(ward.courses[0], opened(ward))
    token = {"Authorization": f"Bearer {token_of(ward.settings, ward.client_id, NOW)}"}
    rows = ward.http.get("/fhir/AuditEvent?_count=1000", headers=token).json()["entry"]
    shown = [row["resource"] for row in rows if row["resource"]["type"]["code"] == "110110"]
    assert len(shown) == 1
    assert shown[0]["agent"][0]["who"]["identifier"]["value"] == ward.client_id
    assert [each for each in shown[0]["entity"] if each["what"].get("reference", "").startswith("Patient/")]


def test_while_accesses_cannot_be_recorded_no_course_is_shown(ward, monkeypatch):
    cookie = opened(ward)
    monkeypatch.setattr("service.workflow.auditing.MOST_WAITING", 0)
    assert ward.page(ward.courses[0], cookie).status_code == 503
