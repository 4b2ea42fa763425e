"""A receiving FHIR server that behaves: ids of its own, atomic conditional creates, references checked, all or nothing.

It shares no code with the service, so that it can disagree with it. What it does follows
http://hl7.org/fhir/R4/http.html (#trules, #ccreate, #update). Every accepted body is kept in order, a repeated PUT
makes another version. A seeded plan lets it fail in the ways in which servers fail.
"""

import json
import random
import re
import ssl
import threading
import time
import uuid
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

Tree = dict[str, Any]
FAULTS = ("slow", "429", "429-date", "503", "500", "422", "cut", "cut-stored", "stored-timeout", "dies")
UPDATE = ("create", "update")
_REFERENCE = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9.-]{1,64})")
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")


class Refusal(Exception):
    """What the server will not do."""

    def __init__(self, status: int, code: str, diagnostics: str) -> None:
        super().__init__(diagnostics)
        self.status = status
        self.outcome = {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": "error", "code": code, "diagnostics": diagnostics}],
        }


@dataclass
class Records:
    """Everything stored: (type, id) -> bodies in the order in which they came; business identifiers -> ids."""

    bodies: dict[tuple[str, str], list[Tree]] = field(default_factory=dict)
    identifiers: dict[tuple[str, str, str], set[str]] = field(default_factory=dict)

    def current(self, key: tuple[str, str]) -> Tree:
        return self.bodies[key][-1]

    def found(self, type_: str, system: str, value: str) -> list[str]:
        return sorted(self.identifiers.get((type_, system, value), ()))

    def put(self, key: tuple[str, str], body: Tree) -> None:
        self.bodies.setdefault(key, []).append(body)
        for each in body.get("identifier", ()):
            self.identifiers.setdefault((key[0], each.get("system", ""), each["value"]), set()).add(key[1])


