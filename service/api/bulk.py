"""Exports over HTTP (Bulk Data Access 2.0): `$export`, the state of a job, its files.

https://hl7.org/fhir/uv/bulkdata/export.html. The routes stand before those of resources, whose paths would take `$name`
for an id. A client sees its own jobs alone.
"""

import re
import zlib
from collections.abc import Callable, Iterator
from datetime import datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import orjson
from anyio import to_thread
from fastapi import APIRouter
from starlette.concurrency import iterate_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response, StreamingResponse

from service.api.negotiation import require_json
from service.api.operation_inputs import told_by
from service.api.routing import DOCUMENTED
from service.config import Settings
from service.registry.export.asked import Asked, ExportRefused, Level, May, asked
from service.registry.export.jobs import Asker, Exports, Failed, Finished, Going, TooOften, UnknownJob
from service.search.criteria import Setting

STATUS = "$export-status"
NDJSON = "application/fhir+ndjson"
_CHUNK = 1 << 18
_FILE: dict[int | str, dict[str, Any]] = {
    200: {"description": "One resource a line", "content": {NDJSON: {}}},
    "4XX": DOCUMENTED["4XX"],
}
_JOB = re.compile(r"[0-9a-f]{32}")


class Client(NamedTuple):
    """Who sends a request: of which site (None: a registry), what it may read, whether it needed a token."""

    asker: Asker
    may: May
    needs_token: bool = True


ClientOf = Callable[[Request], Client]


def client_of(request: Request) -> Client:
    """The client that the door let in."""
    access = request.state.access
    return Client(
        Asker(access.client_id, access.site),
        lambda type_: access.scopes.allows(type_, "read") and access.scopes.allows(type_, "search-type"),
        access.kind != "demonstration",
    )


def bulk_routes(
    exports: Exports, settings: Settings, clock: Callable[[], datetime], client: ClientOf = client_of
) -> APIRouter:
    """Kick-off by GET and POST on three levels, state, cancellation, files."""
    routes = APIRouter(prefix="/fhir", tags=["Bulk data"])
    side = _Side(exports, settings, clock, client)
    for path, endpoint, summary in (
        ("/$export", side.system, "Begin an export of everything"),
        ("/Patient/$export", side.patients, "Begin an export of all patients"),
        ("/Group/{group_id}/$export", side.group, "Begin an export of the patients of a group"),
    ):
        for method in ("GET", "POST"):
            routes.add_api_route(path, endpoint, methods=[method], summary=summary, responses=DOCUMENTED)
    job = f"/{STATUS}/{{job_id}}"
    routes.add_api_route(job, side.state, methods=["GET"], summary="How an export goes", responses=DOCUMENTED)
    routes.add_api_route(job, side.cancel, methods=["DELETE"], summary="Cancel an export", responses=DOCUMENTED)
    file = job + "/{name}"
    routes.add_api_route(file, side.file, methods=["GET"], summary="A file of an export", responses=_FILE)
    routes.add_api_route(file, side.file, methods=["HEAD"], include_in_schema=False)
    return routes


