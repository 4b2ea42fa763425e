"""A registry gets de-identified data of the sites that agreed, and nothing else."""

import json

import pytest

from service.commands import exporting
from service.deidentify.pseudonyms import Pseudonyms
from service.fhir.validate import check_bytes
from service.store import export_rows as rows
from tests.bulk.side import SITE
from tests.deidentify.releases import KEY, RULES
from tests.deidentify.test_scan import identifying, is_telling, words


@pytest.fixture
def key(tmp_path):
    file = tmp_path / "key"
    file.write_bytes(KEY)
    file.chmod(0o600)
    return file


@pytest.fixture
def registry(side, key, monkeypatch):
    """A service whose site agreed with a registry."""
    monkeypatch.setenv("DATABASE_URL", side.settings.database_url)
    monkeypatch.setenv("CLOSURE_READINGS_SITE", SITE)
    side.add_registry()
    assert exporting.agree(SITE, "registry", "research", key, None) == 0
    return side


PATIENTS = "/fhir/Patient/$export"


def test_without_an_agreement_there_is_no_export(side):
    side.add_registry()
    assert side.begin(PATIENTS, "registry").status_code == 403


def test_nothing_that_identifies_comes_out_and_every_line_is_valid(registry):
    manifest = registry.manifest(PATIENTS, "registry")
    source = registry.lines(registry.manifest("/fhir/$export"))
    made = registry.lines(manifest, client="registry")
    assert not {"Practitioner", "Organization", "QuestionnaireResponse"} & {each["resourceType"] for each in made}
    values = {value for each in source for value in identifying(each)}
    needles = {word for value in values for word in words(value) if is_telling(word, value)}
    needles -= {"heron-quay"}  # stands in the addresses of the files alone
    bodies = [
        line for each in manifest["output"] for line in registry.get(each["url"], "registry").content.splitlines()
    ]
    out = {word for line in bodies for word in words(line.decode())}
    assert len(needles) > 500
    leaked = needles & out
    assert not leaked
    assert SITE not in b"\n".join(bodies).decode()
    for line in bodies[::25]:
        assert not [issue for issue in check_bytes(line, RULES) if issue.severity == "error"]


def test_every_patient_comes_with_a_provenance_of_what_was_done(registry):
    made = registry.lines(registry.manifest(PATIENTS, "registry"), client="registry")
    patients = {f"Patient/{each['id']}" for each in made if each["resourceType"] == "Patient"}
    told = [
        each["target"][0]["reference"]
        for each in made
        if each["resourceType"] == "Provenance" and each["activity"]["coding"][0]["code"] == "PSEUD"
    ]
    assert sorted(told) == sorted(patients)
    assert all("PSEUDED" in {label["code"] for label in each["meta"]["security"]} for each in made)


def test_a_later_export_fits_to_the_first(registry):
    first = registry.manifest(f"{PATIENTS}?_type=Patient", "registry")
    again = registry.manifest(f"{PATIENTS}?_type=Patient", "registry")
    ids = [{each["id"] for each in registry.lines(one, client="registry")} for one in (first, again)]
    assert ids[0] == ids[1]
    known = Pseudonyms(KEY, "registry", SITE)
    real = {each["id"] for each in registry.lines(registry.manifest("/fhir/$export?_type=Patient"))}
    assert {known.id("Patient", each) for each in real} == ids[0]


def test_two_exports_of_safe_harbor_cannot_be_joined(registry):
    assert exporting.agree(SITE, "registry", "safe-harbor", None, None) == 0
    ids = []
    for _ in range(2):
        made = registry.lines(registry.manifest(f"{PATIENTS}?_type=Patient", "registry"), client="registry")
        ids.append({each["id"] for each in made})
    assert ids[0]
    assert not ids[0] & ids[1]


def test_few_people_are_shown_without_year_of_birth_and_sex(registry):
    # Three examples have fewer than five patients: every cell is small.
    made = registry.lines(registry.manifest(f"{PATIENTS}?_type=Patient", "registry"), client="registry")
    assert made
    assert all(not {"birthDate", "gender"} & each.keys() for each in made)


def test_what_a_registry_must_not_ask_is_refused(registry):
    # A search by name or number would tell who is in the data.
    assert registry.begin(f"{PATIENTS}?_typeFilter=Patient%3Ffamily%3DVandersloot", "registry").status_code == 400
    assert registry.begin(f"{PATIENTS}?_type=Practitioner", "registry").status_code == 400
    assert registry.begin("/fhir/Group/none/$export", "registry").status_code == 404


def test_what_stayed_behind_is_told_without_saying_what_it_was(registry):
    # An Observation of the hospital, as one writes it through the FHIR API.
    from service.search.values import IndexValues
    from service.store import Draft
    from tests.deidentify.releases import TERMS

    tag = {"tag": [{"system": f"{TERMS.base}/origin", "code": "hospital"}]}
    own = {"resourceType": "Observation", "id": "own", "meta": tag, "status": "final", "code": {"text": "Zorbelin"}}
    body = json.dumps(own, separators=(",", ":")).encode()
    with registry.workflow.store.write(SITE, registry.clock()) as unit:
        unit.save_resources([Draft("Observation", "own", None, None, body, IndexValues(), patient="p1")])
    manifest = registry.manifest(f"{PATIENTS}?_type=Observation", "registry")
    told = registry.get(manifest["error"][0]["url"], "registry").text
    assert "1 left out" in told
    assert "Zorbelin" not in told