class Server:
    """The behaviour, without a socket."""

    def __init__(self, assigns_ids: bool) -> None:
        self.assigns_ids = assigns_ids
        self.records = Records()
        self.lock = threading.Lock()
        self.transactions = 0

    def patient(self, system: str, value: str) -> str:
        """A Patient of the hospital's own, as registered at its front desk."""
        own = str(uuid.uuid4())
        with self.lock:
            self.records.put(("Patient", own), {"resourceType": "Patient", "id": own,
                                                "identifier": [{"system": system, "value": value}]})  # fmt: skip
        return own

    def transaction(self, bundle: Tree) -> Tree:
        if bundle.get("resourceType") != "Bundle" or bundle.get("type") != "transaction":
            raise Refusal(400, "invalid", "a transaction is wanted here")
        with self.lock:
            entries = bundle.get("entry", [])  # nobody else has it: the body of one request
            settled = [self._settle(each) for each in entries]
            keys = [(each["resource"]["resourceType"], own) for each, (own, _) in zip(entries, settled, strict=True)]
            if len(set(keys)) != len(keys):
                raise Refusal(400, "duplicate", "two entries are about the same resource")
            places = {each["fullUrl"]: "/".join(key) for each, key in zip(entries, keys, strict=True)}
            written = [(key, each["resource"]) for key, each, (_, writes) in zip(keys, entries, settled, strict=True)
                       if writes]  # fmt: skip
            new = {key for key, _ in written}
            for key, resource in written:
                self._link(resource, places, new)
                resource["id"] = key[1]
            self._look_for_doubles(written)
            for key, resource in written:
                self.records.put(key, resource)
            self.transactions += 1
            answers = []
            for key, (_, writes), each in zip(keys, settled, entries, strict=True):
                versions = len(self.records.bodies[key])
                created = writes and versions == 1
                location = f"{'/'.join(key)}/_history/{versions}"
                answers.append({"response": {"status": "201 Created" if created else "200 OK", "location": location}})
                assert each["request"]["method"] in ("PUT", "POST")
        return {"resourceType": "Bundle", "type": "transaction-response", "entry": answers}

    def _settle(self, entry: Tree) -> tuple[str, bool]:
        """The id of what an entry is about, and whether it is written."""
        request, resource = entry["request"], entry["resource"]
        type_ = resource["resourceType"]
        if request["method"] == "PUT":
            named, _, own = request["url"].partition("/")
            if named != type_ or resource.get("id") != own or not _ID.fullmatch(own):
                raise Refusal(400, "invalid", f"{request['url']} is not the address of the resource")
            if self.assigns_ids and (type_, own) not in self.records.bodies:
                raise Refusal(405, "not-supported", f"{request['url']}: ids are given here")
            return own, True
        if request["url"] != type_ or "id" in resource:
            raise Refusal(400, "invalid", "a create has a type and no id")
        found = self._answers(type_, request["ifNoneExist"])
        if len(found) > 1:
            raise Refusal(412, "multiple-matches", "several resources answer ifNoneExist")
        return (found[0], False) if found else (str(uuid.uuid4()), True)

    def _answers(self, type_: str, query: str) -> list[str]:
        (value,) = parse_qs(query, strict_parsing=True)["identifier"]
        parts = re.split(r"(?<!\\)\|", value)
        system, text = [re.sub(r"\\(.)", r"\1", part) for part in parts]
        return self.records.found(type_, system, text)

    def _link(self, value: Any, places: dict[str, str], new: set[tuple[str, str]]) -> None:
        """Resolve every reference or refuse the whole."""
        if isinstance(value, list):
            for each in value:
                self._link(each, places, new)
        elif isinstance(value, dict):
            text = value.get("reference")
            if isinstance(text, str):
                value["reference"] = self._resolved(text, places, new)
            for each in value.values():
                self._link(each, places, new)

    def _resolved(self, text: str, places: dict[str, str], new: set[tuple[str, str]]) -> str:
        if text in places:
            return places[text]
        type_, mark, query = text.partition("?")
        if mark:
            found = self._answers(type_, query)
            if len(found) != 1:
                raise Refusal(412, "not-found", f"{len(found)} resources answer a conditional reference to {type_}")
            return f"{type_}/{found[0]}"
        form = _REFERENCE.fullmatch(text)
        if form is None or ((key := (form[1], form[2])) not in self.records.bodies and key not in new):
            raise Refusal(422, "not-found", f"{text} leads nowhere")
        return text

    def _look_for_doubles(self, written: list[tuple[tuple[str, str], Tree]]) -> None:
        for (type_, own), resource in written:
            for each in resource.get("identifier", ()):
                if set(self.records.found(type_, each.get("system", ""), each["value"])) - {own}:
                    raise Refusal(422, "duplicate", "another resource has this identifier")

    def capabilities(self) -> Tree:
        types = ("Patient", "Encounter", "BodyStructure", "Condition", "Goal", "CarePlan", "Device", "Procedure",
                 "Observation", "DeviceUseStatement", "Task", "Flag", "DiagnosticReport", "Provenance")  # fmt: skip
        writing = {"conditionalCreate": True} if self.assigns_ids else {"updateCreate": True}
        rows = [{"type": type_, "interaction": [{"code": code} for code in UPDATE], **writing} for type_ in types]
        return {
            "resourceType": "CapabilityStatement",
            "status": "active",
            "date": "2026-03-01",
            "kind": "instance",
            "implementation": {"description": "A ward of the invented hospital at Alder Bay"},
            "software": {"name": "Receiving ward", "version": "3"},
            "fhirVersion": "4.0.1",
            "format": ["json"],
            "rest": [{"mode": "server", "resource": rows, "interaction": [{"code": "transaction"}]}],
        }


@dataclass
class Plan:
    """Which request fails, and how: `rates` are chances of each fault, drawn from a seed; `script` comes first."""

    seed: int = 0
    rates: dict[str, float] = field(default_factory=dict)
    script: list[str] = field(default_factory=list)
    slow_s: float = 0.05
    silent_s: float = 2.0  # longer than the sender's timeout
    dead_s: float = 0.3
    met: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self._chance = random.Random(self.seed)
        self._lock = threading.Lock()

    def next(self) -> str:
        with self._lock:
            fault = self.script.pop(0) if self.script else self._drawn()
            self.met[fault] += 1
            return fault

    def _drawn(self) -> str:
        mark = self._chance.random()
        for fault, rate in self.rates.items():
            mark -= rate
            if mark < 0:
                return fault
        return "none"