class _Side:
    """The endpoints, with what they share."""

    def __init__(self, exports: Exports, settings: Settings, clock: Callable[[], datetime], client: ClientOf) -> None:
        self._exports = exports
        self._base = settings.fhir_base
        self._zone = ZoneInfo(settings.zone)
        self._clock = clock
        self._client = client

    async def system(self, request: Request) -> Response:
        """Every type that the token grants, of the whole site."""
        return await self._begin(request, "system", "/$export", None)

    async def patients(self, request: Request) -> Response:
        """What belongs to patients."""
        return await self._begin(request, "patient", "/Patient/$export", None)

    async def group(self, request: Request, group_id: str) -> Response:
        """What belongs to the patients of a group."""
        return await self._begin(request, "group", f"/Group/{group_id}/$export", group_id)

    async def _begin(self, request: Request, level: Level, path: str, group_id: str | None) -> Response:
        require_json(request)
        wishes = _wishes(request)
        if "respond-async" not in wishes:
            raise HTTPException(400, "an export is answered later only: send Prefer: respond-async")
        told = await told_by(request)
        if told.resource is not None:
            raise HTTPException(400, "send the parameters as a Parameters resource")
        pairs = [(name, value if isinstance(value, str) else "") for name, value in told.inputs.pairs]
        query = f"?{request.url.query}" if request.url.query else ""
        who = self._client(request)
        setting = Setting(self._base, self._zone, self._clock())

        def begun() -> str:
            wanted: Asked = asked(
                level, group_id, pairs, f"{self._base}{path}{query}", who.may, setting,
                lenient="handling=lenient" in wishes, registry=who.asker.site is None,
            )  # fmt: skip
            return self._exports.begin(who.asker, wanted, setting.now)

        job_id = await self._run(begun)
        return Response(status_code=202, headers={"Content-Location": f"{self._base}/{STATUS}/{job_id}"})

    async def state(self, request: Request, job_id: str) -> Response:
        """202 while it goes, the manifest once it is done."""
        _require_id(job_id)
        who, now = self._client(request), self._clock()
        found = await self._run(lambda: self._exports.state(who.asker, job_id, now))
        if isinstance(found, Going):
            headers = {"X-Progress": found.progress, "Retry-After": str(self._exports.settings.retry_after_s)}
            return Response(status_code=202, headers=headers)
        manifest = self._manifest(found, job_id, who.needs_token)
        headers = {"Expires": format_datetime(found.expires_at, usegmt=True), "Cache-Control": "no-store"}
        return Response(orjson.dumps(manifest), headers=headers, media_type="application/json")

    async def cancel(self, request: Request, job_id: str) -> Response:
        """202; from then on the job is unknown."""
        _require_id(job_id)
        who, now = self._client(request), self._clock()
        await self._run(lambda: self._exports.cancel(who.asker, job_id, now))
        return Response(status_code=202)

    async def file(self, request: Request, job_id: str, name: str) -> Response:
        """The file, a range of it, or all of it compressed where the client takes gzip."""
        _require_id(job_id)
        who, now = self._client(request), self._clock()
        path = await self._run(lambda: self._exports.file(who.asker, job_id, name, now))
        common = {"Vary": "Accept-Encoding", "Cache-Control": "no-store"}
        if _takes_gzip(request) and "range" not in request.headers and request.method == "GET":
            zipped = iterate_in_threadpool(_zipped(path))
            return StreamingResponse(zipped, headers={**common, "Content-Encoding": "gzip"}, media_type=NDJSON)
        return FileResponse(path, headers=common, media_type=NDJSON)

    def _manifest(self, found: Finished, job_id: str, needs_token: bool) -> dict[str, Any]:
        def files(some: Any) -> list[dict[str, Any]]:
            url = f"{self._base}/{STATUS}/{job_id}"
            return [{"type": each["type"], "url": f"{url}/{each['file']}", "count": each["count"]} for each in some]

        return {
            "transactionTime": found.transaction_at,
            "request": found.request,
            "requiresAccessToken": needs_token,
            "output": files(found.output),
            "error": files(found.error),
            "deleted": files(found.deleted),
        }

    async def _run(self, what: Callable[[], Any]) -> Any:
        try:
            return await to_thread.run_sync(what)
        except ExportRefused as fault:
            raise HTTPException(fault.status, str(fault)) from fault
        except TooOften as fault:
            retry = {"Retry-After": str(self._exports.settings.retry_after_s)}
            raise HTTPException(429, str(fault), retry) from fault
        except UnknownJob as fault:
            raise HTTPException(404, "there is no such export, or its time is over") from fault
        except Failed as fault:
            raise HTTPException(500, f"the export failed: {fault}") from fault


def _require_id(job_id: str) -> None:
    if not _JOB.fullmatch(job_id):
        raise HTTPException(404, "there is no such export, or its time is over")


def _wishes(request: Request) -> set[str]:
    listed = ",".join(request.headers.getlist("prefer")).replace(";", ",").split(",")
    return {"".join(wish.split()).lower() for wish in listed}


def _takes_gzip(request: Request) -> bool:
    for each in request.headers.get("accept-encoding", "").lower().split(","):
        coding, _, quality = each.replace(" ", "").partition(";")
        if coding == "gzip":
            return not re.fullmatch(r"q=0(\.0*)?", quality)
    return False


def _zipped(path: Path) -> Iterator[bytes]:
    press = zlib.compressobj(level=1, wbits=31)  # 31: with the header of gzip
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            if pressed := press.compress(chunk):
                yield pressed
    yield press.flush()