def test_an_element_that_nobody_decided_on_stops_the_job_and_leaves_nothing(registry):
    from service.search.values import IndexValues
    from service.store import Draft

    odd = b'{"resourceType":"Device","id":"odd","meta":{"source":"x"},"nickname":"Zorbelin"}'
    with registry.workflow.store.write(SITE, registry.clock()) as unit:
        unit.save_resources([Draft("Device", "odd", None, None, odd, IndexValues(), patient="p1")])
    begun = registry.begin(PATIENTS, "registry")
    registry.worker.run_once()
    failed = registry.get(begun.headers["content-location"], "registry")
    assert failed.status_code == 500
    assert "Device.nickname" in failed.text
    assert "Zorbelin" not in failed.text
    assert not list(registry.exports.settings.folder.glob("*/*"))


def test_an_agreement_that_ended_before_the_job_was_run_gives_nothing(registry):
    begun = registry.begin(PATIENTS, "registry")
    assert exporting.end_agreement(SITE, "registry") == 0
    registry.worker.run_once()
    failed = registry.get(begun.headers["content-location"], "registry")
    assert failed.status_code == 500
    assert "agrees" in failed.text


def test_a_key_that_is_gone_fails_the_job_without_naming_the_file(registry, key):
    begun = registry.begin(PATIENTS, "registry")
    key.unlink()
    registry.worker.run_once()
    failed = registry.get(begun.headers["content-location"], "registry")
    assert failed.status_code == 500
    assert str(key) not in failed.text


def test_an_agreement_for_a_group_gives_its_members_alone(registry, key, capsys):
    exporting.add_group("Consented", None)
    group = capsys.readouterr().out.strip()
    with registry.workflow.store.read(SITE) as reading:
        course = reading.courses(limit=1)[0].course_id
    exporting.change_members(group, [course], [], None, out=False)
    assert exporting.agree(SITE, "registry", "research", key, group) == 0
    for path in (PATIENTS, f"/fhir/Group/{group}/$export"):
        assert len(registry.lines(registry.manifest(path, "registry"), "Patient", "registry")) == 1


@pytest.mark.parametrize(
    ("client", "mode", "with_key", "group"),
    [
        ("nobody", "research", True, None),
        ("registry", "research", False, None),
        ("registry", "safe-harbor", True, None),
        ("registry", "plain", False, None),
        ("registry", "research", True, "no-group"),
    ],
)
def test_an_agreement_that_could_not_be_kept_is_refused(registry, key, client, mode, with_key, group, capsys):
    assert exporting.agree(SITE, client, mode, key if with_key else None, group) == 1
    assert "refused" in capsys.readouterr().err


def test_agreements_are_listed_with_the_name_of_the_key_file_and_never_the_key(registry, capsys):
    exporting.list_agreements(as_json=True)
    shown = capsys.readouterr().out
    assert '"mode":"research"' in shown.replace(": ", ":")
    assert KEY.decode() not in shown
    with registry.database.read() as connection:
        assert len(rows.agreements(connection)) == 1


def test_a_registry_gets_the_sites_that_agreed_and_no_other(registry, key):
    from service.search.values import IndexValues
    from service.store import Draft

    for site in ("alder-house", "birch-lane"):
        body = b'{"resourceType":"Patient","id":"p1","meta":{"source":"x"},"identifier":[{"system":"s","value":"v"}]}'
        with registry.workflow.store.write(site, registry.clock()) as unit:
            unit.save_resources([Draft("Patient", "p1", None, None, body, IndexValues())])
    assert exporting.agree("alder-house", "registry", "research", key, None) == 0
    made = registry.lines(registry.manifest(f"{PATIENTS}?_type=Patient", "registry"), client="registry")
    ids = {each["id"] for each in made}
    of_site = {site: Pseudonyms(KEY, "registry", site).id("Patient", "p1") for site in ("alder-house", "birch-lane")}
    assert of_site["alder-house"] in ids
    assert of_site["birch-lane"] not in ids
    assert len({each["meta"]["source"] for each in made}) == 2


def test_what_was_purged_is_told_to_a_registry_by_its_pseudonym(registry):
    told = registry.manifest(f"{PATIENTS}?_type=Task", "registry")["transactionTime"]
    gone = registry.lines(registry.manifest("/fhir/$export?_type=Task"))[0]["id"]
    with registry.workflow.store.write(SITE, registry.clock()) as unit:
        unit.delete_resources([("Task", gone)])
    manifest = registry.manifest(f"{PATIENTS}?_type=Task&_since={told}", "registry")
    bundle = json.loads(registry.get(manifest["deleted"][0]["url"], "registry").content)
    wanted = Pseudonyms(KEY, "registry", SITE).id("Task", gone)
    assert [each["request"]["url"] for each in bundle["entry"]] == [f"Task/{wanted}"]


def test_the_routes_describe_themselves_without_a_warning(registry):
    paths = registry.http.app.openapi()["paths"]
    assert {"/fhir/$export", "/fhir/Patient/$export", "/fhir/Group/{group_id}/$export"} <= paths.keys()
