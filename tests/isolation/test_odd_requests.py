"""The door and the routes must mean the same by a path, however it is written.

The oracle is a table of what each route template needs, apart from `service.api.permissions`: whatever route a request
reaches, the door must have asked for that before. Interactions by verb and path: R4 http.html; their letters: SMART App
Launch 2.2.0. Odd forms of requests: RFC 9112 (request targets, framing), RFC 9110 (HEAD, OPTIONS, methods), RFC 6750.
"""

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote, unquote

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from starlette.testclient import TestClient

from service.access.gate import Access
from service.api import door
from service.api.app import create_app
from service.api.limits import Limits
from service.api.sites import SitePart
from service.config import Settings
from tests.isolation.installations import NOW, documents, routes_of
from tests.signing_in import EVERYTHING, signed_in

FHIR = "application/fhir+json"
READ, CHART = {"intake:read"}, {"chart-link:create"}
PUBLISHED = {
    *("CapabilityStatement", "CodeSystem", "ConceptMap", "ImplementationGuide", "Measure", "NamingSystem"),
    *("OperationDefinition", "Questionnaire", "SearchParameter", "StructureDefinition", "ValueSet"),
}
# Routes that show and take nothing of a patient, or that ask for each thing themselves once they have read the body.
FREE = re.compile(
    r"/|/health|/fhir/?|/fhir/metadata|/fhir/\$\{name\}|/fhir/\{resource_type\}(/\{resource_id\})?/\$\{name\}|"
    r"/fhir/\{resource_type\}/\$validate|/intake/plan(/sheet)?|/ward/(plan|static/.*)|"
    r"/fhir/(?:(Patient|Group/\{group_id\})/)?\$export|/fhir/\$export-status/\{job_id\}(/\{name\})?"
)
BY_TEMPLATE = {
    ("POST", "{type}/_search"): "search-type",
    ("GET", "{type}/{id}/_history"): "history-instance",
    ("GET", "{type}/{id}/_history/{version}"): "vread",
    ("GET", "{type}/$lastn"): "search-type",
    ("GET", "{type}/$status"): "read",
    ("GET", "{type}/{id}"): "read",
    ("GET", "{type}"): "search-type",
    ("POST", "{type}"): "create",
    ("POST", "{type}/{id}"): "create",  # refused, whatever the token
    ("PUT", "{type}"): "update search-type",
    ("PUT", "{type}/{id}"): "update",
    ("PATCH", "{type}"): "patch search-type",
    ("PATCH", "{type}/{id}"): "patch",
    ("DELETE", "{type}"): "delete search-type",
    ("DELETE", "{type}/{id}"): "delete",
}


def needed(method: str, template: str, parameters: dict[str, str]) -> set[Any]:
    """What a route must have been granted, by its template and what its variables were filled with."""
    if FREE.fullmatch(template):
        return set()
    if template == "/intake/preview":
        return READ
    if template.startswith(("/intake/", "/ward")):
        return READ if method in ("GET", "HEAD") else {"intake:write"}
    if template == "/chart/links":
        return CHART
    parts = template.removeprefix("/fhir/").split("/")
    if not can_be(parameters):
        return set()
    type_ = parameters.get("resource_type", "") if parts[0].startswith("{") else parts[0]
    if type_ in PUBLISHED:
        return set()
    shape = ["{type}", *("{version}" if each == "{version_id}" else each for each in parts[1:])]
    shape[1:2] = ["{id}"] if len(shape) > 1 and re.fullmatch(r"\{\w*_id\}", shape[1]) else shape[1:2]
    verb = "GET" if method == "HEAD" else method
    if len(shape) == 3 and shape[2].startswith("$"):
        return {(type_, "read")}  # an operation on one resource, by GET or POST
    verb = "GET" if shape[-1].startswith("$") else verb
    return {(type_, each) for each in BY_TEMPLATE[verb, "/".join(shape)].split()}


