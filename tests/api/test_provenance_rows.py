"""Row 108: every version that the readings gave rise to is named by a Provenance; derived figures say from what.

Elements as US Core Provenance wants them (target, recorded, agents author and transmitter): fhir-requirements row 108.
"""

from service import strict_json
from service.fhir.validate import check as issues_of
from tests.intake.documents import amendment, check, course_file, installation, reset, retraction

JSON = {"Content-Type": "application/json"}
OF_NOBODYS_READING = {"Provenance"}
TYPES = ("Patient", "Encounter", "BodyStructure", "Condition", "Goal", "CarePlan", "Observation", "DiagnosticReport",
         "Procedure", "Device", "DeviceUseStatement", "Task", "Flag", "Provenance")  # fmt: skip


def charted(client):
    whole = course_file(installation(), check())
    assert client.post("/intake/courses", content=strict_json.write(whole), headers=JSON).status_code == 201
    for entry in (reset(), amendment("am-1", check(pain_0_10=4)), retraction("rt-1", "re-1")):
        answer = client.post("/intake/courses/alder-1/entries", content=strict_json.write(entry), headers=JSON)
        assert answer.status_code == 201, answer.text


def all_of(client, type_):
    answer = client.get(f"/fhir/{type_}?_count=1000")
    assert answer.status_code == 200, type_
    return [entry["resource"] for entry in answer.json().get("entry", [])]


def test_row_108_every_version_made_is_the_target_of_a_provenance(client):
    charted(client)
    told = {target["reference"] for one in all_of(client, "Provenance") for target in one["target"]}
    versions = set()
    for type_ in set(TYPES) - OF_NOBODYS_READING:
        for resource in all_of(client, type_):
            newest = int(resource["meta"]["versionId"])
            versions |= {f"{type_}/{resource['id']}/_history/{number}" for number in range(1, newest + 1)}
    assert len(versions) > 60
    assert versions == told


def test_row_108_a_provenance_names_author_transmitter_software_and_the_entry(client):
    charted(client)
    of_entries = [one for one in all_of(client, "Provenance") if "entity" in one]
    assert len(of_entries) == 5
    for one in of_entries:
        assert one["recorded"]
        assert all("/_history/" in target["reference"] for target in one["target"])
        author, transmitter, software = one["agent"]
        assert author["type"]["coding"][0]["code"] == "author"
        assert author["who"]["identifier"]["value"] == "s-118"
        assert transmitter["type"]["text"] == "transmitter"
        assert transmitter["who"]["identifier"]["value"] == "demo"
        assert software["type"]["coding"][0]["code"] == "assembler"
        assert one["entity"][0]["role"] == "source"
        assert one["entity"][0]["what"]["identifier"]["value"].startswith("alder-1/")
        assert [issue for issue in issues_of(one) if issue.severity == "error"] == []
    assert {one["activity"]["coding"][0]["code"] for one in of_entries} == {"CREATE", "UPDATE", "NULLIFY"}


def test_row_108_a_derived_figure_says_from_which_observations_it_comes(client):
    charted(client)
    observations = {f"Observation/{one['id']}": one for one in all_of(client, "Observation")}
    derived = [one for one in observations.values() if "derivedFrom" in one]
    assert len(derived) > 5
    for one in derived:
        for source in one["derivedFrom"]:
            assert source["reference"] in observations
    # What has a method is computed, and what is computed comes from somewhere.
    computed = [one for one in observations.values() if "formula" in one.get("method", {}).get("text", "")]
    assert computed
    assert [one["code"]["text"] for one in computed if "derivedFrom" not in one and "valueQuantity" in one] == []
