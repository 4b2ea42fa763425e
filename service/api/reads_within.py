"""GET entries of a Bundle, answered by the very routes that answer GET: same parsing, same answers, same errors.

Within a transaction the routes read on the connection of the write, so that they see what it has saved.
"""

import asyncio
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from contextvars import ContextVar
from typing import Any, NamedTuple, cast

from fastapi import APIRouter, FastAPI
from starlette.exceptions import HTTPException

from service.access.gate import Access
from service.api.branching import Branches
from service.api.outcomes import answer_outcome
from service.store import Reading, Store
from service.store.nearby import NotNearby

_current: ContextVar[Reading | None] = ContextVar("reading of the write that is going on", default=None)


class Answer(NamedTuple):
    """What a route answered."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class ReadsWithin:
    """The routes of reading, called without a socket; `reading` makes them for a store."""

    def __init__(self, store: Store, reading: Callable[[Store], APIRouter]) -> None:
        self._routes = FastAPI(openapi_url=None)
        # The routes ask a store for nothing but readings.
        self._routes.mount("/", Branches(reading(cast(Store, _StoreWithin(store)))))
        self._routes.add_exception_handler(HTTPException, answer_outcome)
        self._routes.add_exception_handler(Exception, answer_outcome)

    def get(self, method: str, url: str, headers: Mapping[str, str], reading: Reading | None, access: Access) -> Answer:
        """Answer a URL such as `Patient/1` or `Patient?family=x`; called from a thread that runs no event loop.

        `access` is asked for what the routes look into; whether it covers the request, the caller has asked already.
        """
        token = _current.set(reading)
        try:
            return asyncio.run(self._answered(method, url, headers, access))
        finally:
            _current.reset(token)

    async def _answered(self, method: str, url: str, headers: Mapping[str, str], access: Access) -> Answer:
        path, _, query = url.partition("?")
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
            "path": f"/fhir/{path}", "raw_path": f"/fhir/{path}".encode(), "query_string": query.encode(),
            "root_path": "", "client": None, "server": ("inside", 80), "state": {"access": access},
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }  # fmt: skip
        started: dict[str, Any] = {}
        body = bytearray()

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start":
                started.update(message)
            else:
                body.extend(message.get("body", b""))

        with suppress(Exception):  # the routes have answered it with 500 and raise it once more for the server's log
            await self._routes(scope, _nothing, send)
        told = {name.decode().lower(): value.decode() for name, value in started.get("headers", ())}
        return Answer(started.get("status", 500), told, bytes(body))


class _StoreWithin:
    """A store whose readings are those of the write that is going on, if there is one."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def read_nearby(self, site: str) -> AbstractContextManager[Reading]:
        """Not here: what the write has saved is seen on its own connection alone."""
        raise NotNearby

    @contextmanager
    def read(self, site: str) -> Iterator[Reading]:
        """Read one site."""
        within = _current.get()
        if within is not None:
            yield within
        else:
            with self._store.read(site) as reading:
                yield reading


async def _nothing() -> Any:
    return {"type": "http.request", "body": b"", "more_body": False}
