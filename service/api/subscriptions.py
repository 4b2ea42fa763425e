"""Subscription below /fhir: made, read, changed, ended and searched by the client that made it, with `$status` and
`$events` (http://hl7.org/fhir/R4/subscription.html and the backport's operations).

Nobody sees another client's subscriptions: they are answered as if they were not there. `channel.header` is kept for
the sender and never given back.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import uuid4

from anyio import to_thread
from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.access.gate import Access
from service.api.negotiation import require_json, strict
from service.api.operation_inputs import require_names, told_by
from service.api.routing import DOCUMENTED, PathRoute, add_get, searched_pairs
from service.api.subscription_side import Side, access_of, fhir_answer
from service.api.subscription_writes import WritingSide
from service.fhir.operations.inputs import Inputs, Refused
from service.search.dates import microseconds
from service.store import Store
from service.store.access import AccessDatabase
from service.store.subscription_rows import events_between
from service.subscriptions.agreement import CONTENTS, Terms
from service.subscriptions.notification import QUERY_EVENTS, subscription_resource, told_of

MOST_EVENTS_ANSWERED = 100
_SEARCHED = ("_id", "status", "url", "criteria", "type")
_RESULT = ("_format", "_count", "_total")  # taken without effect: all of a client's subscriptions fit one page
_NUMBER = re.compile(r"\d{1,15}", re.ASCII)

Tree = dict[str, Any]


def subscription_routes(
    database: AccessDatabase,
    store: Store,
    site: str,
    terms: Terms,
    clock: Callable[[], datetime],
    new_id: Callable[[], str] = lambda: str(uuid4()),
) -> APIRouter:
    """Routes of one site; before those of operations that are not offered and of resources in general.

    Expects the caller's `Access` in `request.state.access`.
    """
    routes = APIRouter(prefix="/fhir", tags=["FHIR R4 subscriptions"], route_class=PathRoute)
    side = Side(database, store, site, terms, clock, new_id)
    reading, writing = _ReadingSide(side), WritingSide(side)
    for path, endpoint, summary in (
        ("/Subscription/$status", reading.statuses, "Status of the client's subscriptions"),
        ("/Subscription/{resource_id}/$status", reading.status, "Status of one subscription"),
        ("/Subscription/{resource_id}/$events", reading.events, "Events of a subscription, by number"),
    ):
        add_get(routes, path, endpoint, summary)
        routes.add_api_route(path, endpoint, methods=["POST"], summary=summary, responses=DOCUMENTED)
    add_get(routes, "/Subscription/{resource_id}", reading.read, "A subscription of the client")
    add_get(routes, "/Subscription", reading.search, "The client's subscriptions")
    for path, method, endpoint, summary in (
        ("/Subscription/_search", "POST", reading.search_form, "Search by form"),
        ("/Subscription", "POST", writing.create, "Subscribe to a topic"),
        ("/Subscription/{resource_id}", "PUT", writing.update, "Change a subscription, or ask for it again"),
        ("/Subscription/{resource_id}", "DELETE", writing.delete, "End a subscription"),
    ):
        routes.add_api_route(path, endpoint, methods=[method], summary=summary, responses=DOCUMENTED)
    for path, method in (("/Subscription/{resource_id}", "PATCH"), ("/Subscription", "PUT")):
        routes.add_api_route(path, writing.refuse, methods=[method], include_in_schema=False)
    return routes


@dataclass(frozen=True, slots=True)
class _ReadingSide:
    """The endpoints that change nothing."""

    side: Side

    async def read(self, request: Request, resource_id: str) -> Response:
        """The subscription as it stands, without its headers; 410 after it was deleted."""
        require_json(request)
        row = await to_thread.run_sync(self.side.mine, access_of(request), resource_id)
        return self.side.answer(row, 200)

    async def search(self, request: Request) -> Response:
        """By `status`, `url`, `criteria`, `type`, `_id`; several values of one are alternatives."""
        require_json(request)
        return await self._searched(request, request.query_params.multi_items())

    async def search_form(self, request: Request) -> Response:
        """The same by a form."""
        require_json(request)
        return await self._searched(request, await searched_pairs(request))

    async def _searched(self, request: Request, pairs: Sequence[tuple[str, str]]) -> Response:
        unknown = [name for name, _ in pairs if name not in (*_SEARCHED, *_RESULT)]
        if unknown and strict(request):
            raise HTTPException(400, f"{unknown[0]}: no search parameter of Subscription")
        return fhir_answer(await to_thread.run_sync(self._found, access_of(request), pairs))

    def _found(self, access: Access, pairs: Sequence[tuple[str, str]]) -> Tree:
        used = [(name, value) for name, value in pairs if name in _SEARCHED]
        resources = [subscription_resource(row, self.side.terms.vocabulary) for row in self.side.all_of(access)]
        found = [each for each in resources if all(_has(each, name, value.split(",")) for name, value in used)]
        base = f"{self.side.terms.fhir_base}/Subscription"
        entries = [{"fullUrl": f"{base}/{each['id']}", "resource": each, "search": {"mode": "match"}} for each in found]
        query = "&".join(f"{name}={value}" for name, value in used)
        link = [{"relation": "self", "url": f"{base}?{query}" if query else base}]
        bundle = {"resourceType": "Bundle", "type": "searchset", "total": len(found), "link": link}
        return bundle | ({"entry": entries} if entries else {})

    async def statuses(self, request: Request) -> Response:
        """Of all the client's subscriptions, or of those that `id` and `status` name."""
        require_json(request)
        told = await told_by(request)
        require_names(told.inputs, ("id", "status", "_format"), request)
        return fhir_answer(await to_thread.run_sync(self._statuses, access_of(request), told.inputs))

    def _statuses(self, access: Access, inputs: Inputs) -> Tree:
        wanted = {
            name: {part for each in inputs.all(name) for part in str(each).split(",")} for name in ("id", "status")
        }
        rows = [
            row
            for row in self.side.all_of(access)
            if (not wanted["id"] or row.id in wanted["id"]) and (not wanted["status"] or row.status in wanted["status"])
        ]
        return self.side.notices().statuses([(row, self.side.new_id()) for row in rows], self.side.new_id())

    async def status(self, request: Request, resource_id: str) -> Response:
        """Status, and how many events there were."""
        require_json(request)
        row = await to_thread.run_sync(self.side.mine, access_of(request), resource_id)
        return fhir_answer(self.side.notices().statuses([(row, self.side.new_id())], self.side.new_id()))

    async def events(self, request: Request, resource_id: str) -> Response:
        """Events from `eventsSinceNumber` to `eventsUntilNumber`, both included, at most 100 at once, oldest first."""
        require_json(request)
        told = await told_by(request)
        require_names(told.inputs, ("eventsSinceNumber", "eventsUntilNumber", "content", "_format"), request)
        try:
            return fhir_answer(await to_thread.run_sync(self._events, access_of(request), resource_id, told.inputs))
        except Refused as fault:
            raise HTTPException(fault.status, fault.why) from fault

    def _events(self, access: Access, id_: str, inputs: Inputs) -> Tree:
        row = self.side.mine(access, id_)
        self.side.require_readable(access, row.topic)
        first, last = _number(inputs, "eventsSinceNumber", 1), _number(inputs, "eventsUntilNumber", row.events)
        content = inputs.text("content") or row.content
        if content not in CONTENTS:
            raise Refused(f"content: one of {', '.join(CONTENTS)}")
        with self.side.database.read() as connection:
            events = events_between(connection, self.side.site, id_, first, last, MOST_EVENTS_ANSWERED)
        told = told_of(self.side.store, self.side.site, events, content)
        ids = (self.side.new_id(), self.side.new_id())
        return self.side.notices().bundle(row, QUERY_EVENTS, told, content, ids, microseconds(self.side.clock()))


def _has(resource: Tree, name: str, values: Sequence[str]) -> bool:
    channel = resource["channel"]
    found = {
        "_id": resource["id"],
        "status": resource["status"],
        "criteria": resource["criteria"],
        "url": channel["endpoint"],
        "type": channel["type"],
    }[name]
    return any(found == value.rpartition("|")[2] for value in values)


def _number(inputs: Inputs, name: str, default: int) -> int:
    text = inputs.text(name)
    if text is None:
        return default
    if not _NUMBER.fullmatch(text):
        raise Refused(f"{name}: no number of an event")
    return int(text)
