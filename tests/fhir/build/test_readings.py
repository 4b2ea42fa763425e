"""What was read at the bedside, as it leaves."""

from decimal import Decimal

import pytest

from tests.fhir.build.course_of_nine import (
    ALL,
    CHECK_1,
    CHECK_2,
    INSTALLATION,
    OPEN,
    POLICY,
    RESET,
    entry,
    find,
    gaps,
    projected,
)

LOINC = "http://loinc.org"
BUILT = projected(OPEN)


def codes(concept):
    return [(c["system"], c["code"]) for c in concept["coding"]]


def local(concept):
    return [c["code"] for c in concept["coding"] if c["system"].endswith("/CodeSystem/closure")]


def check_with(**changes):
    return projected((INSTALLATION, {**CHECK_1, **changes}))


def of_component(resource, code):
    found = [part for part in resource["component"] if code in local(part["code"])]
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize(
    ("read", "leaves"),
    [
        ("31.0", "3.10"),
        ("31", "3.1"),
        ("31.00", "3.100"),
        ("5", "0.5"),
        ("0", "0.0"),
        ("0.0", "0.00"),
        ("399.5", "39.95"),
    ],
)
def test_a_gap_leaves_in_cm_with_the_digits_of_the_mm_reading(read, leaves):
    # Source: the rules of this service: lengths leave in cm, as wound charts do, with the digits that were read.
    gap = find(check_with(gaps=gaps(("100", read))), "gap/100", "c1")
    assert str(gap["valueQuantity"]["value"]) == leaves
    assert gap["valueQuantity"]["code"] == "cm"


def test_a_gap_names_its_station_and_where_stations_are_counted_from():
    gap = find(BUILT, "gap/120", "c1")
    assert str(of_component(gap, "station")["valueQuantity"]["value"]) == "12.00"
    assert "3.050 cm at 12.00 cm from the proximal end" in gap["text"]["div"]
    assert local(gap["code"]) == ["gap-width"]


def test_the_loinc_width_of_a_wound_is_a_second_coding_of_the_widest_gap_and_of_no_other_gap():
    nothing = {"coding": []}
    carriers = {one.role for one in projected() if (LOINC, "39125-0") in codes(one.resource.get("code", nothing))}
    assert carriers == {"widest-gap"}
    assert codes(find(BUILT, "widest-gap", "c1")["code"])[1] == (LOINC, "39125-0")


@pytest.mark.parametrize(
    ("mark", "ratio", "letter"),
    [
        ("14.9", "1.49", "L"),
        ("15.0", "1.5", "N"),
        ("17.5", "1.75", "N"),
        ("20.0", "2", "N"),  # both ends of the working range belong to it
        ("20.1", "2.01", "H"),
    ],
)
def test_a_stretch_ratio_is_low_normal_or_high_against_the_working_range(mark, ratio, letter):
    # Source: common practice, no published source: working range 1.5 to 2.0, 2.0 the stated maximum.
    band = find(check_with(bands=[{"band": 1, "mark_mm": mark}]), "band-stretch/1", "c1")
    assert str(band["valueQuantity"]["value"]) == ratio
    assert [c["code"] for i in band["interpretation"] for c in i["coding"]] == [letter]


def test_the_working_range_stands_beside_every_stretch_ratio():
    (range_,) = find(BUILT, "band-stretch/1", "c1")["referenceRange"]
    assert (range_["low"]["value"], range_["high"]["value"]) == (POLICY.stretch_low, POLICY.stretch_high)
    assert codes(range_["type"])[0][1] == "recommended"


def test_a_band_is_the_device_of_its_reading_and_its_marks_stay_in_mm():
    stretch = find(BUILT, "band-stretch/2", "c1")
    device = next(one for one in BUILT if one.role == "band/2")
    assert stretch["device"] == {"reference": f"Device/{device.id}"}
    assert device.entry_id == "i1"
    rest, mark = (of_component(stretch, code)["valueQuantity"] for code in ("band-rest-mark", "band-mark"))
    assert (str(rest["value"]), rest["code"], str(mark["value"]), mark["code"]) == ("10.0", "mm", "20.5", "mm")


def test_a_band_that_is_not_in_the_list_was_not_read():
    stretch = find(BUILT, "band-stretch/3", "c1")
    assert "valueQuantity" not in stretch
    assert stretch["dataAbsentReason"]["coding"][0]["code"] == "not-performed"
    assert "interpretation" not in stretch


def test_bands_and_gaps_that_were_not_read_carry_the_charted_reason():
    for role in ("band-stretch/1", "band-stretch/2", "band-stretch/3", "gap", "widest-gap", "closable-forecast"):
        assert find(BUILT, role, "c2")["dataAbsentReason"]["text"] == "patient in the scanner"


def test_a_device_that_is_out_has_no_bands_to_read():
    gone = {**CHECK_2, "device_status": "removed"}
    assert not [one for one in projected((INSTALLATION, gone)) if one.entry_id == "c2" and "band" in one.role]


def test_the_panel_has_every_reading_as_a_member_and_nothing_derived():
    panel = find(BUILT, "check", "c1")
    members = {member["reference"] for member in panel["hasMember"]}
    read = {one.reference for one in BUILT if one.entry_id == "c1" and one.type == "Observation" and one.role != "check"
            and "method" not in one.resource}  # fmt: skip
    assert members == read
    assert len(members) == len(panel["hasMember"])
    assert codes(panel["code"]) == [codes(panel["code"])[0], (LOINC, "39135-9")]
    assert panel["note"] == [{"time": CHECK_1["at"], "text": "looks <pale> & cool"}]


