"""What the whole course says now: wound, plan, uses of devices, due resets, alerts, progress, origin."""

from datetime import datetime

import pytest
from msgspec.structs import replace

from service.fhir.project import provenance
from tests.fhir.build.course_of_nine import (
    ALL,
    CHECK_1,
    CHECK_2,
    CHECK_4,
    INSTALLATION,
    NOW,
    OPEN,
    OUTCOME,
    RECONCILIATION,
    REMOVAL,
    RESET,
    amended,
    charted,
    context_for,
    course,
    find,
    gaps,
    projected,
)

SNOMED = "http://snomed.info/sct"
BUILT, WHOLE = projected(OPEN), projected(ALL)
# The same course with a gap that hardly moves: no band is predicted to slacken before the charted dressing change.
SLOW = (INSTALLATION, {**CHECK_1, "gaps": gaps(("50", "42.0"), ("100", "61.5"), ("150", "40.0"))}, RESET, CHECK_2)
BEFORE_DUE = datetime.fromisoformat("2026-03-03T07:00:00+01:00")


def codes(concept):
    return [(c["system"], c["code"]) for c in concept["coding"]]


def of_type(built, resource_type):
    return [one.resource for one in built if one.type == resource_type]


def test_the_patient_has_what_was_sent_and_no_more():
    patient = find(BUILT, "patient")
    assert patient["identifier"] == [{"system": "https://harbour-hospital.example/mrn", "value": "H-20417"}]
    assert patient["name"] == [{"family": "Marlow <b>", "given": ["Iris"]}]
    assert (patient["gender"], patient["birthDate"]) == ("female", "1971-05-02")


def test_a_patient_of_whom_only_the_identifier_was_sent_has_no_name():
    bare = course(patient={"identifier": {"system": "https://h.example/mrn", "value": "1"}})
    assert set(find(projected(OPEN, of=bare), "patient")) == {"resourceType", "id", "meta", "text", "identifier"}


def test_an_encounter_that_was_not_sent_is_nowhere():
    without = replace(course(), encounter=None)
    built = projected(ALL, of=without)
    assert not of_type(built, "Encounter")
    assert not any("encounter" in one.resource for one in built)
    assert codes(find(built, "condition")["category"][0])[0][1] == "problem-list-item"


def test_the_wound_names_site_side_and_morphology():
    site = find(BUILT, "body-structure")
    assert (SNOMED, "30021000") in codes(site["location"])
    assert codes(site["locationQualifier"][0]) == [(SNOMED, "7771000")]
    assert codes(site["morphology"]) == [(SNOMED, "13924000")]
    assert site["description"].endswith("anterior & lateral compartment")
    assert "20.00 cm" in site["description"]


@pytest.mark.parametrize("body_site", ["upper-arm", "forearm", "hand", "thigh", "foot", "abdomen", "back", "flank",
                                       "buttock", "chest", "other"])  # fmt: skip
@pytest.mark.parametrize("cause", ["fasciotomy", "trauma", "surgical-dehiscence", "other"])
def test_every_site_and_cause_of_the_contract_has_its_concept(body_site, cause):
    wound = {"cause": cause, "body_site": body_site, "length_mm": "200.0", "reference_end": "medial"}
    condition = find(projected(OPEN, of=course(wound=wound, opened_at="2026-03-01T09:00:00+01:00")), "condition")
    assert condition["code"]["coding"]
    assert condition["bodySite"][0]["coding"]


def test_the_condition_is_active_until_the_closure_and_resolved_at_its_time():
    assert codes(find(BUILT, "condition")["clinicalStatus"])[0][1] == "active"
    closed = find(WHOLE, "condition")
    assert codes(closed["clinicalStatus"])[0][1] == "resolved"
    assert closed["abatementDateTime"] == OUTCOME["closed_at"]


