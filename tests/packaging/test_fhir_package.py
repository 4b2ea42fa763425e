"""`closure-readings package`: what another validator loads (https://hl7.org/fhir/packages.html).

fhircraft, an implementation that shares nothing with this project, loads the profiles out of the package as it would
out of a registry and judges good and bad resources by them.
"""

import copy
import io
import json
import tarfile
import warnings

import pytest
import requests
from pydantic import ValidationError
from requests.adapters import BaseAdapter
from typer.testing import CliRunner

from service.cli import app
from service.fhir import wire
from service.fhir.build.artefacts import artefacts
from service.fhir.package import file_name, package_name
from service.fhir.profiles import profile_rules
from service.fhir.validate import check, check_bytes
from service.fhir.validate.second_opinion import second_opinion
from service.terminology import load
from tests.fhir.build.course_of_nine import ALL, projected

TERMS = load()
RULES = profile_rules(TERMS)
NAME, VERSION = package_name(TERMS.base), TERMS.canonical["version"]


def written(folder):
    file = folder / "package.tgz"
    done = CliRunner().invoke(app, ["package", "--out", str(file)])
    assert done.exit_code == 0, done.output
    return file.read_bytes()


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    return written(tmp_path_factory.mktemp("package"))


@pytest.fixture(scope="module")
def members(packed):
    with tarfile.open(fileobj=io.BytesIO(packed), mode="r:gz") as tar:
        assert all(member.isfile() and (member.mtime, member.uid, member.uname) == (0, 0, "") for member in tar)
        return {member.name: tar.extractfile(member).read() for member in tar}


def folder_of(members, folder):
    return {name.rpartition("/")[2]: raw for name, raw in members.items() if name.rpartition("/")[0] == folder}


def test_the_same_tables_give_the_same_bytes(packed, tmp_path):
    assert written(tmp_path) == packed


def test_the_manifest_comes_first_and_names_what_r4_needs(members):
    assert next(iter(members)) == "package/package.json"
    manifest = json.loads(members["package/package.json"])
    assert (manifest["name"], manifest["version"]) == ("example.closure-readings", VERSION)
    assert manifest["fhirVersions"] == ["4.0.1"]
    assert manifest["dependencies"] == {"hl7.fhir.r4.core": "4.0.1"}
    assert manifest["canonical"] == TERMS.base


@pytest.mark.parametrize(
    ("base", "name"),
    [
        ("https://fhir.harbour.example/closure", "example.harbour.fhir"),
        ("http://localhost:8080/fhir", "local.localhost"),
    ],
)
def test_a_package_is_named_by_the_host_of_its_canonicals(base, name):
    assert package_name(base) == name


@pytest.mark.parametrize("folder", ["package", "package/example"])
def test_every_file_parses_and_the_index_agrees_with_the_files(members, folder):
    files = folder_of(members, folder)
    index = json.loads(files.pop(".index.json"))
    files.pop("package.json", None)
    assert index["index-version"] == 2
    assert [row["filename"] for row in index["files"]] == sorted(files)
    for row in index["files"]:
        resource = json.loads(files[row["filename"]])
        assert file_name(resource) == row["filename"]
        described = {key: value for key, value in row.items() if key != "filename"}
        assert described == {key: resource[key] for key in described}
        assert all(
            key in row for key in ("url", "version", "kind", "type", "derivation") if type(resource.get(key)) is str
        )


def test_every_artefact_is_in_it_as_it_is_published(members):
    files = folder_of(members, "package")
    for made in artefacts(TERMS):
        assert files[file_name(made)] == wire.write(made) + b"\n"
    assert len(files) == len(artefacts(TERMS)) + 2


def test_every_example_is_sound_and_every_profile_but_one_has_one(members):
    files = folder_of(members, "package/example")
    files.pop(".index.json")
    shown = set()
    for raw in files.values():
        assert [issue for issue in check_bytes(raw, RULES) if issue.severity == "error"] == []
        assert second_opinion(wire.read(raw), raw) == []
        shown |= set(json.loads(raw)["meta"]["profile"])
    without = {profile.key for profile in TERMS.profiles.values() if profile.url not in shown}
    assert without == {"closure-encounter"}  # the example course was charted without a stay


# Another implementation loads it


class OneRegistry(BaseAdapter):
    """Answers a download of this one package, as a registry would."""

    def __init__(self, content):
        super().__init__()
        self.content = content

    def send(self, request, **_):
        answer = requests.Response()
        answer.status_code, answer.raw, answer.request = 200, io.BytesIO(self.content), request
        return answer

    def close(self):
        pass


@pytest.fixture(scope="module")
def factory(packed):
    from fhircraft.fhir.packages.client import FHIRPackageRegistryClient
    from fhircraft.fhir.resources.factory import FHIRModelFactory

    session = requests.Session()
    session.mount("https://", OneRegistry(packed))
    client = FHIRPackageRegistryClient("https://registry.example", session=session)
    made = FHIRModelFactory("R4")
    definitions = client.load_resources_from_package(
        "StructureDefinition", NAME, VERSION, install_dependencies=False, raise_on_errors=True
    )
    for definition in definitions:
        made.register(definition)
    return made


