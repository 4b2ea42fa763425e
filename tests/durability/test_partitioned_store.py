"""Tests of the store again on tables with parts by site (docs/postgresql.md): saving by list, searching by hash."""

import pytest

from service.store import open_store
from tests.durability.test_postgresql_tables import partition
from tests.store.test_saving import *  # noqa: F403 - every test of that module
from tests.store.test_searching import *  # noqa: F403


@pytest.fixture
def database_url(postgresql_url):
    return postgresql_url


@pytest.fixture
def store(request, postgresql_url):
    """A store on an empty partitioned database, instead of the plain one that the tests have in their own folder."""
    opened = open_store(postgresql_url)
    opened.migrate()
    partition(postgresql_url, "list" if request.function.__module__.endswith("test_saving") else "hash")
    yield opened
    opened.close()
