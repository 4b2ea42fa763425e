"""A ward on each engine, and receivers in both ways of writing."""

import pytest

from tests.delivery.receiver import receiver
from tests.delivery.ward import open_ward


@pytest.fixture
def ward(database_url):
    with open_ward(database_url) as opened:
        yield opened


@pytest.fixture
def light(tmp_path):
    """A ward on SQLite, for what does not depend on the engine."""
    with open_ward(f"sqlite:///{tmp_path}/ward.sqlite3") as opened:
        yield opened


@pytest.fixture(params=["put", "conditional"])
def writing(request):
    return request.param


@pytest.fixture
def running(writing):
    with receiver(writing == "conditional") as started:
        yield started


@pytest.fixture
def putting():
    with receiver() as started:
        yield started
