"""A service with an empty database and a clock that stands still, in a zone that is not UTC."""

from dataclasses import replace

import pytest
from starlette.testclient import TestClient

from service.api.app import create_app
from service.config import Settings
from tests.intake.documents import NOW


@pytest.fixture
def settings(database_url):
    return replace(Settings(), database_url=database_url, zone="Europe/Vienna")


@pytest.fixture
def client(settings):
    with TestClient(create_app(settings, clock=lambda: NOW), raise_server_exceptions=False) as client:
        yield client
