"""A migrated database with one registered client, and the endpoint that it signs in at."""

from datetime import UTC, datetime

import pytest

from service.access.clients import keys_inline, register, registration
from service.access.key_fetch import KeySets
from service.access.token_endpoint import TokenEndpoint
from service.store import open_store
from service.store.access import open_access_database
from tests.access.sender import TOKEN_URL, TYPES, both_keys

NOW = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
SCOPE = "system/Observation.rs system/Patient.cruds intake:read intake:write chart-link:create"


def migrated(url):
    store = open_store(url)
    store.migrate()
    store.close()
    return open_access_database(url)


def new_client(database, site="north", scope=SCOPE, keys=None, registry=False):
    agreed = registration("Ward system", site, scope, registry=registry, types=TYPES)
    return register(database, agreed, keys or keys_inline(both_keys()), NOW)


@pytest.fixture
def database(tmp_path):
    opened = migrated(f"sqlite:///{tmp_path / 'access.sqlite3'}")
    yield opened
    opened.close()


@pytest.fixture
def either_database(database_url):
    """Once on SQLite, once on PostgreSQL."""
    opened = migrated(database_url)
    yield opened
    opened.close()


@pytest.fixture
def client_id(database):
    return new_client(database)


@pytest.fixture
def endpoint(database):
    return TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
