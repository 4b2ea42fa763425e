"""Rows 1, 26 to 36 and 43 over HTTP: searchset Bundles and their links (https://hl7.org/fhir/R4/search.html)."""

import fhir.resources.R4B.bundle
import pytest

from tests.api.fhir_client import BASE, NOW, FhirSide, found_ids, links
from tests.store.samples import observation


@pytest.fixture
def side(tmp_path, database_url):
    opened = FhirSide(tmp_path, database_url, zone="Europe/Berlin")
    days = [f"2024-05-{number + 1:02d}T00:10:00+02:00" for number in range(12)]
    opened.save(*(observation(number, code=f"c-{number % 3}", at=day) for number, day in enumerate(days)))
    yield opened
    opened.client.close()
    opened.store.close()


def test_row_32_a_search_gives_matches_with_absolute_urls(side):
    answer = side.get("Observation?code=c-1&_sort=date")
    bundle = answer.json()
    assert answer.headers["content-type"].partition(";")[0] == "application/fhir+json"
    assert (bundle["type"], bundle["total"]) == ("searchset", 4)
    assert found_ids(bundle) == ["p-1-o-1", "p-1-o-4", "p-1-o-7", "p-1-o-10"]
    assert bundle["entry"][0]["fullUrl"] == f"{BASE}/Observation/p-1-o-1"
    assert {entry["search"]["mode"] for entry in bundle["entry"]} == {"match"}
    fhir.resources.R4B.bundle.Bundle.model_validate_json(answer.content)  # a second opinion on the form


def test_a_search_without_matches_has_no_entry_at_all(side):
    bundle = side.get("Observation?code=none").json()
    assert (bundle["total"], "entry" in bundle) == (0, False)


@pytest.mark.parametrize("text", ["patient=p-1&_count=5", "code=c-0,c-1,c-2&_count=5&_sort=-date", "_count=5"])
def test_rows_1_and_34_links_lie_on_the_public_base_and_lead_through_every_row_once(side, text):
    bundle = side.get(f"Observation?{text}").json()
    seen = found_ids(bundle)
    assert len(seen) == 5
    while "next" in links(bundle):
        bundle = side.follow(links(bundle)["next"]).json()
        assert links(bundle)["self"].startswith(f"{BASE}/Observation?")
        seen += found_ids(bundle)
    assert len(seen) == len(set(seen)) == 12


def test_row_26_a_search_by_form_finds_the_same_and_its_parameters_stay_with_the_links(side):
    by_url = side.get("Observation?patient=Patient/p-1&code=c-1&_count=2").json()
    answer = side.client.post("/fhir/Observation/_search?code=c-1", data={"patient": "Patient/p-1", "_count": "2"})
    assert answer.status_code == 200
    assert found_ids(answer.json()) == found_ids(by_url)
    following = side.follow(links(answer.json())["next"]).json()
    assert found_ids(following) == found_ids(side.follow(links(by_url)["next"]).json())


def test_row_26_a_form_of_another_kind_or_too_large_is_refused(side):
    assert side.client.post("/fhir/Observation/_search", json={"code": "c-1"}).status_code == 415
    assert side.client.post("/fhir/Observation/_search", data={"code": "x" * 100_000}).status_code == 413
    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert side.client.post("/fhir/Observation/_search", content=b"code=\xff", headers=headers).status_code == 400


def test_row_29_what_is_ignored_is_named_in_an_outcome_entry_and_absent_from_the_self_link(side):
    answer = side.get("Observation?patinet=p-1&code=c-1&_sort=value")
    bundle = answer.json()
    outcome = bundle["entry"][-1]
    assert outcome["search"]["mode"] == "outcome"
    assert outcome["resource"]["issue"][0]["severity"] == "warning"
    assert "patinet" in outcome["resource"]["issue"][0]["diagnostics"]
    assert "_sort=value" in outcome["resource"]["issue"][0]["diagnostics"]
    assert links(bundle)["self"] == f"{BASE}/Observation?code=c-1"
    assert bundle["total"] == 4
    fhir.resources.R4B.bundle.Bundle.model_validate_json(answer.content)


