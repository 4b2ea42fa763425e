"""A service with an empty database and a clock that stands still, in a zone that is not UTC."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from starlette.testclient import TestClient

from service.api.app import create_app
from service.config import Settings
from tests.intake.documents import NOW
from tests.signing_in import LOOPBACK

FOLDER = Path(__file__).parent
NO_CALL = SimpleNamespace(params={})  # of a test without parameters


@pytest.fixture
def settings(database_url):
    return replace(Settings(), database_url=database_url, zone="Europe/Vienna")


@pytest.fixture
def client(settings):
    with TestClient(
        create_app(settings, clock=lambda: NOW), base_url=LOOPBACK, raise_server_exceptions=False
    ) as client:
        yield client


def pytest_collection_modifyitems(config, items):
    """On PostgreSQL every test here runs with the first of its parameters, on SQLite with all of them."""
    kept, left_out, seen = [], [], set()
    for item in items:
        if FOLDER in item.path.parents and "postgresql" in getattr(item, "callspec", NO_CALL).params.values():
            if item.function in seen:
                left_out.append(item)
                continue
            seen.add(item.function)
        kept.append(item)
    config.hook.pytest_deselected(items=left_out)
    items[:] = kept
