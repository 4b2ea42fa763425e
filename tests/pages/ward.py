"""A real ward for the tests: the pages over HTTP in a thread of this process, with a clock that the test sets."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import uvicorn
from fastapi import FastAPI

from service import strict_json
from service.access.gate import EVERYTHING, Access
from service.api.intake import intake_routes
from service.api.pages import page_routes
from service.api.start import start_routes
from service.config import Settings
from service.delivery.destination import Destination, row_values
from service.store.destination_rows import DestinationRow, insert_destination
from service.store.outbox_rows import queue_everything
from service.workflow import Workflow, open_workflow
from tests.live import free_port

ROOT = Path(__file__).parents[2]
EXAMPLES = sorted((ROOT / "examples").glob("*/course*.json"))
START = datetime.fromisoformat("2026-03-09T08:00:00+01:00")
DEMONSTRATION = Access("demonstration", "demo", "demonstration", EVERYTHING)


@dataclass
class Ward:
    """The service, its record, and its clock."""

    base: str
    workflow: Workflow
    now: datetime = START
    shown: list[list[str]] = field(default_factory=list)  # courses told to the audit record, by request

    def clock(self) -> datetime:
        """What time it is."""
        return self.now

    def later(self, **length: float) -> None:
        """Let time pass."""
        self.now += timedelta(**length)

    def view(self, course_id: str) -> dict:
        """The course view."""
        return self.workflow.course_view(course_id, self.now)


def ward_app(ward: Ward, access: Access | None = DEMONSTRATION) -> FastAPI:
    """The pages as they stand behind the door."""
    app = FastAPI()
    settings = ward.workflow.settings

    @app.middleware("http")
    async def door(request, go_on):
        request.state.access = access
        answer = await go_on(request)
        ward.shown.append(sorted(getattr(request.state, "shown_courses", [])))
        return answer

    app.include_router(start_routes(ward.workflow, settings, ward.clock))
    app.include_router(page_routes(ward.workflow, settings, ward.clock))
    app.include_router(intake_routes(ward.workflow, settings.public_base, ward.clock))
    return app


def open_ward(folder: Path, base: str = "http://ward.test", zone: str = "Europe/Vienna") -> Ward:
    """A ward with an empty record."""
    url = f"sqlite:///{folder}/ward.sqlite3"
    settings = replace(Settings(), database_url=url, public_base=base, zone=zone, synchronous="OFF")
    return Ward(base, open_workflow(settings))


@contextmanager
def served_ward(folder: Path) -> Iterator[Ward]:
    """A ward that browsers can reach."""
    port = free_port()
    ward = open_ward(folder, f"http://127.0.0.1:{port}")
    server = uvicorn.Server(uvicorn.Config(ward_app(ward), port=port, log_level="error"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield ward
    finally:
        server.should_exit = True
        thread.join(timeout=10)
        ward.workflow.close()


def send_to(ward: Ward, name: str = "ward-chart", **changed: Any) -> None:
    """A destination of the site, with every course so far waiting for it."""
    wanted = Destination(ward.workflow.site.key, name, "https://chart.example/fhir", patients="own")
    with ward.workflow.store.write(wanted.site, ward.now) as unit:
        insert_destination(unit.connection, DestinationRow(**row_values(wanted) | {"added_at": 0} | changed))
        queue_everything(unit, name)


def load(ward: Ward, path: Path, entries: int | None = None) -> str:
    """Record an example course, or its first entries; the clock goes to three hours after the last."""
    document = strict_json.read(path.read_bytes())
    document["entries"] = document["entries"][:entries]
    times = [datetime.fromisoformat(entry["at"]) for entry in document["entries"]]
    ward.now = max([*times, datetime.fromisoformat(document["course"]["opened_at"])]) + timedelta(hours=3)
    return ward.workflow.record_course(document, ward.now).course_id