@pytest.mark.parametrize(
    "prefer", ["handling=strict", "return=minimal, handling=strict", "respond-async; handling = strict"]
)
def test_row_29_strict_handling_refuses_what_would_be_ignored(side, prefer):
    answer = side.get("Observation?patinet=p-1", prefer=prefer)
    assert answer.status_code == 400
    assert "patinet" in answer.json()["issue"][0]["diagnostics"]
    assert side.get("Observation?patinet=p-1", prefer="handling=lenient").status_code == 200


def test_row_30_an_unsupported_modifier_is_400(side):
    assert side.get("Observation?code:in=x").status_code == 400


def test_row_33_count(side):
    assert len(found_ids(side.get("Observation?_count=3").json())) == 3
    counted = side.get("Observation?_count=0").json()
    assert (counted["total"], "entry" in counted) == (12, False)
    assert side.get("Observation?_summary=count").json()["total"] == 12
    assert side.get("Observation?_count=many").status_code == 400


def test_row_34_next_links_after_a_search_by_form_keep_modifiers_includes_and_summary(side):
    form = {"code:not": "c-0", "_include": "Observation:patient", "_elements": "status", "_count": "3"}
    bundle = side.client.post("/fhir/Observation/_search", data=form).json()
    seen = found_ids(bundle)
    while "next" in links(bundle):
        bundle = side.follow(links(bundle)["next"]).json()
        assert len(found_ids(bundle)) <= 3
        assert all("subject" not in entry["resource"] for entry in bundle["entry"])
        seen += found_ids(bundle)
    assert sorted(seen) == sorted(f"p-1-o-{n}" for n in range(12) if n % 3)


def test_row_35_totals_asked_for(side):
    for text, total in (("none", None), ("estimate", 12), ("accurate", 12)):
        assert side.get(f"Observation?_count=5&_total={text}").json().get("total") == total
    assert side.get("Observation?_total=many").status_code == 400


def test_row_37_includes_are_marked_and_not_counted(side):
    side.save({"resourceType": "Patient", "id": "p-1", "meta": {}})
    side.save({"resourceType": "Provenance", "id": "v-1", "meta": {}, "target": [{"reference": "Observation/p-1-o-1"}]})
    asked = "code=c-1&_include=Observation:patient&_revinclude=Provenance:target&_count=2&_sort=date"
    bundle = side.get(f"Observation?{asked}").json()
    modes = [(entry["fullUrl"].removeprefix(BASE + "/"), entry["search"]["mode"]) for entry in bundle["entry"]]
    assert modes == [
        ("Observation/p-1-o-1", "match"),
        ("Observation/p-1-o-4", "match"),
        ("Patient/p-1", "include"),
        ("Provenance/v-1", "include"),
    ]
    assert bundle["total"] == 4
    following = side.follow(links(bundle)["next"]).json()
    assert [entry["search"]["mode"] for entry in following["entry"]] == ["match", "match", "include"]
    assert side.get("Observation?_include=*").status_code == 400
    assert side.get("Observation?_include:iterate=Observation:patient").status_code == 400


NUMBER = {"value": 31.0, "unit": "mm", "system": "http://unitsofmeasure.org", "code": "mm"}


def partial(side, text):
    body = {"resourceType": "Observation", "id": "o", "meta": {"tag": [{"code": "own"}]}, "status": "final"}
    body |= {"text": {"status": "generated", "div": "<div/>"}, "code": {"text": "gap"}, "valueQuantity": NUMBER}
    body |= {"_issued": {"id": "x"}, "note": [{"text": "n"}], "bodySite": {"text": "leg"}}
    body["component"] = [{"code": {"text": "st"}, "valueInteger": 1, "interpretation": [{"text": "high"}]}]
    side.save(body)
    answer = side.get(f"Observation?_id=o&{text}")
    assert b"31.0" in answer.content or "valueQuantity" not in answer.text  # digits stay
    resource = answer.json()["entry"][0]["resource"]
    assert resource == side.get(f"Observation/o?{text}").json()
    tags = [tag["code"] for tag in resource["meta"]["tag"]]
    assert tags == ["own", "SUBSETTED"]
    return set(resource) - {"resourceType", "id", "meta"}, resource


