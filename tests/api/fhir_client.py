"""The FHIR side alone on a store of its own, with resources to read."""

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.testclient import TestClient
from starlette.types import ASGIApp, Receive, Scope, Send

from service.access.gate import EVERYTHING, Access
from service.api.fhir import fhir_routes
from service.api.outcomes import answer_outcome
from service.config import Settings
from service.store import Store, open_store
from tests.store.samples import SITE, draft

PUBLIC = "https://closure.ward-seven.example"
BASE = f"{PUBLIC}/fhir"
NOW = datetime(2024, 6, 1, tzinfo=UTC)


class AllowedEverything:
    """In the place of the door: whoever asks may do everything."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope.setdefault("state", {})["access"] = Access("a client", SITE, "backend", EVERYTHING)
        await self.app(scope, receive, send)


@dataclass
class FhirSide:
    """A client of the routes, the store behind them, and the answers' checks."""

    folder: Path
    database_url: str | None = None
    zone: str = "UTC"
    profiles: dict[str, list[str]] = field(default_factory=dict)
    store: Store = field(init=False)
    client: TestClient = field(init=False)

    def __post_init__(self) -> None:
        url = self.database_url or f"sqlite:///{self.folder / 'readings.sqlite3'}"
        self.store = open_store(url)
        self.store.migrate()
        settings = Settings(database_url=url, public_base=PUBLIC, site=SITE, zone=self.zone)
        app = FastAPI()
        app.include_router(fhir_routes(self.store, settings, lambda: NOW, self.profiles))
        app.add_middleware(AllowedEverything)
        app.add_exception_handler(HTTPException, answer_outcome)
        app.add_exception_handler(Exception, answer_outcome)
        self.client = TestClient(app, base_url="http://inside:8080", raise_server_exceptions=False)

    def save(self, *resources: dict[str, Any], now: datetime = NOW) -> None:
        with self.store.write(SITE, now) as unit:
            unit.save_resources([draft(each) for each in resources])

    def get(self, path: str, **headers: str) -> Any:
        named = {name.replace("_", "-"): each for name, each in headers.items()}
        return self.client.get(f"/fhir/{path}", headers=named)

    def follow(self, url: str) -> Any:
        """GET an absolute link of an answer; it must lie on the public base."""
        assert url.startswith(f"{BASE}/"), url
        return self.client.get(url.removeprefix(PUBLIC))


def links(bundle: dict[str, Any]) -> dict[str, str]:
    return {link["relation"]: link["url"] for link in bundle["link"]}


def found_ids(bundle: dict[str, Any]) -> list[str]:
    return [entry["resource"]["id"] for entry in bundle.get("entry", []) if entry["search"]["mode"] == "match"]
