"""Research mode: pseudonyms by key, dates moved with intervals kept, references that still lead somewhere."""

import hmac
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.deidentify.dates import birth_year, shifted, year_of
from service.deidentify.pseudonyms import FURTHEST_DAYS, NEAREST_DAYS, KeyFault, Pseudonyms, read_key
from service.fhir import wire
from service.fhir.links import references
from service.fhir.validate import check, is_valid
from tests.deidentify.releases import KEY, NOW, RULES, bundles, deidentifier, names, one, patient, released

MODE = "research"
moments = st.datetimes(datetime(1950, 1, 1), datetime(2100, 1, 1)).map(lambda at: at.replace(microsecond=0, tzinfo=UTC))


@pytest.mark.parametrize(("name", "resources"), bundles(), ids=[name for name, _ in bundles()])
def test_every_reference_among_what_came_out_leads_where_it_led_before(name, resources):
    pairs = released(MODE, resources)
    new = {f"{was['resourceType']}/{was['id']}": f"{made['resourceType']}/{made['id']}" for was, made in pairs}
    assert len(set(new.values())) == len(pairs)
    for was, made in pairs:
        wanted = sorted(new[link.text] for link in references(was) if link.text in new)
        assert sorted(link.text for link in references(made)) == wanted, was["id"]


@pytest.mark.parametrize(("name", "resources"), bundles(), ids=[name for name, _ in bundles()])
def test_what_comes_out_of_an_example_is_valid_and_keeps_its_profile(name, resources):
    for was, made in released(MODE, resources):
        assert is_valid(made, profile_rules=RULES)
        assert made["meta"]["profile"] == was["meta"]["profile"]
    errors = [issue for _, made in released(MODE, resources)[:40] for issue in check(made, RULES)]
    assert not [issue for issue in errors if issue.severity == "error"]


def test_figures_come_out_with_the_digits_they_had():
    for _, resources in bundles():
        for was, made in released(MODE, resources):
            for key in ("valueQuantity", "valueBoolean", "referenceRange"):
                if key in was:
                    assert wire.write({"v": made[key]}) == wire.write({"v": was[key]})


@given(moments, moments, st.integers(-400, -31))
def test_the_interval_between_two_times_is_kept_to_the_second(one_at, other_at, days):
    first, second = (datetime.fromisoformat(shifted(at.isoformat(), days)) for at in (one_at, other_at))
    assert second - first == other_at - one_at
    assert first == one_at + timedelta(days=days)


@given(st.dates(date(1900, 1, 1), date(2100, 1, 1)), st.integers(-400, 400))
def test_a_date_moves_by_its_days_and_a_year_stays_a_year(day, days):
    assert shifted(day.isoformat(), days) == (day + timedelta(days=days)).isoformat()
    assert len(shifted(day.isoformat()[:7], days)) == 7
    assert len(shifted(day.isoformat()[:4], days)) == 4
    assert year_of(day.isoformat()) == day.isoformat()[:4]


@pytest.mark.parametrize("text", ["", "yesterday", "2024-02-30", "2024-01-01T10:00:00", "0001-01-01", "2024-13"])
def test_what_is_no_date_or_cannot_be_moved_does_not_come_out(text):
    assert shifted(text, -400) is None


def test_a_time_leaves_in_utc_so_that_no_offset_tells_the_zone_or_the_season():
    assert shifted("2025-07-01T00:30:00.25+05:30", -31) == "2025-05-30T19:00:00.250000Z"


@given(st.text(min_size=1, max_size=64))
def test_the_dates_of_every_patient_move_by_31_to_395_days_into_the_past(patient_id):
    assert NEAREST_DAYS == 31
    assert FURTHEST_DAYS == 395
    assert -395 <= names().shift_days(patient_id) <= -31


def test_patients_do_not_all_move_by_the_same_number_of_days():
    assert len({names().shift_days(f"p{number}") for number in range(2000)}) > 350


def test_all_dates_of_one_patient_move_alike_over_a_whole_course():
    for _, resources in bundles():
        moved = set()
        for was, made in released(MODE, resources):
            for key in ("effectiveDateTime", "performedDateTime", "authoredOn", "occurredDateTime"):
                if key in was:
                    moved.add(datetime.fromisoformat(was[key]) - datetime.fromisoformat(made[key]))
        assert len(moved) == 1


def test_a_pseudonym_is_the_same_in_every_release_to_one_registry_and_another_elsewhere():
    same, again = one(MODE, patient()), one(MODE, patient())
    assert same == again
    others = [
        one(MODE, patient(), registry="another"),
        one(MODE, patient(), site="another"),
        one(MODE, patient(), key=b"another key, 32 bytes and more .."),
    ]
    for member in ("id", "identifier"):
        assert len({str(each[member]) for each in [same, *others]}) == 4


def test_a_pseudonym_is_the_hmac_of_rfc_2104_over_scope_and_value():
    told = "".join(f"{len(part)}:{part}" for part in ("registry", "demo", "identifier", "sys", "MRN-1"))
    wanted = hmac.digest(KEY, told.encode(), sha256).hex()[:32]
    assert names().identifier("sys", "MRN-1") == f"p-{wanted}"


def test_parts_do_not_run_together():
    assert names().identifier("ab", "c") != names().identifier("a", "bc")
    assert Pseudonyms(KEY, "r", "xs").id("Patient", "1") != Pseudonyms(KEY, "rx", "s").id("Patient", "1")


@pytest.mark.parametrize(("born", "shown"), [("1937-11-24", True), ("1936-11-26", False), ("1922-05-01", False)])
def test_ages_over_89_are_pooled(born, shown):
    made = one(MODE, patient(birthDate=born))
    assert ("birthDate" in made) == shown
    moved = str((date.fromisoformat(born) + timedelta(days=names().shift_days("p1"))).year)
    assert made.get("birthDate", moved) == moved
    assert [each["valueString"] for each in made.get("extension", [])] == ([] if shown else ["90 or older"])


def test_the_year_of_birth_moves_with_the_course_so_that_the_age_at_a_reading_stays():
    for days in (-31, -395):
        year = birth_year("1980-06-15", NOW, days)
        assert int(shifted("2025-06-15", days)[:4]) - int(year) in (44, 45)


def test_who_charted_is_withheld_and_the_formula_is_kept_without_the_policy_of_the_site():
    for _, resources in bundles():
        for was, made in released(MODE, resources):
            assert all(each == {"display": "withheld"} for each in made.get("performer", []))
            if "method" in was:
                text = made["method"]["text"]
                assert "(formula" in text
                assert "policy" in text or was["method"]["text"].startswith(text.removesuffix(")"))
                assert "; policy" not in text


def test_the_result_says_what_was_done():
    assert [each["code"] for each in one(MODE, patient())["meta"]["security"]] == ["PSEUDED"]
    told = deidentifier(MODE).provenance("p1")
    assert is_valid(told)
    assert told["activity"]["coding"][0]["code"] == "PSEUD"


@pytest.mark.parametrize(("content", "mode", "why"), [(b"x" * 31, 0o600, "32 bytes"), (b"x" * 40, 0o640, "0600")])
def test_a_short_key_or_one_that_others_can_read_is_refused(tmp_path, content, mode, why):
    file = tmp_path / "key"
    file.write_bytes(content)
    file.chmod(mode)
    with pytest.raises(KeyFault, match=why):
        read_key(file)
    with pytest.raises(KeyFault, match="No such file"):
        read_key(tmp_path / "none")
