"""What waits, what is held and since when, on /metrics of the whole application: what a monitoring system sees."""

import pytest
from starlette.testclient import TestClient

from service.api.app import create_app
from service.commands.deliveries import decide
from service.config import Settings
from service.delivery.running import deliver_once
from service.search.dates import microseconds
from tests.delivery.ward import NAME, PATIENTS, SITE

LABELS = f'{{destination="{NAME}",site="{SITE}"}}'


@pytest.fixture
def shown(ward):
    """The gauges of deliveries as /metrics has them now."""
    settings = Settings(database_url=str(ward.workflow.settings.database_url))
    with TestClient(create_app(settings), base_url="http://127.0.0.1:8080", client=("127.0.0.1", 50000)) as http:

        def gauges():
            text = http.get("/metrics").text
            rows = [line.split(" ") for line in text.splitlines() if line.startswith("closure_deliveries_")]
            return {name.removeprefix("closure_deliveries_"): float(value) for name, value in rows}

        yield gauges


def test_what_waits_and_since_when_and_what_is_held_are_shown(ward, putting, shown):
    assert shown() == {}, "no destination, nothing to tell"
    ward.destination(putting.base)
    began = microseconds(ward.clock()) / 1_000_000
    ward.record(1)
    ward.clock.move(60)
    ward.record(2)
    oldest = f"oldest_queued_seconds{LABELS}"
    assert shown() == {f"waiting{LABELS}": 2, f"held{LABELS}": 0, oldest: began}
    putting.server.patient(PATIENTS, "AB-2")
    assert deliver_once(ward.delivering) == {"held": 1, "delivered": 1}
    assert shown() == {f"waiting{LABELS}": 0, f"held{LABELS}": 1}
    ward.clock.move(60)
    ward.record(3)
    assert shown() == {f"waiting{LABELS}": 1, f"held{LABELS}": 1, oldest: began + 120}


def test_a_destination_that_does_not_answer_is_seen_by_the_age_of_what_waits(ward, putting, shown, monkeypatch):
    monkeypatch.setenv("DATABASE_URL", ward.workflow.settings.database_url)
    began = microseconds(ward.clock()) / 1_000_000
    ward.destination(putting.base)
    putting.server.patient(PATIENTS, "AB-1")
    putting.plan.script = ["503"] * 3
    ward.record(1)
    for _ in range(3):
        assert deliver_once(ward.delivering) == {"waits": 1}
        ward.clock.move(100)
    assert shown() == {f"waiting{LABELS}": 1, f"held{LABELS}": 0, f"oldest_queued_seconds{LABELS}": began}
    assert decide("redrive", SITE, None, NAME, "it waits, it is not held", "test") == 1
    assert deliver_once(ward.delivering) == {"delivered": 1}
    assert shown() == {f"waiting{LABELS}": 0, f"held{LABELS}": 0}
