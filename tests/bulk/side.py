"""Exports over HTTP as a client meets them, with a clock that goes on and a worker that is run by hand."""

import gzip
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from starlette.exceptions import HTTPException
from starlette.testclient import TestClient

from service.api.answering import answer
from service.api.bulk import Client, bulk_routes
from service.config import Settings
from service.registry.export.jobs import Asker, Exports
from service.registry.export.running import ExportWorker
from service.registry.export.settings import ExportSettings
from service.registry.export.sources import Sources
from service.store.client_rows import ClientRow, add_client
from service.store.export_reading import ExportDatabase, open_export_database
from service.workflow import Workflow, open_workflow

EXAMPLES = Path(__file__).parents[2] / "examples"
BASE = "https://closure.heron-quay.example"
SITE = "heron-quay"
START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
ASYNC = {"Prefer": "respond-async", "Accept": "application/fhir+json"}


class Clock:
    """A clock that goes on by some seconds each time it is read."""

    def __init__(self, at: datetime = START, step_s: float = 2) -> None:
        self.at = at
        self.step = timedelta(seconds=step_s)

    def __call__(self) -> datetime:
        self.at += self.step
        return self.at


@dataclass
class Side:
    """The parts, and how a client uses them."""

    http: TestClient
    workflow: Workflow
    database: ExportDatabase
    exports: Exports
    worker: ExportWorker
    clock: Clock
    settings: Settings

    def begin(self, path: str = "/fhir/$export", client: str = "backend", **headers: str) -> Any:
        return self.http.get(path, headers={**ASYNC, "X-Client": client, **headers})

    def get(self, url: str, client: str = "backend", method: str = "GET", **headers: str) -> Any:
        return self.http.request(method, url.removeprefix(BASE), headers={"X-Client": client, **headers})

    def manifest(self, path: str = "/fhir/$export", client: str = "backend", **headers: str) -> dict[str, Any]:
        """Begin an export, run it, and fetch what it says."""
        begun = self.begin(path, client, **headers)
        assert begun.status_code == 202, begun.text
        assert self.worker.run_once()
        done = self.get(begun.headers["content-location"], client)
        assert done.status_code == 200, done.text
        found: dict[str, Any] = done.json()
        return found

    def lines(self, manifest: dict[str, Any], type_: str | None = None, client: str = "backend") -> list[Any]:
        """The resources of the files of a manifest."""
        found = []
        for each in manifest["output"]:
            if type_ in (None, each["type"]):
                body = self.get(each["url"], client).content
                some = [json.loads(line) for line in body.splitlines()]
                assert len(some) == each["count"]
                found += some
        return found

    def load(self, *examples: str) -> None:
        """Record the courses of some examples."""
        for name in examples:
            for file in sorted(next(EXAMPLES.glob(f"{name}*")).glob("course*.json")):
                self.workflow.record_course(json.loads(file.read_bytes(), parse_float=_decimal), self.clock())

    def add_registry(self, client_id: str = "registry") -> None:
        """A registry that is registered."""
        row = ClientRow(client_id, None, "Registry", "registry", "system/*.rs", None, None, 1, 0, None, None)
        with self.database.write() as connection:
            add_client(connection, row)

    def worker_with(self, **settings: Any) -> ExportWorker:
        """A worker with other settings."""
        sources = Sources(self.database, self.settings, self.clock)
        return ExportWorker(self.database, sources, replace(self.exports.settings, **settings), self.clock)

    def close(self) -> None:
        self.http.close()
        self.database.close()
        self.workflow.close()


def _decimal(text: str) -> Any:
    from decimal import Decimal

    return Decimal(text)


def open_side(folder: Path, database_url: str, clock: Clock | None = None) -> Side:
    """A service with exports; who asks is told by a header, as the door would."""
    clock = clock or Clock()
    settings = replace(Settings(), database_url=database_url, public_base=BASE, site=SITE, zone="Europe/Vienna")
    workflow = open_workflow(settings)
    workflow.store.migrate()
    database = open_export_database(database_url)
    exports = Exports(database, ExportSettings(folder / "exports"))
    worker = ExportWorker(database, Sources(database, settings, clock), exports.settings, clock)
    app = FastAPI()
    app.include_router(bulk_routes(exports, settings, clock, _client))
    app.add_exception_handler(Exception, answer)
    app.add_exception_handler(HTTPException, answer)
    http = TestClient(app, base_url=BASE, raise_server_exceptions=False)
    return Side(http, workflow, database, exports, worker, clock, settings)


def _client(request: Any) -> Client:
    """`id`, `id;types=Patient,Encounter`; the id `registry...` is a registry's, `other...` of another site."""
    client_id, _, types = request.headers["x-client"].partition(";types=")
    site = None if client_id.startswith("registry") else "other-site" if client_id.startswith("other") else SITE
    return Client(Asker(client_id, site), lambda type_: not types or type_ in types.split(","))


def unzipped(content: bytes) -> bytes:
    return gzip.decompress(content)