@dataclass
class Running:
    """A server that answers on a loopback port."""

    server: Server
    plan: Plan
    base: str = ""
    requests: list[tuple[str, str, dict[str, str]]] = field(default_factory=list)
    token: str = ""  # what is asked for, where it is
    dead_until: float = 0.0

    @property
    def records(self) -> Records:
        return self.server.records


class _Http(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 64
    allow_reuse_address = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """The other side hung up, or this one did: that is what the tests are about."""


@contextmanager
def receiver(assigns_ids: bool = False, plan: Plan | None = None, tls: ssl.SSLContext | None = None):
    running = Running(Server(assigns_ids), plan or Plan())

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True

        def do_GET(self) -> None:
            running.requests.append(("GET", self.path, {k.lower(): v for k, v in self.headers.items()}))
            parts = urlsplit(self.path)
            if parts.path == "/fhir/metadata":
                return self._answer(200, running.server.capabilities())
            type_ = parts.path.removeprefix("/fhir/")
            if parts.query:
                with running.server.lock:
                    found = running.server._answers(type_, unquote(parts.query).replace("+", "%2B"))
                entries = [{"resource": {"resourceType": type_, "id": own}, "search": {"mode": "match"}}
                           for own in found]  # fmt: skip
                return self._answer(200, {"resourceType": "Bundle", "type": "searchset", "entry": entries})
            return self._answer(404, Refusal(404, "not-found", "nothing here").outcome)

        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            running.requests.append(("POST", self.path, {k.lower(): v for k, v in self.headers.items()}))
            if time.monotonic() < running.dead_until:
                return self._cut()
            if running.token and self.headers.get("Authorization") != f"Bearer {running.token}":
                return self._answer(401, Refusal(401, "login", "who are you?").outcome)
            if self.path != "/fhir":
                return self._answer(404, Refusal(404, "not-found", "nothing here").outcome)
            return self._transaction(running.plan.next(), json.loads(body, parse_float=str))  # digits as they were sent

        def _transaction(self, fault: str, bundle: Tree) -> None:
            if fault == "slow":
                time.sleep(running.plan.slow_s)
            elif fault in ("429", "503", "500"):
                headers = {"Retry-After": "0"} if fault == "429" else {}
                return self._answer(int(fault), Refusal(int(fault), "throttled", "not now").outcome, headers)
            elif fault == "429-date":
                at = format_datetime(datetime.now(UTC) + timedelta(seconds=0.4), usegmt=True)
                return self._answer(429, Refusal(429, "throttled", "not now").outcome, {"Retry-After": at})
            elif fault == "422":
                return self._answer(422, Refusal(422, "business-rule", "the ward sister says no").outcome)
            elif fault == "cut":
                return self._cut()
            elif fault == "dies":
                running.dead_until = time.monotonic() + running.plan.dead_s
                return self._cut()
            try:
                answer, status = running.server.transaction(bundle), 200
            except Refusal as refusal:
                answer, status = refusal.outcome, refusal.status
            if fault == "stored-timeout":
                time.sleep(running.plan.silent_s)
            if fault == "cut-stored":
                return self._cut(json.dumps(answer).encode())
            return self._answer(status, answer)

        def _cut(self, half_of: bytes = b"") -> None:
            """Hang up, in the middle of an answer where there is one."""
            self.close_connection = True
            if half_of:
                self.send_response(200)
                self.send_header("Content-Length", str(len(half_of)))
                self.end_headers()
                self.wfile.write(half_of[: len(half_of) // 2])
            self.connection.shutdown(2)

        def _answer(self, status: int, resource: Tree, headers: dict[str, str] | None = None) -> None:
            body = json.dumps(resource).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/fhir+json")
            self.send_header("Content-Length", str(len(body)))
            for name, value in (headers or {}).items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *arguments: Any) -> None:
            """Nothing is told."""

    http = _Http(("127.0.0.1", 0), Handler)
    running.base = f"http://127.0.0.1:{http.server_address[1]}/fhir"
    if tls is not None:
        http.socket = tls.wrap_socket(http.socket, server_side=True)
        running.base = f"https://localhost:{http.server_address[1]}/fhir"
    thread = threading.Thread(target=http.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True)
    thread.start()
    try:
        yield running
    finally:
        http.shutdown()
        http.server_close()
        thread.join()