def can_be(parameters: dict[str, str]) -> bool:
    """Whether anything can go by these names: a type begins with a capital, an id is of R4 datatypes.html#id."""
    forms = {"resource_type": "[A-Z][A-Za-z]+", "version_id": ".*"}
    return all(re.fullmatch(forms.get(name, r"[A-Za-z0-9.-]{1,64}"), value) for name, value in parameters.items())


class Watched:
    """A service whose door and routes are looked at: what was asked at the door, which route was reached."""

    def __init__(self, http: TestClient, token: dict[str, str], routes: list[tuple[str, str]]) -> None:
        self.http, self.token, self.routes = http, token, routes
        self.asked: set[Any] = set()
        self.reached: tuple[str, dict[str, str]] | None = None

    def ask(self, method: str, path: str) -> int:
        """Send it with a token for everything; the route that was reached must be what the door asked for."""
        self.asked, self.reached = set(), None
        status = self._status(method, path)
        if self.reached is not None:
            template, parameters = self.reached
            missing = needed(method, template, parameters) - self.asked
            told = f"{method} {path!r} reached {template} {parameters}"
            assert not missing, f"{told}; not asked for {missing}"
            if not (can_be(parameters) or FREE.fullmatch(template) or template.endswith("$validate")):
                assert status >= 400, f"{told}, which can name nothing, and was answered {status}"
        return status

    def _status(self, method: str, target: str) -> int:
        """Hand the request over as the server does: no client library mends the path on its way."""
        raw, _, query = target.partition("?")
        headers = {"host": "127.0.0.1:8080", "content-type": FHIR, "content-length": "2"} | self.token
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
            "path": unquote(raw), "raw_path": raw.encode(), "query_string": query.encode(), "root_path": "",
            "client": ("127.0.0.1", 50_000), "server": ("127.0.0.1", 8080), "state": {},
            "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
        }  # fmt: skip
        answered: list[int] = []

        async def receive() -> Any:
            return {"type": "http.request", "body": b"{}", "more_body": False}

        async def send(message: Any) -> None:
            if message["type"] == "http.response.start":
                answered.append(message["status"])

        assert self.http.portal is not None
        self.http.portal.call(self.http.app, scope, receive, send)
        return answered[0]


@pytest.fixture(scope="module")
def watched(tmp_path_factory):
    chosen = Settings(database_url=f"sqlite:///{tmp_path_factory.mktemp('odd')}/odd.sqlite3")
    token = signed_in(chosen, NOW)
    app = create_app(chosen, lambda: NOW, limits=Limits(requests_per_minute=0))
    with TestClient(app, base_url="http://127.0.0.1:8080", raise_server_exceptions=False) as http:
        looked_at = Watched(http, token, routes_of(app))
        with pytest.MonkeyPatch.context() as patch:
            watch(patch, app, looked_at)
            yield looked_at


def watch(patch: pytest.MonkeyPatch, app: Any, seen: Watched) -> None:
    """Note what the door asks for and which route it leads to; neither does anything else than before."""
    home = app.state.sites.home

    async def inside(scope: Any, receive: Any, send: Any) -> None:
        try:
            await home.app(scope, receive, send)
        finally:
            if (route := scope.get("route")) is not None:
                seen.reached = route.path, dict(scope["path_params"])

    def asked(access: Access, *others: Any) -> None:
        class Noting:
            def require(self, *asked: str) -> None:
                seen.asked.add(asked)
                access.require(*asked)

            def require_own(self, scope: str) -> None:
                seen.asked.add(scope)
                access.require_own(scope)

        permitted(Noting(), *others)  # it is asked for nothing else

    permitted = door.require_permission
    patch.setitem(app.state.sites._parts, "demo", SitePart(home.workflow, inside))
    patch.setattr(door, "require_permission", asked)


TYPES = ("Patient", "Observation", "$x", "metadata", "AuditEvent", "Subscription", "_history")
WORDS = ("x", "$x", "$lastn", "_search", "_history", ".x", "plan")


