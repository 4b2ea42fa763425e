"""What is installed beside the service: pinned with hashes, of licences that may be, listed in a bill that is valid."""

import json
from datetime import UTC, datetime
from email import message_from_string
from importlib.metadata import version

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator

from tests.supply import licences
from tests.supply.audit import told, verdict
from tests.supply.licences import ALLOWED, UnknownLicence, licence, names_of
from tests.supply.lock import DEV_LOCK, RUN_LOCK, NotPinned, read_lock
from tests.supply.sbom import PROJECT, bill

NOW = datetime(2026, 3, 9, 12, tzinfo=UTC)
PINS = read_lock(RUN_LOCK.read_text("utf-8"))
HERE = [pin for pin in PINS if pin.applies]
HASH = "--hash=sha256:" + "0" * 64


@pytest.mark.parametrize("path", [RUN_LOCK, DEV_LOCK], ids=lambda path: path.name)
def test_everything_is_pinned_to_one_version_with_hashes(path):
    pins = read_lock(path.read_text("utf-8"))
    assert len(pins) > 40
    names = [pin.name for pin in pins if pin.applies]
    assert len(names) == len(set(names)), "one version here"
    assert all(len(set(pin.hashes)) == len(pin.hashes) for pin in pins)


@pytest.mark.parametrize(
    "line",
    [
        f"orjson>=3.10 {HASH}", f"orjson {HASH}", "orjson==3.13.0", f"orjson==3.* {HASH}", "orjson==3.1 --hash=md5:00",
        f"orjson @ https://mirror.example/orjson.whl {HASH}", "-e .", "--index-url https://mirror.example/simple",
        "./orjson.whl", "git+https://mirror.example/orjson.git",
    ],
)  # fmt: skip
def test_a_range_a_url_an_option_and_a_missing_hash_are_no_pins(line):
    with pytest.raises(NotPinned):
        read_lock(f"click==8.5.1 \\\n    {HASH}\n{line}\n")


def test_what_is_installed_here_is_what_the_lock_file_names():
    assert {pin.name: version(pin.name) for pin in HERE} == {pin.name: pin.version for pin in HERE}


@pytest.mark.parametrize("pin", HERE, ids=lambda pin: pin.name)
def test_its_licence_is_one_that_may_be(pin):
    assert names_of(licence(pin.name)) <= ALLOWED


@pytest.mark.parametrize(
    "stated",
    ["License: Proprietary", "License-Expression: AGPL-3.0-only", "Classifier: License :: X", "Name: x"],
)
def test_a_package_of_another_licence_or_none_is_refused(monkeypatch, stated):
    monkeypatch.setattr(licences, "metadata", lambda name: message_from_string(f"{stated}\n"))
    with pytest.raises(UnknownLicence):
        licence("some-package")


def test_the_bill_of_materials_is_valid_by_the_published_schema():
    """The schema of CycloneDX 1.6 as its own library carries it (https://cyclonedx.org/specification/overview)."""
    made = bill(RUN_LOCK.read_text("utf-8"), NOW)
    validator = JsonStrictValidator(SchemaVersion.V1_6)
    assert validator.validate_str(made) is None
    broken = json.loads(made)
    broken["components"][0]["hashes"][0]["content"] = "no hash"
    assert validator.validate_str(json.dumps(broken)) is not None, "the validator refuses something"


def test_the_bill_lists_every_pin_with_its_hashes_licence_and_what_it_needs():
    made = json.loads(bill(RUN_LOCK.read_text("utf-8"), NOW))
    listed = {(one["name"], one["version"]): one for one in made["components"]}
    assert set(listed) == {(pin.name, pin.version) for pin in PINS}
    for pin in PINS:
        one = listed[pin.name, pin.version]
        assert sorted(each["content"] for each in one["hashes"]) == sorted(pin.hashes)
        assert one["purl"] == f"pkg:pypi/{pin.name}@{pin.version}"
        assert bool(one.get("licenses")) == pin.applies
    needs = {one["ref"]: one.get("dependsOn", []) for one in made["dependencies"]}
    assert {"fastapi", "psycopg"} <= {ref.partition("/")[2].partition("@")[0] for ref in needs[PROJECT]}
    reached, ahead = set(), [PROJECT]
    while ahead:
        ref = ahead.pop()
        if ref not in reached:
            reached.add(ref)
            ahead += needs[ref]
    unreached = {one["name"] for one in made["components"] if one["bom-ref"] not in reached}
    assert unreached <= {pin.name for pin in PINS if not pin.applies}, "nothing is installed that nobody needs"


def test_the_same_lock_file_gives_the_same_bill():
    text = RUN_LOCK.read_text("utf-8")
    assert bill(text, NOW) == bill(text, NOW)
    assert json.loads(bill(text, NOW))["serialNumber"] != json.loads(bill(text + "\n", NOW))["serialNumber"]


FAULT = {"id": "PYSEC-0000-1", "fix_versions": ["2.0"], "aliases": [], "description": ""}
CLEAN = {"name": "click", "version": "8.5.1", "vulns": []}
SKIPPED = {"name": "orjson", "skip_reason": "Dependency not found"}


@pytest.mark.parametrize(
    ("packages", "code", "strict_code", "words"),
    [
        ([CLEAN], 0, 0, "every package was looked up; no fault is known"),
        (
            [CLEAN, {**CLEAN, "name": "h11", "vulns": [FAULT]}],
            1,
            1,
            "known fault: h11 8.5.1: PYSEC-0000-1, mended in 2.0",
        ),
        ([CLEAN, SKIPPED], 0, 1, "NOT AUDITED, no advisory data could be had: orjson"),
        (None, 0, 1, "NOT AUDITED, no advisory data could be had: every package"),
    ],
)
def test_what_was_not_looked_up_is_never_called_free_of_faults(packages, code, strict_code, words):
    found = verdict(None if packages is None else {"dependencies": packages, "fixes": []})
    assert told(*found, must_know=False)[0] == code
    assert told(*found, must_know=True)[0] == strict_code
    assert words in told(*found, must_know=False)[1]
    assert ("no fault is known" in told(*found, must_know=False)[1]) == (packages == [CLEAN])