def test_fhircraft_finds_every_profile_and_extension_in_the_package(factory):
    for made in artefacts(TERMS):
        if made["resourceType"] == "StructureDefinition":
            assert factory.has_registered_definition(made["url"])


# fhircraft 0.9 takes the pattern of value[x] for its default: where a value is absent it puts the pattern in its place
# and then finds value and dataAbsentReason together (obs-6). It can therefore not accept a reading that was not taken.
BLIND = "obs-6"


def judged(factory, resource):
    """What fhircraft objects to, by the profile that the resource names; empty for nothing."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of what it does not resolve
        model = factory.build(canonical_url=resource["meta"]["profile"][0])
        try:
            model.model_validate(json.loads(wire.write(resource)))
        except ValidationError as refusal:
            return str(refusal)
    return ""


@pytest.fixture(scope="module")
def good():
    """Resources of every profile that the course of nine entries gives rise to; two of each, first and last."""
    by_profile = {}
    for one in projected(ALL):
        by_profile.setdefault(one.resource["meta"]["profile"][0], []).append(one.resource)
    return {TERMS_KEYS[url]: [resources[0], resources[-1]] for url, resources in by_profile.items()}


TERMS_KEYS = {profile.url: profile.key for profile in TERMS.profiles.values()}
PROFILES = sorted(
    set(TERMS_KEYS.values()) - {"closure-provenance"}
)  # Provenance is written with its versions, by the store


def absent(resource):
    return "dataAbsentReason" in resource


@pytest.mark.slow
@pytest.mark.parametrize("key", PROFILES)
def test_fhircraft_accepts_good_instances_of_each_profile(factory, good, key):
    for resource in good[key]:
        if not absent(resource):
            assert judged(factory, resource) == ""


@pytest.mark.slow
@pytest.mark.parametrize("key", ["gap-width", "band-stretch"])
def test_fhircraft_cannot_judge_a_reading_that_was_not_taken_and_our_check_can(factory, key):
    url = TERMS.profile(key)
    taken = [one.resource for one in projected(ALL) if one.resource["meta"]["profile"] == [url]]
    missing = [resource for resource in taken if absent(resource)]
    assert missing
    assert BLIND in judged(factory, missing[0])
    assert [issue for issue in check(missing[0], RULES) if issue.severity == "error"] == []


def without(path):
    def break_it(resource):
        node = resource
        *steps, last = path.split(".")
        for step in steps:
            node = node[step][0] if isinstance(node[step], list) else node[step]
        del node[last]

    return break_it


def changed(path, value):
    def break_it(resource):
        node = resource
        *steps, last = path.split(".")
        for step in steps:
            node = node[step][0] if isinstance(node[step], list) else node[step]
        node[last] = value

    return break_it


# One fault each: a cardinality, a child of a datatype, a pattern, a unit, a choice of types, an invariant of a profile.
BAD = [
    ("closure-patient", without("identifier")),
    ("closure-patient", without("identifier.system")),
    ("closure-patient", without("identifier.value")),
    ("closure-encounter", without("subject")),
    ("wound-site", without("location")),
    ("open-wound", without("bodySite")),
    ("open-wound", without("category")),
    ("closure-plan", changed("category", [{"coding": [{"system": "urn:x", "code": "other"}]}])),
    ("closure-plan", without("goal")),
    ("closure-plan", changed("intent", "proposal")),
    ("closure-goal", without("target")),
    ("closure-goal", changed("target.measure", {"coding": [{"system": "urn:x", "code": "other"}]})),
    ("closure-procedure", without("performedDateTime")),
    ("closure-device", without("patient")),
    ("closure-device-use", without("derivedFrom")),
    ("closure-check", without("hasMember")),
    ("closure-check", without("performer")),
    ("gap-width", changed("code", {"coding": [{"system": "urn:x", "code": "other"}]})),
    ("gap-width", changed("valueQuantity.code", "mm")),
    ("gap-width", changed("valueQuantity.value", -1)),
    ("gap-width", without("component")),
    ("gap-width", without("performer")),
    ("band-stretch", without("device")),
    ("band-stretch", without("referenceRange")),
    ("band-stretch", without("interpretation")),
    ("band-stretch", without("referenceRange.high")),
    ("closure-reading", without("subject")),
    ("derived-measure", without("method")),
    ("derived-measure", without("derivedFrom")),
    ("reset-task", without("restriction")),
    ("reset-task", without("restriction.period.end")),
    ("reset-task", changed("intent", "plan")),
    ("closure-flag", without("code.text")),
    ("closure-flag", without("period")),
    ("closure-progress", without("subject")),
]


@pytest.mark.slow
@pytest.mark.parametrize(("key", "break_it"), BAD, ids=[f"{key}-{place}" for place, (key, _) in enumerate(BAD)])
def test_a_bad_instance_is_refused_by_fhircraft_and_by_our_check_alike(factory, good, key, break_it):
    sound = next(resource for resource in good[key] if not absent(resource))
    broken = copy.deepcopy(sound)
    break_it(broken)
    assert any(issue.severity == "error" for issue in check(broken, RULES))
    assert judged(factory, broken) != ""
