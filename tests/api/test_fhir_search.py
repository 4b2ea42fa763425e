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