@pytest.mark.parametrize(
    ("result", "condition", "plan", "goal", "achieved"),
    [
        ("primary-closure", "resolved", "completed", "completed", "achieved"),
        ("partial-closure-and-graft", "resolved", "completed", "completed", "not-achieved"),
        ("graft", "resolved", "completed", "completed", "not-achieved"),
        ("flap", "resolved", "completed", "completed", "not-achieved"),
        ("secondary-healing", "active", "completed", "completed", "not-achieved"),
        ("abandoned", "active", "revoked", "cancelled", "not-achieved"),
        ("died", "active", "revoked", "cancelled", "not-achieved"),
    ],
)
def test_the_outcome_ends_condition_plan_and_goal(result, condition, plan, goal, achieved):
    ended_so = {key: value for key, value in OUTCOME.items() if key != "closed_at"} | {"result": result}
    built = projected([*OPEN, ended_so])
    assert codes(find(built, "condition")["clinicalStatus"])[0][1] == condition
    assert find(built, "plan")["status"] == plan
    ended = find(built, "goal")
    assert (ended["lifecycleStatus"], codes(ended["achievementStatus"])[0][1]) == (goal, achieved)
    assert find(built, "report")["status"] == "final"
    assert codes(find(built, "course-outcome", "o1")["valueCodeableConcept"])[0][1] == f"outcome-{result}"
    procedures = [one for one in built if one.role == "closure"]
    assert len(procedures) == (condition == "resolved")


def test_the_goal_is_the_widest_gap_at_or_under_the_closable_gap_of_the_policy():
    (target,) = find(BUILT, "goal")["target"]
    assert ("http://loinc.org", "39125-0") in codes(target["measure"])
    quantity = target["detailQuantity"]
    assert (str(quantity["value"]), quantity["comparator"], quantity["code"]) == ("0.5", "<=", "cm")
    assert codes(find(BUILT, "goal")["achievementStatus"])[0][1] == "in-progress"
    assert codes(find(projected([*OPEN, CHECK_4]), "goal")["achievementStatus"])[0][1] == "achieved"


def test_exactly_one_task_is_open_while_bands_are_in_place_and_none_after():
    assert [task["status"] for task in of_type(BUILT, "Task")] == ["completed", "requested"]
    assert "requested" not in [task["status"] for task in of_type(WHOLE, "Task")]


def test_the_reset_completes_its_task_and_is_its_output():
    task = find(BUILT, "reset-task", "i1")
    assert task["output"][0]["valueReference"] == {"reference": f"Procedure/{find(BUILT, 'reset', 'r1')['id']}"}
    assert task["executionPeriod"] == {"start": INSTALLATION["at"], "end": RESET["at"]}


def test_an_open_task_says_for_each_band_its_target_stretch_and_its_target_mark():
    built = projected(SLOW)
    task = find(built, "reset-task", "r1")
    assert (task["intent"], task["status"]) == ("order", "requested")
    assert task["restriction"]["period"]["end"] == "2026-03-03T08:00:00+01:00"  # the dressing change charted at c1
    assert codes(task["reasonCode"])[0][1] == "due-dressing-change"
    assert len(task["input"]) == 3
    devices = {one.resource["id"] for one in built if one.role.startswith("band/")}
    for target in task["input"]:
        band, mark = target["extension"]
        assert band["valueReference"]["reference"].removeprefix("Device/") in devices
        assert mark["valueQuantity"]["code"] == "mm"
        assert 1 < target["valueQuantity"]["value"] < 2
        assert target["valueQuantity"]["value"] * 10 == pytest.approx(mark["valueQuantity"]["value"], abs=1)
    assert task["basedOn"] == [{"reference": f"CarePlan/{find(built, 'plan')['id']}"}]
    assert {"reference": {"reference": f"Task/{task['id']}"}} in find(built, "plan")["activity"]
    assert task["focus"] == {"reference": f"DeviceUseStatement/{find(built, 'device-use', 'i1')['id']}"}


def test_a_task_is_urgent_once_it_is_overdue():
    assert find(projected(SLOW, now=BEFORE_DUE), "reset-task", "r1")["priority"] == "routine"
    assert find(projected(SLOW, now=NOW), "reset-task", "r1")["priority"] == "urgent"


