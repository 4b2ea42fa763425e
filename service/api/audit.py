"""Around every request: its id, the record of what was asked and shown, and an answer to whatever breaks.

What was shown is read off the answer itself, so that no route can forget to tell. Routes may leave in `request.state`:
`interaction` (a kind of `audit_event.KINDS` that the path does not tell: batch), `shown_courses` (course ids on a page
of HTML), `audited_client` (id of a client that signed in) and `site` (whose record it belongs to; home's without).
"""

import re
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Any
from uuid import uuid4

import orjson
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.fhir.build.audit_event import Access
from service.store.audit import witness
from service.workflow.auditing import AuditRecorder, Seen

REQUEST_ID = "X-Request-Id"
LARGEST_FORM_KEPT = 64 * 1024

# Of these types nothing is about a patient; of every other, known or not, an access is recorded.
_OF_NO_PATIENT = frozenset(
    {
        "metadata", "CapabilityStatement", "CodeSystem", "ConceptMap", "ImplementationGuide", "NamingSystem",
        "OperationDefinition", "Questionnaire", "SearchParameter", "StructureDefinition", "ValueSet",
    }
)  # fmt: skip
_TOKEN = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)
_MARK = b'"resourceType":"'
_RESOURCE = re.compile(rb'"resourceType":"([A-Za-z]{1,64})","id":"([A-Za-z0-9.-]{1,64})"')
_SELF = re.compile(rb'"relation":"self","url":("(?:[^"\\]|\\.)*")')
_COURSE = re.compile(rb'"course_id":"([A-Za-z0-9.-]{1,64})"')
_BUNDLE_TYPE = re.compile(rb'"type"\s*:\s*"(batch|transaction)"')
_OF_INSTANCE = ("read", "vread", "history-instance", "update", "patch", "delete", "operation")

Crash = Callable[[Request, Exception], Awaitable[Response]]


class AuditTrail:
    """The outermost layer of the application; nothing that a route raises gets past it."""

    def __init__(
        self,
        app: ASGIApp,
        recorder: AuditRecorder,
        home: str,
        server: str,
        clock: Callable[[], datetime],
        crash: Crash,
    ) -> None:
        self._app = app
        self._recorder = recorder
        self._home = home
        self._server = server
        self._clock = clock
        self._crash = crash

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        scope.setdefault("state", {})
        segments = [part for part in scope["path"].split("/") if part]
        exchange = _Exchange(scope, receive, send, segments, self._access(scope, kind_of(scope["method"], segments)))
        exchange.scope["state"]["request_id"] = exchange.seen.access.request_id
        exchange.audited = exchange.kind != ""
        exchange.finished = self._finished
        token = witness.set(lambda unit: self._recorder.within(unit, exchange.named())) if exchange.audited else None
        try:
            await self._serve(exchange)
        finally:
            if token is not None:
                witness.reset(token)

    async def _serve(self, exchange: "_Exchange") -> None:
        try:
            await self._app(exchange.scope, exchange.receive, exchange.send)
        except Exception as fault:
            if exchange.started:
                # Too late for another answer. Raised anew: the fault's own text and frames may hold what was charted.
                raise ConnectionAbortedError("the answer broke off") from None
            told = HTTPException(400, "the request broke off") if isinstance(fault, ClientDisconnect) else fault
            answer = await self._crash(Request(exchange.scope), told)
            with suppress(OSError):  # the client is gone
                await answer(exchange.scope, exchange.receive, exchange.send)

    def _access(self, scope: Scope, kind: str) -> Access:
        given = scope["state"].get("request_id") or Headers(scope=scope).get(REQUEST_ID, "")
        client = scope.get("client")
        return Access(
            kind=kind,
            at=self._clock(),
            request_id=given if _TOKEN.fullmatch(given) else str(uuid4()),
            status=200,
            client=str(client[0]) if client else "",
            server=self._server,
        )

    def _finished(self, exchange: "_Exchange") -> None:
        """The whole answer is known: let it be recorded, before its last part leaves."""
        if not exchange.audited or (exchange.status < 400 and exchange.of_no_patient):
            return
        seen = exchange.complete()
        if not seen.recorded or exchange.status >= 400 or seen.keys or seen.course_ids:
            self._recorder.note(exchange.scope["state"].get("site", self._home), seen)