def paths_of(template: str) -> list[str]:
    """The template filled as it is meant to be, then with words that mean something elsewhere in a path."""
    first = re.sub(r"\{\w+\}", "x", template.replace("{resource_type}", "Patient"))
    types = [template.replace("{resource_type}", each) for each in TYPES]
    filled = [re.sub(r"\{\w+\}", word, each) for each in types for word in WORDS]
    return [first, *sorted(set(filled) - {first})]


def written_otherwise(path: str) -> Iterator[str]:
    """The same path, or nearly, as somebody who looks for a gap would write it."""
    yield path
    yield re.sub(r"[A-Za-z]", lambda letter: f"%{ord(letter[0]):02x}", path, count=2)
    yield path.replace("$", "%24").replace("_", "%5F")
    yield path[0] + path[1:].replace("/", "%2F", 1)
    yield path[0] + path[1:].replace("/", "%252F", 1)
    yield from (
        path + end for end in ("/", "//", "%0A", "%0D", "%09", "%20", "%00", "%3F", "%23", ";x", "/.", "%2E", "\\")
    )
    yield from (before + path for before in ("/", "/.", "/x/..", "/%2F", "/%0A", "/%09"))
    yield path.replace("/", "//")
    yield path.replace("/", "/%09")
    yield path.replace("/", "/./")
    yield path.upper()
    yield path.swapcase()


def test_every_route_however_its_path_is_written_is_reached_only_as_the_door_saw_it(watched):
    reached, asked = set(), 0
    for method, template in watched.routes:
        if template in ("/auth/token", "/metrics", "/live", "/ready", "/health") or template.startswith("/chart/"):
            continue  # outside the door, or asked below
        first, *others = paths_of(template)
        for path in (*(written_otherwise(first) if method != "HEAD" else ()), *others):
            watched.ask(method, path)
            asked += 1
            reached.add(watched.reached and watched.reached[0])
    assert asked > 3000
    assert len(reached) > 40


PIECES = some.sampled_from(
    [
        *(
            "/",
            "//",
            "%2F",
            "fhir",
            "Patient",
            "Observation",
            "metadata",
            "intake",
            "courses",
            "plan",
            "preview",
            "ward",
        ),
        *(
            "chart",
            "links",
            "$lastn",
            "$everything",
            "_history",
            "_search",
            "x",
            "1",
            "..",
            ".",
            "%0A",
            "%09",
            "%0D",
            "?",
        ),
        *("%3F", "%23", "%00", "%ff", "%C4%B1", ";", "\\", "%5C", "@", ":", "http:", "127.0.0.1", "%24", "FHIR", " "),
    ]
)