def test_row_38_a_summary_holds_what_the_published_definition_marks(side):
    names, resource = partial(side, "_summary=true")
    assert names == {"status", "code", "valueQuantity", "_issued", "component"}
    assert resource["component"] == [{"code": {"text": "st"}, "valueInteger": 1}]


def test_row_38_text_and_data(side):
    assert partial(side, "_summary=text")[0] == {"text", "status", "code"}
    everything_else = {"status", "code", "valueQuantity", "_issued", "note", "bodySite", "component"}
    assert partial(side, "_summary=data")[0] == everything_else


def test_row_38_elements_by_name_with_what_is_mandatory(side):
    assert partial(side, "_elements=value,note")[0] == {"status", "code", "valueQuantity", "note"}
    assert partial(side, "_elements=issued")[0] == {"status", "code", "_issued"}


def test_row_38_a_whole_resource_has_no_tag(side):
    whole = side.get("Observation?_id=p-1-o-1&_summary=false")
    assert side.get("Observation/p-1-o-1").content in whole.content
    assert b"SUBSETTED" not in whole.content


def test_row_38_what_modifies_the_rest_is_always_sent(side):
    modified = {**observation(20), "modifierExtension": [{"url": "urn:x", "valueBoolean": True}]}
    side.save(modified)
    for text in ("_elements=code", "_summary=true"):
        assert "modifierExtension" in side.get(f"Observation/p-1-o-20?{text}").json()


def test_row_44_and_45_quantities(side):
    in_cm = NUMBER | {"value": 3.1, "unit": "cm", "code": "cm"}
    side.save(observation(21, code="w", valueQuantity=NUMBER), observation(22, code="w", valueQuantity=in_cm))
    for text in ("31|http://unitsofmeasure.org|mm", "3.1%7Chttp://unitsofmeasure.org%7Ccm", "ge3.1||cm", "ap33||mm"):
        found = found_ids(side.get(f"Observation?value-quantity={text}").json())
        assert sorted(found) == ["p-1-o-21", "p-1-o-22"], text
    assert found_ids(side.get("Observation?code-value-quantity=w$gt31.1||mm").json()) == []
    assert side.get("Observation?value-quantity=wide").status_code == 400


def test_row_43_days_are_those_of_the_site(side):
    # ten past midnight in Berlin, the day before in UTC
    assert found_ids(side.get("Observation?date=2024-05-03").json()) == ["p-1-o-2"]
    assert found_ids(side.get("Observation?date=lt2024-05-02").json()) == ["p-1-o-0"]
    assert found_ids(side.get("Observation?date=2024-05-03T00:10%2B02:00").json()) == ["p-1-o-2"]
    assert found_ids(side.get("Observation?date=2024-05-02T22:10Z").json()) == ["p-1-o-2"]
    assert found_ids(side.get("Observation?date=2024-05-03T00:10:00 02:00").json()) == ["p-1-o-2"]


def test_what_changes_after_a_read_is_found_by_polling_with_last_updated(side):
    side.save(observation(3, code="c-9"), now=NOW)
    changed = side.get("Observation?_lastUpdated=gt2024-06-01T00:00:00.000Z&_sort=_lastUpdated").json()
    assert found_ids(changed) == ["p-1-o-3"]


def test_entries_hold_the_stored_bytes(side):
    body = side.get("Observation/p-1-o-1").content
    assert body in side.get("Observation?_id=p-1-o-1").content
