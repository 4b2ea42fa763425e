"""The published artefacts over HTTP: row 63, and rows 12, 15, 26 to 33 as far as they hold of every served resource."""

import json
from urllib.parse import quote

import pytest
from fhir.resources.R4B import get_fhir_model_class

from service.fhir.build.artefacts import artefacts
from service.fhir.validate import check_bytes
from service.terminology import load
from tests.api.whole_side import BASE, all_pages, issues, links, resources, whole_side

TERMS = load()
MADE = {(made["resourceType"], made["id"]): made for made in artefacts(TERMS)}
TYPES = sorted({type_ for type_, _ in MADE})


@pytest.fixture(scope="module")
def side(tmp_path_factory):
    with whole_side(tmp_path_factory.mktemp("artefacts")) as whole:
        yield whole


@pytest.mark.parametrize(("type_", "id_"), sorted(MADE))
def test_row_63_every_artefact_is_read_as_the_tables_make_it_and_is_sound(side, type_, id_):
    answer = side.get(f"{type_}/{id_}")
    served = answer.json()
    assert answer.status_code == 200
    assert answer.headers["etag"] == f'W/"{served["meta"]["versionId"]}"'  # row 12
    assert answer.headers["last-modified"]
    assert check_bytes(answer.content) == []
    get_fhir_model_class(type_).model_validate_json(answer.content)
    assert {key: value for key, value in served.items() if key != "meta"} == MADE[type_, id_]


def test_row_12_the_version_changes_with_the_content_and_only_then(side):
    tags = [side.get(f"{type_}/{id_}").headers["etag"] for type_, id_ in MADE]
    assert len(set(tags)) == len(tags)
    assert tags == [side.get(f"{type_}/{id_}").headers["etag"] for type_, id_ in MADE]


def test_row_15_who_has_it_is_not_sent_it_again(side):
    answer = side.get("CodeSystem/closure")
    for headers in (
        {"if_none_match": answer.headers["etag"]},
        {"if_modified_since": answer.headers["last-modified"]},
    ):
        again = side.get("CodeSystem/closure", **headers)
        assert (again.status_code, again.content) == (304, b"")
    assert side.get("CodeSystem/closure", if_none_match='W/"0"').status_code == 200


@pytest.mark.parametrize("type_", TYPES)
def test_row_27_a_search_without_parameters_gives_all_of_a_type(side, type_):
    answer = side.get(type_)
    bundle = answer.json()
    assert (bundle["type"], bundle["total"]) == ("searchset", len(resources(bundle)))
    assert {one["id"] for one in resources(bundle)} == {id_ for kind, id_ in MADE if kind == type_}
    assert all(entry["fullUrl"] == f"{BASE}/{type_}/{entry['resource']['id']}" for entry in bundle["entry"])
    assert check_bytes(answer.content) == []


@pytest.mark.parametrize(("type_", "id_"), sorted(MADE))
def test_an_artefact_is_found_by_each_of_its_parameters(side, type_, id_):
    made = MADE[type_, id_]

    def found(query):
        return [one["id"] for one in resources(side.get(f"{type_}?{query}", prefer="handling=strict").json())]

    assert found(f"url={quote(made['url'])}") == [id_]
    assert found(f"_id={id_}") == [id_]
    for query in (
        f"name={made['name'][:4].upper()}",  # row 49: a string matches from the beginning, whatever the case
        f"version={made['version']}",
        f"status={made['status']}",
        "status=" + quote(f"http://hl7.org/fhir/publication-status|{made['status']}"),
        f"url=urn:x,{quote(made['url'])}",  # row 28: a comma means or
        f"version={made['version']}&url={quote(made['url'])}",
    ):
        assert id_ in found(query), query
    for query in (
        f"url={quote(made['url'][:-1])}",  # a uri is matched whole
        "name=zzz",
        "version=0.0",
        "status=retired",
        "status=urn:x|draft",
        f"_id={id_}&status=retired",  # row 28: a repeated parameter means and
    ):
        assert id_ not in found(query), query


def test_row_26_search_by_form_is_the_same(side):
    posted = side.client.post("/fhir/ValueSet/_search?status=draft", data={"name": "Closure", "_count": "3"}).json()
    asked = side.get("ValueSet?status=draft&name=Closure&_count=3").json()
    assert posted == asked
    assert side.post("ValueSet/_search", {}).status_code == 415


def test_rows_33_and_34_pages_follow_one_another(side):
    bundles = all_pages(side, side.get("StructureDefinition?status=draft&_count=7"))
    found = [one["id"] for bundle in bundles for one in resources(bundle)]
    assert len(found) == len(set(found)) == len([1 for type_, _ in MADE if type_ == "StructureDefinition"])
    assert all(len(resources(bundle)) <= 7 for bundle in bundles)
    assert all("status=draft" in link for bundle in bundles for link in links(bundle).values())
    for counted in ("_count=0", "_summary=count"):
        bundle = side.get(f"StructureDefinition?{counted}").json()
        assert (bundle["total"], "entry" in bundle) == (len(found), False)


def test_rows_29_to_31_what_is_not_known_is_named_left_out_of_the_link_or_refused(side):
    bundle = side.get("ValueSet?colour=red&status=draft").json()
    assert "colour" in resources(bundle, "outcome")[0]["issue"][0]["diagnostics"]
    assert "colour" not in links(bundle)["self"]
    assert side.get("ValueSet?colour=red", prefer="handling=strict").status_code == 400
    for wrong in ("name:below=x", "_count=many", "_cursor=x"):
        answer = side.get(f"ValueSet?{wrong}")
        assert (answer.status_code, issues(answer)[0]["severity"]) == (400, "error"), wrong


def test_artefacts_cannot_be_written(side):
    for method, path in (
        ("POST", "ValueSet"),
        ("PUT", "ValueSet/closure"),
        ("PATCH", "ValueSet/closure"),
        ("DELETE", "ValueSet/closure"),
    ):
        answer = side.client.request(method, f"/fhir/{path}", content=b"{}")
        assert answer.status_code == 405
        assert "allow" in answer.headers
        assert issues(answer)
    assert side.get("ValueSet/other").status_code == 404
    assert side.get("ValueSet/closure", accept="text/xml").status_code == 406


def test_head_answers_like_get_without_a_body(side):
    for path in ("CodeSystem/closure", "CodeSystem"):
        head = side.client.head(f"/fhir/{path}")
        assert (head.status_code, head.content) == (200, b"")
        assert int(head.headers["content-length"]) == len(side.get(path).content)


def test_every_profile_of_ours_that_is_claimed_as_supported_can_be_read_here(side):
    others = []
    for row in side.get("metadata").json()["rest"][0]["resource"]:
        for url in row.get("supportedProfile", ()):
            if not url.startswith("https://closure-readings.example/fhir/"):
                others.append((row["type"], url))  # published by HL7, not by us
                continue
            (found,) = resources(side.get(f"StructureDefinition?url={quote(url)}").json())
            assert (found["type"], bool(found["snapshot"]["element"])) == (row["type"], True)
    backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport-subscription"
    assert others == [("Subscription", backport)]


def test_the_answers_do_not_depend_on_the_clock_or_the_database(side, tmp_path):
    with whole_side(tmp_path, "03") as other:
        assert other.get("ConceptMap/closure").content == side.get("ConceptMap/closure").content
        assert json.loads(other.get("CodeSystem").content) == json.loads(side.get("CodeSystem").content)