@settings(max_examples=400)
@given(
    method=some.sampled_from(["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "QUERY", "TRACE", "LINK"]),
    pieces=some.lists(PIECES, min_size=1, max_size=9),
)
def test_no_path_of_odd_pieces_leads_past_the_door(watched, method, pieces):
    watched.ask(method, "/" + quote("".join(pieces), safe="%/?:;@\\$"))


# Bundles: a second way to the same routes


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    """A service with a course, tokens for everything, for as good as nothing and for Observations; the patient's id."""
    chosen = Settings(
        database_url=f"sqlite:///{tmp_path_factory.mktemp('ward')}/ward.sqlite3",
        allowed_origins=("https://board.example",),
    )
    everything, nothing = signed_in(chosen, NOW, EVERYTHING), signed_in(chosen, NOW, "system/Device.d")
    observations = signed_in(chosen, NOW, "system/Observation.cruds")
    with TestClient(create_app(chosen, lambda: NOW), base_url="http://127.0.0.1:8080") as http:
        sent = http.post("/intake/courses", content=documents("01")[0], headers=everything | JSON)
        assert sent.status_code == 201, sent.text
        patient = http.get("/fhir/Patient", headers=everything).json()["entry"][0]["resource"]["id"]
        yield http, everything, nothing, observations, patient


JSON = {"Content-Type": "application/json"}
FHIR_BODY = {"Content-Type": FHIR}
ENDS = ("", "/", "\n", "\r", "\t", " ", "\x00", "#", ";x", "\\", "\u2028", "\x85", "%0A")


def entries_got(http: TestClient, token: dict[str, str], urls: list[str], method: str = "GET") -> list[Any]:
    entries = [{"request": {"method": method, "url": url}} for url in urls]
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": entries}
    answer = http.post("/fhir", content=orjson.dumps(bundle), headers=token | {"Content-Type": FHIR})
    return answer.json()["entry"]


def test_no_entry_of_a_bundle_however_written_reaches_what_the_token_does_not_cover(ward):
    http, everything, nothing, _, patient = ward
    paths = [
        ("Observation", f"patient={patient}"),
        ("Observation/$lastn", f"patient={patient}&category=exam"),
        (f"Patient/{patient}", ""),
        (f"Patient/{patient}/_history", ""),
        (f"Patient/{patient}/_history/1", ""),
        (f"Patient/{patient}/$everything", ""),
    ]
    assert all(each["response"]["status"] == "200 OK" for each in entries_got(http, everything, joined(paths, "")))
    for end in ENDS:
        for before in ("", "/", "//", "./", "/fhir/", "http://127.0.0.1:8080/fhir/", "\n", "metadata/../"):
            urls = [before + url for url in joined(paths, end)]
            for url, got in zip(urls, entries_got(http, nothing, urls), strict=True):
                assert "resource" not in got, f"{url!r} was answered to a token for nothing"
                assert got["response"]["status"][:3] in ("307", "400", "403", "404", "405"), url


def joined(paths: list[tuple[str, str]], end: str) -> list[str]:
    return [f"{path}{end}?{query}" if query else path + end for path, query in paths]


# Methods, headers, browsers


@pytest.mark.parametrize("name", ["X-HTTP-Method-Override", "X-HTTP-Method", "X-Method-Override"])
def test_a_header_does_not_make_another_method_of_a_request(ward, name):
    http, everything, _, _, patient = ward
    for asked in ("DELETE", "PUT", "PATCH"):
        answer = http.get(f"/fhir/Patient/{patient}", headers=everything | {name: asked})
        assert answer.status_code == 200
        assert answer.json()["id"] == patient
    assert http.get(f"/fhir/Patient/{patient}/_history", headers=everything).json()["entry"][1:] == []


@pytest.mark.parametrize("name", ["X-Original-URL", "X-Rewrite-URL", "X-Forwarded-Prefix", "X-Forwarded-Uri"])
def test_a_header_does_not_make_another_path_of_a_request(ward, name):
    http, _, nothing, *_ = ward
    for headers in ({}, nothing):
        assert http.get("/fhir/metadata", headers=headers | {name: "/fhir/Patient"}).json()["kind"] == "instance"
        refused = http.get("/fhir/Patient", headers=headers | {name: "/fhir/metadata"})
        assert refused.status_code == (403 if headers else 401)


def test_neither_head_nor_options_nor_an_unknown_method_opens_a_route_without_a_token(ward):
    http = ward[0]
    templates = {template for _, template in routes_of(http.app)}
    outside = {"/live", "/ready", "/metrics", "/health", "/auth/token", "/fhir/.well-known/smart-configuration"}
    asked = 0
    for template in templates - outside:
        path = re.sub(r"\{(\w+)\}", "x", template.replace("{resource_type}", "Patient"))
        for method in ("HEAD", "OPTIONS", "TRACE", "QUERY", "PROPFIND"):
            answer = http.request(method, path, follow_redirects=False)
            open_one = path in ("/", "/fhir/metadata") and method == "HEAD"
            assert answer.status_code in ((200, 405) if open_one else (401, 405)), (method, path)
            assert method != "HEAD" or not answer.content
            asked += 1
    assert asked > 200


def test_head_tells_no_more_than_get_to_a_token_that_does_not_cover_it(ward):
    http, everything, nothing, _, patient = ward
    for path in (
        f"/fhir/Patient/{patient}",
        "/fhir/Patient",
        "/intake/courses",
        f"/fhir/Patient/{patient}/$everything",
    ):
        there, not_there = http.head(path, headers=nothing), http.head(f"{path}0", headers=nothing)
        assert there.status_code == 403
        assert "etag" not in there.headers
        assert "last-modified" not in there.headers
        if path.startswith("/fhir/Patient/"):
            assert there.headers["content-length"] == not_there.headers["content-length"]
        assert http.get(path, headers=everything).status_code == 200


@pytest.mark.parametrize(
    "origin",
    [
        "null",
        "https://board.example.evil.example",
        "https://evil-board.example",
        "http://board.example",
        "https://BOARD",
    ],
)
def test_another_origin_is_allowed_nothing_with_a_token_or_without(ward, origin):
    http, everything, *_ = ward
    for headers in ({}, everything):
        answer = http.get("/fhir/Patient", headers=headers | {"Origin": origin, "Cookie": "a=b"})
        assert "access-control-allow-origin" not in answer.headers
        assert "access-control-allow-credentials" not in answer.headers
    asked = {
        "Origin": origin,
        "Access-Control-Request-Method": "GET",
        "Access-Control-Request-Headers": "authorization",
    }
    refused = http.options("/fhir/Patient", headers=asked)
    assert refused.status_code == 400
    assert "access-control-allow-origin" not in refused.headers


def test_the_allowed_origin_is_never_allowed_the_credentials_of_the_browser(ward):
    http, everything, *_ = ward
    origin = {"Origin": "https://board.example"}
    preflight = http.options("/fhir/Patient", headers=origin | {"Access-Control-Request-Method": "GET"})
    read = http.get("/fhir/Patient", headers=origin | everything)
    without = http.get("/fhir/Patient", headers=origin | {"Cookie": "session=x"})
    assert [each.status_code for each in (preflight, read, without)] == [200, 200, 401]
    for answer in (preflight, read, without):
        assert answer.headers["access-control-allow-origin"] == "https://board.example"
        assert "access-control-allow-credentials" not in answer.headers
    delete = http.options("/fhir/Patient", headers=origin | {"Access-Control-Request-Method": "DELETE"})
    assert delete.status_code == 400


def test_a_chain_through_the_patient_needs_the_search_of_patients_wherever_it_stands(ward):
    """`patient.identifier=` tells whose a resource is: in a search, a condition, a Bundle, a filter of an export."""
    http, everything, _, without, patient = ward
    own = http.get(f"/fhir/Patient/{patient}", headers=everything).json()["identifier"][0]
    chain = f"patient.identifier={own['system']}|{own['value']}"
    sent = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, "valueString": "x"}
    put = {"resource": sent, "request": {"method": "PUT", "url": f"Observation?{chain}"}}
    post = {"resource": sent, "request": {"method": "POST", "url": "Observation", "ifNoneExist": chain}}
    get = {"request": {"method": "GET", "url": f"Observation?{chain}"}}
    condition, wish = {"If-None-Exist": chain}, {"Prefer": "respond-async"}
    filtered = quote(f"Observation?{chain}", safe="")
    told = {
        "search": http.get(f"/fhir/Observation?{chain}", headers=without),
        "operation": http.get(f"/fhir/Observation/$lastn?category=exam&{chain}", headers=without),
        "update": http.put(f"/fhir/Observation?{chain}", json=sent, headers=without | FHIR_BODY),
        "create": http.post("/fhir/Observation", json=sent, headers=without | FHIR_BODY | condition),
        "export": http.get(f"/fhir/$export?_typeFilter={filtered}", headers=without | wish),
    }
    found = {name: answer.status_code for name, answer in told.items()}
    for name, entry in {"bundled get": get, "bundled update": put, "bundled create": post}.items():
        for kind in ("batch", "transaction"):
            bundle = {"resourceType": "Bundle", "type": kind, "entry": [entry]}
            answer = http.post("/fhir", json=bundle, headers=without | FHIR_BODY)
            found[f"{name}, {kind}"] = answer.status_code if kind == "transaction" else status_of_entry(answer)
    assert found == dict.fromkeys(found, 403)


def status_of_entry(answer: Any) -> int:
    return int(answer.json()["entry"][0]["response"]["status"][:3])
