"""Two installations that differ in one thing: whether site north has data beside site south.

Whatever a client of south asks, both must answer alike. A difference is a leak, whichever route it comes through.
"""

import re
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from service import strict_json
from service.api.app import create_app
from service.config import Settings
from service.search.parameters import parameters
from tests.signing_in import new_client, token_of

NOW = datetime(2026, 11, 1, 9, 0, tzinfo=UTC)
EXAMPLES = Path(__file__).parents[2] / "examples"
JSON = {"Content-Type": "application/json"}
SCOPES = "system/*.cruds intake:read intake:write chart-link:create"
NORTH, SOUTH = "north", "south"
# What is random in any installation: ids of requests, of clients and of created resources.
_RANDOM = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


@dataclass
class Side:
    """One installation, as the clients of its sites see it."""

    app: Any
    http: TestClient
    headers: dict[str, dict[str, str]]
    client_ids: dict[str, str]

    def ask(self, site: str, method: str, path: str, body: Any = None, media_type: str = "", **headers: str) -> Any:
        content = body if isinstance(body, bytes) or body is None else strict_json.write(body)
        told = {"Content-Type": media_type or "application/json"} if content is not None else {}
        return self.http.request(
            method, path, content=content, headers=self.headers[site] | told | headers, follow_redirects=False
        )

    def told(self, *asked: Any, **headers: str) -> tuple[Any, ...]:
        """The whole answer to a client of south, without what is random in any installation."""
        answer = self.ask(SOUTH, *asked, **headers)
        text = answer.text.replace(self.client_ids[SOUTH], "(client)")
        kept = {name: value for name, value in answer.headers.items() if name not in ("x-request-id", "content-length")}
        return answer.status_code, _RANDOM.sub("(random)", text), _RANDOM.sub("(random)", repr(sorted(kept.items())))


@contextmanager
def installation_of(folder: Path, url: str | None, north: tuple[str, ...], south: tuple[str, ...]):
    """An installation with courses of these examples at each site."""
    settings = Settings(database_url=url or f"sqlite:///{folder}/both.sqlite3", site=NORTH, zone="Europe/Vienna")
    ids = {site: new_client(settings, NOW, SCOPES, site) for site in (NORTH, SOUTH)}
    settings = replace(settings, audit_readers=frozenset(ids.values()))
    headers = {
        site: {"Authorization": f"Bearer {token_of(settings, client_id, NOW, SCOPES)}"}
        for site, client_id in ids.items()
    }
    app = create_app(settings, lambda: NOW)
    with TestClient(app, base_url="http://127.0.0.1:8080", raise_server_exceptions=False) as http:
        side = Side(app, http, headers, ids)
        for site, examples in ((NORTH, north), (SOUTH, south)):
            for document in documents(*examples):
                answer = side.ask(site, "POST", "/intake/courses", document)
                assert answer.status_code == 201, answer.text
        yield side


def documents(*examples: str) -> list[bytes]:
    """Course files of examples, by the beginnings of their folders' names."""
    found = [path for name in examples for path in sorted(next(EXAMPLES.glob(f"{name}*")).glob("course*.json"))]
    return [path.read_bytes() for path in found]


def resources_of(side: Side, site: str) -> list[dict[str, Any]]:
    """Every current resource of a site."""
    found = []
    for type_ in parameters():
        answer = side.ask(site, "GET", f"/fhir/{type_}?_count=1000")
        found += [entry["resource"] for entry in answer.json().get("entry", ())]
    return found


def routes_of(app: Any) -> list[tuple[str, str]]:
    """Verb and path template of every route, outside the door and behind it."""
    return sorted({pair for routes in (app.routes, app.state.sites.home.app.routes) for pair in _pairs(routes)})


def _pairs(routes: Any) -> list[tuple[str, str]]:
    found = []
    for route in routes:
        if isinstance(route, APIRoute):
            found += [(method, route.path) for method in route.methods]
        elif inner := getattr(getattr(route, "original_router", None), "routes", None):
            found += _pairs(inner)
    return found