def test_text_that_was_charted_is_shown_as_text_never_as_markup():
    assert "looks &lt;pale&gt; &amp; cool" in find(BUILT, "check", "c1")["text"]["div"]
    assert "Marlow &lt;b&gt;" in find(BUILT, "patient")["text"]["div"]


@pytest.mark.parametrize(
    ("role", "code", "value", "unit", "category"),
    [
        ("pain-score", "72514-3", 4, "{score}", "survey"),
        ("diastolic-pressure", "8462-4", Decimal(70), "mm[Hg]", "vital-signs"),
        ("compartment-pressure", "compartment-pressure", Decimal(45), "mm[Hg]", "exam"),
        ("anchor-count", "anchor-count", 42, "{#}", "exam"),
        ("band-count", "band-count", 3, "{#}", "exam"),
    ],
)
def test_pain_pressures_and_counts_leave_with_their_codes_and_units(role, code, value, unit, category):
    found = find(BUILT, role, "c1")
    assert codes(found["code"])[0][1] == code
    assert (found["valueQuantity"]["value"], found["valueQuantity"]["code"]) == (value, unit)
    assert codes(found["category"][0])[0][1] == category


def test_each_skin_sign_is_an_observation_and_only_intact_skin_is_normal():
    signs = (("skin/blanching", "c1", "A"), ("skin/blister", "c1", "A"), ("skin/intact", "c2", "N"))
    for role, entry_id, letter in signs:
        found = find(BUILT, role, entry_id)
        assert codes(found["interpretation"][0])[0][1] == letter
        assert local(found["code"]) == ["skin-finding"]


def test_signs_of_infection_are_no_diagnosis():
    found = find(check_with(skin=["infection-signs"]), "skin/infection-signs", "c1")
    assert [system for system, _ in codes(found["valueCodeableConcept"]) if "snomed" in system] == []


def test_what_was_charted_about_the_dressing_is_one_observation_and_a_change_is_a_procedure():
    dressing = find(BUILT, "dressing", "c1")
    assert of_component(dressing, "dressing-changed")["valueBoolean"] is True
    assert of_component(dressing, "dressing-covers-anchors")["valueBoolean"] is False
    assert of_component(dressing, "items-placed")["valueQuantity"]["value"] == 2
    assert str(of_component(dressing, "dressing-smallest-side")["valueQuantity"]["value"]) == "10.0"
    assert codes(find(BUILT, "dressing-change", "c1")["code"]) == [("http://snomed.info/sct", "18949003")]
    assert not [one for one in BUILT if one.role == "dressing-change" and one.entry_id == "c2"]


def test_a_value_that_was_not_charted_is_not_there():
    bare = entry("check", "c9", "2026-03-02T08:30:00+01:00", device_status="in-place",
                 gaps=gaps(("100", "31.0")), bands=[{"band": 1, "mark_mm": "17.0"}])  # fmt: skip
    roles = {one.role for one in projected((INSTALLATION, bare)) if one.entry_id == "c9"}
    never_charted = {"pain-score", "dressing", "mobilised", "vacuum-therapy-in-use", "delta-pressure", "band-tail/1"}
    assert roles
    assert roles.isdisjoint(never_charted)


def test_times_keep_their_offset_and_who_charted_is_named_by_identifier():
    gap = find(BUILT, "gap/100", "c1")
    assert gap["effectiveDateTime"] == CHECK_1["at"]
    assert gap["performer"] == [
        {"identifier": {"system": "https://harbour-hospital.example/staff", "value": "n-12"}, "display": "Nurse Okoro"}
    ]


def test_a_reset_gives_the_stretch_after_it_and_where_it_was_read_the_stretch_before_it():
    after, before = find(BUILT, "band-stretch/1", "r1"), find(BUILT, "band-stretch-before/1", "r1")
    assert (str(after["valueQuantity"]["value"]), str(before["valueQuantity"]["value"])) == ("1.75", "1.4")
    assert before["note"] == [{"text": "read before the reset"}]
    assert after["id"] != before["id"]
    assert after["partOf"] == [{"reference": f"Procedure/{find(BUILT, 'reset', 'r1')['id']}"}]


def test_an_installation_gives_set_bands_procedure_gaps_and_stretch():
    application = find(BUILT, "application", "i1")
    set_ = find(BUILT, "closure-set", "i1")
    assert len(application["usedReference"]) == 4
    assert application["focalDevice"][0]["manipulated"] == {"reference": f"Device/{set_['id']}"}
    assert codes(application["focalDevice"][0]["action"]) == [("http://snomed.info/sct", "129411004")]
    assert find(BUILT, "band/2", "i1")["parent"] == {"reference": f"Device/{set_['id']}"}
    assert str(find(BUILT, "undermining", "i1")["valueQuantity"]["value"]) == "1.5"
    assert find(BUILT, "gap/50", "i1")["partOf"] == [{"reference": f"Procedure/{application['id']}"}]


def test_the_action_of_each_procedure_on_the_bands_is_traction_adjustment_or_removal():
    everything = projected(ALL)
    actions = {role: codes(find(everything, role, entry_id)["focalDevice"][0]["action"])[0][1]
               for role, entry_id in (("application", "i1"), ("reset", "r1"), ("removal", "m1"))}  # fmt: skip
    # Source: FHIR R4 4.0.1 value set device-action: Traction, Adjustment, Removal.
    assert actions == {"application": "129411004", "reset": "129426002", "removal": "129303008"}
    assert RESET["entry_id"] == "r1"