def test_a_band_that_is_predicted_to_slacken_sooner_sets_the_due_time():
    task = find(BUILT, "reset-task", "r1")
    assert codes(task["reasonCode"])[0][1] == "due-predicted-slack"
    assert task["restriction"]["period"]["end"] < "2026-03-03T08:00:00+01:00"


def test_a_band_above_the_maximum_makes_the_task_urgent_before_it_is_due():
    stretched = {**CHECK_1, "bands": [{"band": 2, "mark_mm": "20.5"}]}
    soon = datetime.fromisoformat("2026-03-02T08:31:00+01:00")
    assert find(projected([INSTALLATION, stretched], now=soon), "reset-task", "i1")["priority"] == "urgent"


def test_now_changes_the_priority_of_the_open_task_and_the_overdue_flag_and_nothing_else():
    early, late = ({(one.type, one.id): one for one in projected(SLOW, now=now)} for now in (BEFORE_DUE, NOW))
    changed = {
        (one.type, one.role) for key, one in late.items() if key not in early or early[key].resource != one.resource
    }
    # the check c2 came half an hour after the due time, so the Flag is there whatever the time is now
    assert changed == {("Task", "reset-task")}
    before, after = (find(list(of.values()), "reset-task", "r1") for of in (early, late))
    assert {name for name in after if before[name] != after[name]} == {"priority"}


def test_a_reset_that_nobody_charted_is_flagged_once_its_time_has_passed():
    until = SLOW[:3]
    assert not [one for one in projected(until, now=datetime.fromisoformat(RESET["at"])) if "overdue" in one.role]
    (flag,) = (one for one in projected(until, now=NOW) if one.role == "flag/reset-overdue")
    assert flag.resource["period"] == {"start": "2026-03-03T08:00:00+01:00"}


def test_an_alert_is_a_flag_with_its_start_and_when_it_is_over_its_end():
    flag = find(BUILT, "flag/below-range/band-1", "c1")
    assert flag["status"] == "inactive"
    assert flag["period"] == {"start": CHECK_1["at"], "end": RESET["at"]}
    assert "1.4" in flag["code"]["text"]
    assert "1.5" in flag["code"]["text"]
    active = find(projected((INSTALLATION, CHECK_1)), "flag/below-range/band-1", "c1")
    assert (active["status"], list(active["period"])) == ("active", ["start"])


def test_every_flag_carries_the_caution_its_severity_and_the_record_it_rests_on():
    known = {one.reference for one in WHOLE}
    for flag in of_type(WHOLE, "Flag"):
        assert "no substitute for looking at the limb" in flag["text"]["div"]
        assert codes(flag["category"][1])[0][1].startswith("severity-")
        assert flag["extension"][0]["valueReference"]["reference"] in known


def test_the_use_of_a_set_goes_on_until_every_item_is_accounted_for():
    missing = projected([*OPEN, REMOVAL])  # one dressing is missing
    assert find(missing, "device-use", "i1")["status"] == "active"
    mismatch = [flag for flag in of_type(missing, "Flag") if codes(flag["code"])[0][1] == "count-mismatch"]
    assert [flag["status"] for flag in mismatch] == ["active"]
    found = find(projected([*OPEN, REMOVAL, RECONCILIATION]), "device-use", "i1")
    assert found["status"] == "completed"
    assert found["timingPeriod"] == {"start": INSTALLATION["at"], "end": REMOVAL["at"]}


@pytest.mark.parametrize("reason", ["intolerance", "infection", "revision", "other"])
def test_a_set_that_came_out_for_another_reason_than_closure_was_stopped(reason):
    early = {**REMOVAL, "dressings_removed": 2, "reason": reason}
    assert find(projected([*OPEN, early]), "device-use", "i1")["status"] == "stopped"


def test_a_partial_removal_leaves_the_set_in_use():
    part = {**REMOVAL, "anchors_removed": 20, "bands_removed": 1}
    assert find(projected([*OPEN, part]), "device-use", "i1")["status"] == "active"


