"""Writing below /fhir/Subscription: made, changed and ended by the client whose it is."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import orjson
from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.access.gate import Access
from service.api.bodies import read_body
from service.api.negotiation import require_json
from service.api.preconditions import HEADERS, preconditions
from service.api.routing import media_type
from service.api.subscription_side import Side, access_of, fhir_answer
from service.fhir import wire
from service.fhir.validate import operation_outcome
from service.search.dates import microseconds
from service.store.subscription_rows import (
    SubscriptionRow,
    add_subscription,
    change_subscription,
    delete_subscription,
    subscriptions_of,
)
from service.subscriptions.agreement import Agreed, NotAgreed, agreed
from service.workflow.rejecting import Rejected, rejected

MOST_OF_A_CLIENT = 50
_JSON = frozenset({"application/fhir+json", "application/json", "text/json"})

Tree = dict[str, Any]


@dataclass(frozen=True, slots=True)
class WritingSide:
    """The endpoints that change something."""

    side: Side

    async def create(self, request: Request) -> Response:
        """Refused (422) with every reason where a topic, filter, channel, payload or endpoint is not offered."""
        require_json(request)
        resource = await _sent(request)
        return await _refusing(self._created, request, resource)

    async def update(self, request: Request, resource_id: str) -> Response:
        """The subscription begins anew with a handshake; the numbers of its events go on."""
        require_json(request)
        resource = await _sent(request)
        return await _refusing(self._updated, request, resource, resource_id)

    async def delete(self, request: Request, resource_id: str) -> Response:
        """The subscription ends at once, for good; its events and headers are deleted."""
        row = await to_thread.run_sync(self.side.mine, access_of(request), resource_id)
        await to_thread.run_sync(self._deleted, row)
        return Response(status_code=204)

    async def refuse(self) -> Response:
        """Neither PATCH nor an update without an id is offered."""
        raise HTTPException(405, "send a whole Subscription by PUT to its own address", {"Allow": "GET, HEAD, POST"})

    def _created(self, request: Request, resource: Tree) -> Response:
        _conditions("POST", request)
        access, now = access_of(request), self.side.clock()
        wanted = self._agreed(access, resource, now)
        row = _new_row(self.side.site, self.side.new_id(), access.client_id, wanted, microseconds(now))
        with self.side.database.write() as connection:
            if len(subscriptions_of(connection, self.side.site, access.client_id)) >= MOST_OF_A_CLIENT:
                raise rejected(422, f"a client may have {MOST_OF_A_CLIENT} subscriptions: delete one first")
            add_subscription(connection, row, wanted.headers or ())
        return self.side.answer(row, 201)

    def _updated(self, request: Request, resource: Tree, id_: str) -> Response:
        versions = _conditions("PUT", request)
        access, now = access_of(request), self.side.clock()
        if resource.get("id") != id_:
            raise rejected(400, "the id of the resource is not the id of the URL", "Subscription.id")
        row = self.side.mine(access, id_)
        if versions and "*" not in versions and str(row.version) not in versions:
            raise rejected(412, f"the subscription is at version {row.version}")
        wanted = self._agreed(access, resource, now)
        values = _values(wanted, row, microseconds(now))
        kept = wanted.headers is None and wanted.endpoint == row.endpoint  # they are of that endpoint, and not shown
        with self.side.database.write() as connection:
            if not change_subscription(connection, row, values, None if kept else wanted.headers or ()):
                raise rejected(409, "the subscription changed meanwhile: read it and send it again")
        return self.side.answer(row._replace(**values), 200)

    def _deleted(self, row: SubscriptionRow) -> None:
        with self.side.database.write() as connection:
            delete_subscription(connection, self.side.site, row.id, microseconds(self.side.clock()))

    def _agreed(self, access: Access, resource: Tree, now: datetime) -> Agreed:
        if resource.get("resourceType") != "Subscription":
            raise rejected(400, "the resource is not of the type of the URL, Subscription", "resourceType")
        wanted = agreed(resource, self.side.terms, now)
        self.side.require_readable(access, wanted.topic.key)
        return wanted


def _new_row(site: str, id_: str, client_id: str, wanted: Agreed, now: int) -> SubscriptionRow:
    return SubscriptionRow(
        site=site, id=id_, client_id=client_id, version=1, last_updated=now, status=_status(wanted),
        topic=wanted.topic.key, focus=orjson.dumps(wanted.focus).decode(), endpoint=wanted.endpoint,
        content=wanted.content, heartbeat_s=wanted.heartbeat_s, timeout_s=wanted.timeout_s,
        most_events=wanted.most_events, end_at=_end(wanted), events=0, told=0, failures=0, failure="",
        next_attempt_at=now, last_sent_at=0, held_until=0, held_by="", deleted_at=None, body=wire.write(wanted.body),
    )  # fmt: skip


def _values(wanted: Agreed, row: SubscriptionRow, now: int) -> dict[str, Any]:
    """What an update writes. Events of another topic or filter that were not told are not told any more."""
    focus = orjson.dumps(wanted.focus).decode()
    return {
        "version": row.version + 1, "last_updated": now, "status": _status(wanted), "topic": wanted.topic.key,
        "focus": focus, "endpoint": wanted.endpoint, "content": wanted.content, "heartbeat_s": wanted.heartbeat_s,
        "timeout_s": wanted.timeout_s, "most_events": wanted.most_events, "end_at": _end(wanted), "failures": 0,
        "failure": "", "next_attempt_at": now, "body": wire.write(wanted.body),
        **({} if focus == row.focus else {"told": row.events}),
    }  # fmt: skip


def _status(wanted: Agreed) -> str:
    return "off" if wanted.off else "requested"


def _end(wanted: Agreed) -> int | None:
    return microseconds(wanted.end) if wanted.end is not None else None


def _conditions(method: str, request: Request) -> tuple[str, ...]:
    given = {name: ",".join(request.headers.getlist(name)) for name in HEADERS if name in request.headers}
    found = preconditions(method, given)
    if found.if_none_exist is not None or found.only_new:
        raise rejected(400, "a subscription is not made under a condition", code="not-supported")
    return found.if_match


async def _sent(request: Request) -> Tree:
    if media_type(request) not in _JSON:
        raise HTTPException(415, "send FHIR JSON as application/fhir+json")
    try:
        return wire.read(await read_body(request))
    except strict_json.TooLarge as fault:
        raise HTTPException(413, str(fault)) from fault
    except wire.Unreadable as fault:
        raise HTTPException(400, str(fault)) from fault


async def _refusing(work: Callable[..., Response], *arguments: Any) -> Response:
    """Run a write in a thread; a refusal becomes its OperationOutcome with every issue."""
    try:
        return await to_thread.run_sync(work, *arguments)
    except NotAgreed as refusal:
        return fhir_answer(operation_outcome(refusal.issues), 422)
    except Rejected as refusal:
        return fhir_answer(operation_outcome(refusal.issues), refusal.status)