class _Exchange:
    """One request and its answer, as they pass."""

    def __init__(self, scope: Scope, receive: Receive, send: Send, segments: list[str], access: Access) -> None:
        self.scope = scope
        self._receive = receive
        self._send = send
        self.status = 0
        self.started = self.audited = False
        self.finished: Callable[[_Exchange], None] = lambda _: None
        self._form = bytearray()
        self._parts: list[bytes] = []
        self._watched = False
        self._segments = segments
        self.kind = access.kind
        self._keeps_form = self._segments[-1:] == ["_search"]
        self._is_bundle = self.kind == "transaction"
        self.seen = Seen(access)

    @property
    def of_no_patient(self) -> bool:
        """Whether what is served here is not about patients."""
        return len(self._segments) > 1 and self._segments[0] == "fhir" and self._segments[1] in _OF_NO_PATIENT

    async def receive(self) -> Message:
        """A part of the request; a search by form is kept, and the beginning of a Bundle, which says its type."""
        message = await self._receive()
        if (self._keeps_form or self._is_bundle) and len(self._form) < LARGEST_FORM_KEPT:
            self._form += message.get("body", b"")
        return message

    async def send(self, message: Message) -> None:
        """A part of the answer."""
        if message["type"] == "http.response.start":
            self.started, self.status = True, message["status"]
            headers = MutableHeaders(scope=message)
            headers[REQUEST_ID] = self.seen.access.request_id
            self._watched = self.audited and self.status < 300 and "json" in headers.get("content-type", "")
        elif message["type"] == "http.response.body":
            if self._watched:
                self._parts.append(message.get("body", b""))
            if not message.get("more_body", False):
                self.finished(self)
        await self._send(message)

    def named(self) -> Seen:
        """What was asked and by whom, as far as the routes have told by now."""
        kind, who = self._kind_and_who()
        self.seen.access = replace(self.seen.access, kind=kind, who=who)
        return self.seen

    def _kind_and_who(self) -> tuple[str, str]:
        state = self.scope["state"]
        kind = state.get("interaction", self.kind)
        if self._is_bundle and (said := _BUNDLE_TYPE.search(self._form)):
            kind = said[1].decode()
        return kind, state.get("audited_client", "")

    def complete(self) -> Seen:
        """What was asked and shown, now that the answer is known."""
        kind, who = self._kind_and_who()
        body = b"".join(self._parts)
        self._parts.clear()
        own = self._own_key() if kind in _OF_INSTANCE else None
        query = kind in ("search-type", "search-system", "query") or bool(self.scope.get("query_string"))
        self.seen.access = replace(
            self.seen.access,
            kind=kind,
            who=who,
            status=self.status,
            request=self._request() if query else "",
            cleaned=_self_link(body),
            data=(self._reference(own),) if own else (),
        )
        self.seen.keys = frozenset(_shown(body) | ({own} if own else set()))
        found = {each.decode() for each in _COURSE.findall(body)} if self._segments[:1] != ["fhir"] else set()
        self.seen.course_ids = frozenset(found | set(self.scope["state"].get("shown_courses", ())))
        return self.seen

    def _own_key(self) -> tuple[str, str] | None:
        if len(self._segments) < 3 or not re.fullmatch(r"[A-Z][A-Za-z]{1,63}", self._segments[1]):
            return None
        id_ = self._segments[2]
        return (self._segments[1], id_) if re.fullmatch(r"[A-Za-z0-9.-]{1,64}", id_, re.ASCII) else None

    def _reference(self, own: tuple[str, str]) -> str:
        version = self._segments[4] if self.kind == "vread" else ""
        return "/".join((*own, "_history", version)) if version.isascii() and version.isdecimal() else "/".join(own)

    def _request(self) -> str:
        query = self.scope.get("query_string", b"").decode("latin-1")
        line = f"{self.scope['method']} {self.scope['path']}{'?' if query else ''}{query}"
        return f"{line}\n\n{self._form.decode('latin-1')}" if self._keeps_form and self._form else line


def _shown(body: bytes) -> set[tuple[str, str]]:
    """Resources in an answer. They begin with type and id, and no text of JSON can hold such a beginning."""
    found = set()
    at = body.find(_MARK)  # several times faster over a large page than the expression alone
    while at >= 0:
        if begin := _RESOURCE.match(body, at):
            found.add((begin[1].decode(), begin[2].decode()))
        at = body.find(_MARK, at + len(_MARK))
    return found


def _self_link(body: bytes) -> str:
    """The search as it was parsed: self link, database query and this come from one object."""
    found = _SELF.search(body)
    return str(orjson.loads(found[1])) if found else ""


def kind_of(method: str, segments: list[str]) -> str:
    """Kind of access (`audit_event.KINDS`) by verb and path; empty for what concerns no patient."""
    match segments:
        case []:
            return "query"  # the start page lists courses
        case ["fhir", *rest]:
            return _kind_below_fhir(method, rest)
        case ["auth", "token"]:
            return "operation"
        case ["intake" | "ward", "plan", *_]:
            return ""
        case ["intake", "preview"]:
            return "preview"
        case ["intake", "courses", _] if method in ("GET", "HEAD"):
            return "patient-record"
        case ["ward", "courses", _, *_] | ["chart", "courses", _] if method in ("GET", "HEAD"):
            return "patient-record"
        case ["chart", *_]:
            return "query"
        case ["intake" | "ward", *_]:
            return "query" if method in ("GET", "HEAD") else "import"
    return ""


_BY_VERB = {"POST": "create", "PUT": "update", "PATCH": "patch", "DELETE": "delete"}


def _kind_below_fhir(method: str, segments: list[str]) -> str:
    if any(part.startswith("$") for part in segments):
        return "operation"
    match segments:
        case []:
            return "transaction" if method == "POST" else "search-system"
        case ["_search"]:
            return "search-system"
        case ["_history"]:
            return "history-system"
        case [_, _, "_history"]:
            return "history-instance"
        case [_, _, "_history", _]:
            return "vread"
        case [_, "_search"] | [_, _, _, *_]:
            return "search-type"
        case [_]:
            return _BY_VERB.get(method, "search-type")
    return _BY_VERB.get(method, "read")


def require_record(full: bool) -> None:
    """HTTPException 503 while so many accesses wait to be recorded that none more may take place."""
    if full:
        raise HTTPException(503, "accesses cannot be recorded at the moment, so that none may take place")


def request_id_of(request: Request) -> str:
    """The id of a request, for logs."""
    found: Any = request.scope.get("state", {}).get("request_id", "")
    return str(found)
