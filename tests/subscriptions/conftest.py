"""A site without its door: the routes of subscriptions, a client's access that a test sets, a receiver in memory."""

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.testclient import TestClient

from service.access.gate import Access
from service.access.scopes import parse_scopes
from service.api.outcomes import answer_outcome
from service.api.subscriptions import subscription_routes
from service.config import Settings
from service.store.access import open_access_database
from service.subscriptions.agreement import Terms
from service.subscriptions.endpoints import Endpoints
from service.subscriptions.notification import Notices
from service.subscriptions.sending import Sender
from service.subscriptions.topics import read_vocabulary
from service.terminology import load
from service.workflow import open_workflow
from tests.intake.documents import check, course_file, installation
from tests.signing_in import new_client

FOLDER = Path(__file__).parent
START = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
BASE = "https://closure.alder-bay.example/fhir"
HOST = "chart.alder-bay.example"
ENDPOINT = f"https://{HOST}/notifications"
URL = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition"  # of the backport's extensions
TOPICS = "https://closure-readings.example/fhir/SubscriptionTopic"
ALL = "system/*.cruds"


class Clock:
    """A clock that moves when a test says so."""

    def __init__(self):
        self.now = START

    def __call__(self):
        return self.now

    def forward(self, **parts):
        self.now += timedelta(**parts)


@dataclass
class Receiver:
    """What an endpoint got, and what it answers next: statuses, or an exception to raise."""

    answers: list = field(default_factory=list)
    got: list = field(default_factory=list)

    def __call__(self, request):
        self.got.append(request)
        answer = self.answers.pop(0) if self.answers else 200
        if isinstance(answer, Exception):
            raise answer
        return answer if isinstance(answer, httpx.Response) else httpx.Response(answer)


@dataclass
class Side:
    """The site, its clients and its sender."""

    settings: Settings
    workflow: object
    database: object
    clock: Clock
    receiver: Receiver
    terms: Terms
    client_id: str
    http: TestClient
    access: dict

    def sender(self, holder="sender-1", client=None):
        numbers = count(1)
        return Sender(
            self.database,
            self.workflow.store,
            Notices(self.terms.vocabulary, BASE),
            self.terms.endpoints,
            client or httpx.Client(transport=httpx.MockTransport(self.receiver)),
            self.clock,
            holder,
            lambda: f"00000000-0000-4000-8000-{next(numbers):012d}",
        )

    def as_client(self, client_id, scopes=ALL):
        self.access["now"] = Access(client_id, self.settings.site, "backend", parse_scopes(scopes))

    def make(self, **changes):
        answer = self.http.post("/fhir/Subscription", json=subscription(**changes))
        assert answer.status_code == 201, answer.text
        return answer.json()["id"]

    def active(self, **changes):
        """A subscription that has shaken hands."""
        id_ = self.make(**changes)
        assert self.sender().tell_all_due() == 1
        assert self.read(id_)["status"] == "active"
        self.receiver.got.clear()
        return id_

    def read(self, id_):
        return self.http.get(f"/fhir/Subscription/{id_}").json()

    def chart(self, number):
        """One more check of the course; every figure of it differs from those before."""
        at = f"2026-03-0{2 + number}T20:00:00+01:00"
        entry = check(f"ch-{number}", at, gaps=[{"station_mm": 80, "gap_mm": 50 - number}])
        if number == 1:
            self.workflow.record_course(course_file(installation()), self.clock())
        self.clock.forward(seconds=1)
        self.workflow.record_entries("alder-1", entry, self.clock())


def subscription(topic="check-charted", content="id-only", filters=(), **changes):
    """A Subscription as a client sends it; `changes` go into the channel where they are of it."""
    criteria = [{"url": f"{URL}/backport-filter-criteria", "valueString": text} for text in filters]
    channel = {
        "type": "rest-hook",
        "endpoint": ENDPOINT,
        "payload": "application/fhir+json",
        "_payload": {"extension": [{"url": f"{URL}/backport-payload-content", "valueCode": content}]},
    }
    inside = {
        name: changes.pop(name) for name in ("extension", "header", "endpoint", "payload", "type") if name in changes
    }
    return {
        "resourceType": "Subscription",
        "status": "requested",
        "reason": "The trend in the chart",
        "criteria": f"{TOPICS}/{topic}",
        **({"_criteria": {"extension": criteria}} if criteria else {}),
        "channel": channel | inside,
    } | changes


def extension(name, **value):
    return {"url": f"{URL}/{name}", **value}


@pytest.fixture
def side(database_url):
    settings = replace(Settings(), database_url=database_url, synchronous="OFF")
    clock, receiver = Clock(), Receiver()
    client_id = new_client(settings, START, ALL)
    workflow, database = open_workflow(settings), open_access_database(database_url)
    terms = Terms(read_vocabulary(load()), Endpoints(frozenset({HOST})), BASE)
    access = {}
    app = FastAPI()

    @app.middleware("http")
    async def sign_in(request, call_next):
        request.state.access = access["now"]
        return await call_next(request)

    app.add_exception_handler(HTTPException, answer_outcome)
    numbers = count(1)
    app.include_router(
        subscription_routes(
            database,
            workflow.store,
            settings.site,
            terms,
            clock,
            lambda: f"10000000-0000-4000-8000-{next(numbers):012d}",
        )
    )
    with TestClient(app, base_url="https://closure.alder-bay.example") as http:
        built = Side(settings, workflow, database, clock, receiver, terms, client_id, http, access)
        built.as_client(client_id)
        yield built
    database.close()
    workflow.close()


def pytest_collection_modifyitems(config, items):
    """On PostgreSQL every test here runs with the first of its parameters, on SQLite with all of them."""
    kept, left_out, seen = [], [], set()
    for item in items:
        called = getattr(item, "callspec", None)
        if FOLDER in item.path.parents and called is not None and "postgresql" in called.params.values():
            if item.function in seen:
                left_out.append(item)
                continue
            seen.add(item.function)
        kept.append(item)
    config.hook.pytest_deselected(items=left_out)
    items[:] = kept
