"""Alive, and able to serve: two questions with two answers."""

from types import SimpleNamespace

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from service.api.health import health_routes
from service.store import open_store
from service.store.errors import StoreBusyError


def asked(store, audit_full=lambda: False):
    app = FastAPI(openapi_url=None)
    app.include_router(health_routes(store, audit_full))
    return TestClient(app)


def busy():
    raise StoreBusyError("the database was busy for too long")


WELL = SimpleNamespace(ready=lambda: None)


def test_a_service_with_its_database_is_alive_and_ready(database_url):
    store = open_store(database_url)
    store.migrate()
    try:
        client = asked(store)
        assert {client.get(path).status_code for path in ("/live", "/ready", "/health")} == {204}
    finally:
        store.close()


def test_without_tables_it_is_alive_and_not_ready_and_says_why(database_url):
    store = open_store(database_url)
    try:
        client = asked(store)
        answer = client.get("/ready")
        assert answer.status_code == 503
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["retry-after"] == "5"
        assert "run the migration" in answer.json()["detail"]
        assert client.get("/live").status_code == 204
    finally:
        store.close()


def test_a_database_that_is_busy_is_said_in_words_of_the_service():
    answer = asked(SimpleNamespace(ready=busy)).get("/ready")
    assert (answer.status_code, answer.json()["detail"]) == (503, "the database was busy for too long")


def test_while_no_access_can_be_recorded_it_is_not_ready():
    answer = asked(WELL, lambda: True).get("/ready")
    assert answer.status_code == 503
    assert "recorded" in answer.json()["detail"]


@pytest.mark.parametrize("path", ["/live", "/ready"])
def test_no_answer_about_health_is_kept_by_a_cache(path):
    assert asked(WELL).get(path).headers["cache-control"] == "no-store"