def test_a_second_installation_has_a_use_of_its_own():
    again = {**INSTALLATION, "entry_id": "i2", "at": "2026-03-07T10:00:00+01:00", "dressings_placed": 0}
    all_out = {**REMOVAL, "dressings_removed": 2}
    built = projected([*OPEN, all_out, again])
    assert [find(built, "device-use", name)["status"] for name in ("i1", "i2")] == ["completed", "active"]
    assert find(built, "device-use", "i1")["id"] != find(built, "device-use", "i2")["id"]


def test_the_report_refers_to_the_latest_measure_of_each_kind_and_to_the_length():
    report = find(BUILT, "report")
    assert report["status"] == "partial"
    latest = {one.reference: (one.role, one.entry_id) for one in BUILT}
    assert {latest[result["reference"]] for result in report["result"]} == {
        ("widest-gap", "c1"), ("open-area", "c1"), ("gap-closed-percent", "c1"), ("area-closed-percent", "c1"),
        ("gap-closure-rate", "c1"), ("gap-parallelism", "c1"), ("closable-forecast", "c1"),
        ("bands-in-range-share", "r1"), ("delta-pressure", "c1"), ("length", None),
    }  # fmt: skip
    assert "no substitute for looking at the limb" in report["conclusion"]
    assert "3.60 cm" in report["conclusion"]


def test_a_course_without_entries_is_projected_too():
    built = projected(())
    assert {one.type for one in built} == {
        "Patient", "Encounter", "BodyStructure", "Condition", "Goal", "CarePlan", "Observation", "DiagnosticReport",
    }  # fmt: skip


RECORDED = datetime.fromisoformat("2026-03-09T08:00:00.250+01:00")


def test_provenance_names_who_charted_which_software_derived_and_the_entry():
    context, (check,) = context_for(), charted([CHECK_1])
    made = provenance(context, check.entry, [("Observation", "abc", 3), ("Task", "def", None)], RECORDED)
    assert [target["reference"] for target in made["target"]] == ["Observation/abc/_history/3", "Task/def"]
    author, transmitter, software = made["agent"]
    assert author["who"]["identifier"]["value"] == "n-12"
    assert codes(author["type"])[0][1] == "author"
    assert transmitter["type"] == {"text": "transmitter"}  # R4's list of participant types has no code for it
    assert transmitter["who"]["identifier"]["value"] == context.frame.site
    assert software["who"]["display"] == "closure-readings 0.1.0"
    assert made["entity"][0]["what"]["identifier"]["value"] == "leg-7/c1/entry"
    assert codes(made["activity"])[0][1] == "CREATE"
    assert made["recorded"] == "2026-03-09T08:00:00.250000+01:00"


def test_provenance_of_a_correction_names_what_it_corrects():
    fix, gone = (one.entry for one in charted([amended(CHECK_1), ALL[6]]))
    made, undone = (provenance(context_for(), one, [("Observation", "abc", 2)], RECORDED) for one in (fix, gone))
    assert [(e["role"], e["what"]["identifier"]["value"]) for e in made["entity"]] == [
        ("source", "leg-7/fix-c1/entry"), ("revision", "leg-7/c1/entry"),
    ]  # fmt: skip
    assert (codes(made["activity"])[0][1], codes(undone["activity"])[0][1]) == ("UPDATE", "NULLIFY")
    assert undone["entity"][1]["role"] == "removal"


def test_provenance_of_an_opened_course_and_of_a_later_derivation_have_ids_of_their_own():
    context, (check,) = context_for(), charted([CHECK_1])
    target = [("Patient", "p", 1)]
    opened = provenance(context, None, target, RECORDED)
    first = provenance(context, check.entry, target, RECORDED)
    again = provenance(context, check.entry, target, RECORDED, "rebuild-7")
    assert len({opened["id"], first["id"], again["id"]}) == 3
    assert "entity" not in opened
    assert [codes(agent["type"])[0][1] for agent in opened["agent"]] == ["assembler"]


def test_an_entry_of_its_own_kind_of_procedure_is_charted_by_whoever_is_responsible():
    done = find(WHOLE, "reconciliation", "k1")
    assert done["performer"][0]["actor"]["identifier"]["value"] == "s-3"
    assert (SNOMED, "711136008") in codes(done["code"])
