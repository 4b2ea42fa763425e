"""The whole application over a database of its own: operations, artefacts, resources, intake, as clients meet it."""

from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson
from starlette.testclient import TestClient

from service.api.app import create_app
from service.config import Settings
from service.search.values import index
from service.store import Draft, Store, open_store
from service.subscriptions.endpoints import Endpoints
from tests.signing_in import signed_in

EXAMPLES = Path(__file__).parents[2] / "examples"
PUBLIC = "https://closure.ward-seven.example"
BASE = f"{PUBLIC}/fhir"
NOW = datetime(2026, 11, 1, tzinfo=UTC)
SITE = "demo"
NOTIFIED = "chart.harbour.example"  # the one host that notifications may go to


@dataclass
class Whole:
    """A client of the application and the store behind it."""

    client: TestClient
    store: Store

    def get(self, path: str, **headers: str) -> Any:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return self.client.get(f"/fhir/{path}", headers=named)

    def post(self, path: str, body: Any, media_type: str = "application/fhir+json", **headers: str) -> Any:
        raw = body if isinstance(body, bytes) else orjson.dumps(body)
        named = {name.replace("_", "-"): value for name, value in headers.items()} | {"content-type": media_type}
        return self.client.post(f"/fhir/{path}", content=raw, headers=named)

    def follow(self, url: str) -> Any:
        """GET an absolute link of an answer; it must lie on the public base."""
        assert url.startswith(f"{BASE}/"), url
        return self.client.get(url.removeprefix(PUBLIC))

    def record(self, course_file: Path) -> None:
        answer = self.client.post(
            "/intake/courses", content=course_file.read_bytes(), headers={"content-type": "application/json"}
        )
        assert answer.status_code == 201, answer.text

    def save(self, *resources: dict[str, Any], patient: str | None = None, now: datetime = NOW) -> None:
        """Put resources into the store as they are."""
        drafts = [
            Draft(each["resourceType"], each["id"], None, None, orjson.dumps(each), index(each, UTC), patient)
            for each in resources
        ]
        with self.store.write(SITE, now) as unit:
            unit.save_resources(drafts)


@contextmanager
def whole_side(folder: Path, *examples: str, **settings: Any):
    """The application with the courses of these example folders recorded."""
    chosen = replace(
        Settings(), database_url=f"sqlite:///{folder}/whole.sqlite3", public_base=PUBLIC, site=SITE, **settings
    )
    token = signed_in(chosen, NOW)
    app = create_app(chosen, lambda: NOW, endpoints=Endpoints(frozenset({NOTIFIED})))
    with TestClient(app, base_url="http://inside:8080", headers=token, raise_server_exceptions=False) as c:
        whole = Whole(c, open_store(chosen.database_url))
        for name in examples:
            for file in sorted(next(EXAMPLES.glob(f"{name}*")).glob("course*.json")):
                whole.record(file)
        yield whole
        whole.store.close()


def issues(answer: Any) -> list[dict[str, Any]]:
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome", body
    assert body["issue"]
    return body["issue"]


def links(bundle: dict[str, Any]) -> dict[str, str]:
    return {link["relation"]: link["url"] for link in bundle["link"]}


def resources(bundle: dict[str, Any], mode: str = "match") -> list[dict[str, Any]]:
    return [entry["resource"] for entry in bundle.get("entry", []) if entry["search"]["mode"] == mode]


def all_pages(whole: Whole, first: Any) -> list[dict[str, Any]]:
    """The bundles from the first answer on, by their next links."""
    bundles = [first.json()]
    while "next" in links(bundles[-1]):
        bundles.append(whole.follow(links(bundles[-1])["next"]).json())
    return bundles
