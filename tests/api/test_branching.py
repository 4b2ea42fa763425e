"""Looking routes up by the beginning of a path leaves the framework's choice as it is."""

from itertools import product

import pytest
from fastapi import APIRouter, FastAPI
from starlette.responses import PlainTextResponse
from starlette.routing import Mount
from starlette.testclient import TestClient

from service.api.branching import Branches, joined
from service.api.routing import PathRoute

TEMPLATES = (
    "/fhir", "/fhir/", "/fhir/metadata", "/fhir/Patient", "/fhir/Patient/$match", "/fhir/{type}/_search",
    "/fhir/{type}", "/fhir/{type}/{id}", "/fhir/Group/{id}/$export", "/fhir/{type}/{id}/_history",
    "/fhir/{type}/{id}/_history/{version}", "/ward/", "/ward/courses/{id}.svg", "/ward/courses/{id}",
    "/files/{rest:path}", "/{first}", "/intake/courses/{id}/entries",
)  # fmt: skip
WORDS = ("", "fhir", "metadata", "Patient", "$match", "_search", "_history", "ward", "courses", "x.svg", "files", "7")


def routes():
    """One route a template and method, in an order in which several fit many paths."""
    router = APIRouter()
    for template in TEMPLATES:
        for method in ("GET", "POST") if "{" in template else ("GET",):

            async def answer(told=f"{method} {template}"):
                return PlainTextResponse(told)

            router.add_api_route(template, answer, methods=[method])
    return router


def serving(router):
    app = FastAPI(openapi_url=None)
    app.mount("/", router)
    return TestClient(app, follow_redirects=False)


def told(client, method, path):
    answer = client.request(method, f"http://testserver{path}")
    return answer.status_code, answer.text, answer.headers.get("location"), answer.headers.get("allow")


def test_every_path_is_answered_as_by_the_routes_in_turn():
    plain, branches = serving(routes()), serving(Branches(routes()))
    paths = {f"/{'/'.join(words)}" for count in range(1, 5) for words in product(WORDS, repeat=count)}
    asked = [(method, path) for path in sorted(paths)[::7] for method in ("GET", "POST")]
    answers = [told(plain, *each) for each in asked]
    assert {status for status, *_ in answers} == {200, 307, 404, 405}
    assert [told(branches, *each) for each in asked] == answers


@pytest.mark.parametrize("path", ["/fhir/%0A", "/fhir/Patient%0A", "/fhir//Patient", "/%66hir/Patient", "/fhir/ "])
def test_odd_paths_reach_no_route_that_others_do_not(path):
    plain, branches = serving(routes()), serving(Branches(routes()))
    assert told(branches, "GET", path)[0] in (told(plain, "GET", path)[0], 404)


def test_what_comes_last_takes_what_no_route_knows():
    async def door(scope, receive, send):
        await PlainTextResponse(f"door {scope['path']}")(scope, receive, send)

    client = serving(Branches(routes(), last=[Mount("/", door)]))
    assert told(client, "GET", "/fhir/Patient")[:2] == (200, "GET /fhir/Patient")
    assert told(client, "GET", "/nowhere/at/all")[:2] == (200, "door /nowhere/at/all")


def test_joined_routers_keep_their_order():
    first, second = APIRouter(prefix="/a"), APIRouter(prefix="/b")
    for router in (first, second):
        router.add_api_route("/{x}", lambda: None)
    assert [route.path for route in joined(second, first).routes] == ["/b/{x}", "/a/{x}"]


def test_a_route_gives_its_endpoint_the_request_and_the_segments_it_names():
    async def shown(request, two, one):
        return PlainTextResponse(f"{request.method} {one} {two}")

    router = APIRouter(route_class=PathRoute)
    router.add_api_route("/{one}/{two}", shown)
    assert serving(router).get("/a/b").text == "GET a b"


def test_an_endpoint_that_asks_for_what_no_path_gives_is_no_route():
    async def greedy(body):
        return PlainTextResponse(body)

    with pytest.raises(TypeError, match="gives no body"):
        APIRouter(route_class=PathRoute).add_api_route("/{one}", greedy)
