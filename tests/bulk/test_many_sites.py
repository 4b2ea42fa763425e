"""The whole way of a registry, with the programs that people use: three hospitals chart, two agree, examples/registry
signs in and fetches, `registry load` and `registry report` make of it what is shown.
"""

import gzip
import html
import json
import os
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import requests

from service.config import Settings
from service.deidentify.pseudonyms import Pseudonyms
from service.registry.cohort import TABLES
from service.registry.loading import load_folders
from service.registry.tables import open_registry, read_views
from tests.deidentify.releases import KEY
from tests.deidentify.test_scan import identifying, is_telling, words
from tests.live import command, live_service
from tests.signing_in import signed_in

EXAMPLES = Path(__file__).parents[2] / "examples"
SCRIPT = EXAMPLES / "registry" / "fetch.py"
CHARTED = {"alder-bay": ("01", "02", "05"), "heron-quay": ("02", "05", "10"), "mill-reach": ("01", "05")}
AGREEING, SILENT = ("alder-bay", "heron-quay"), "mill-reach"
SCOPE = "system/*.rs intake:write"


@dataclass(frozen=True)
class Installation:
    """A service with three sites, the header of each hospital's own client, and what the registry's script is told."""

    folder: Path
    base: str
    headers: dict[str, dict[str, str]]
    told: dict[str, str]

    @property
    def registry(self) -> str:
        """The id of the registry's client."""
        return self.told["READINGS_CLIENT_ID"]

    def chart(self, site: str, *names: str) -> None:
        """Send the courses of examples as the hospital would."""
        for file in sorted(file for name in names for file in next(EXAMPLES.glob(f"{name}*")).glob("course*.json")):
            header = self.headers[site] | {"Content-Type": "application/json"}
            sent = requests.post(f"{self.base}/intake/courses", file.read_bytes(), headers=header, timeout=30)
            assert sent.ok, sent.text

    def of_site(self, site: str, type_: str) -> list[dict[str, Any]]:
        """Every resource of a type, as the hospital itself finds it."""
        found, url = [], f"{self.base}/fhir/{type_}?_count=1000"
        while url:
            page = requests.get(url, headers=self.headers[site], timeout=30).json()
            found += [entry["resource"] for entry in page.get("entry", ())]
            url = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
        return found

    def pseudonyms(self, site: str, type_: str) -> set[str]:
        """What the ids of a site's resources become for this registry."""
        names = Pseudonyms(KEY, self.registry, site)
        return {names.id(type_, each["id"]) for each in self.of_site(site, type_)}

    def fetched(self, folder: Path) -> Path:
        """Run the registry's script; the folder that it made."""
        given = [sys.executable, "-W", "error", str(SCRIPT), str(folder)]
        done = subprocess.run(
            given, env=os.environ | self.told, capture_output=True, text=True, timeout=60, check=False
        )
        assert done.returncode == 0, done.stderr
        return Path(done.stdout.strip())

    def run(self, *arguments: str) -> str:
        """Run a command that must end well; what it printed."""
        done = command(self.folder, *arguments)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout.strip()


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Installation]:
    folder = tmp_path_factory.mktemp("sites")
    settings = Settings(database_url=f"sqlite:///{folder}/live.sqlite3")
    headers = {site: signed_in(settings, datetime.now(UTC), SCOPE, site) for site in CHARTED}
    key = folder / "registry.key"
    key.write_bytes(KEY)
    key.chmod(0o600)
    with live_service(folder) as live:
        told = {"READINGS_BASE": live.fhir, "READINGS_KEY_FILE": str(folder / "private-key.json")}
        opened = Installation(folder, live.base, headers, told)
        subprocess.run([sys.executable, str(EXAMPLES / "hospital" / "make_keys.py"), str(folder)], check=True)
        public = str(folder / "public-keys.json")
        added = opened.run("clients", "add", "North", "--registry", "--jwks", public, "--scope", "system/*.rs")
        told["READINGS_CLIENT_ID"] = added
        for site in AGREEING:
            opened.run("registries", "agree", site, added, "--mode", "research", "--key", str(key))
        for site, names in CHARTED.items():
            opened.chart(site, *names)
        yield opened


@pytest.fixture(scope="module")
def kept(installation: Installation) -> Path:
    """Where the registry keeps what it fetches."""
    return installation.folder / "kept"


@pytest.fixture(scope="module")
def brought(installation: Installation, kept: Path) -> Path:
    """The folder of the first export."""
    return installation.fetched(kept)


def lines_of(folder: Path, *types: str) -> list[dict[str, Any]]:
    """The resources in a folder, of these types or of all."""
    lines = [line for path in folder.rglob("*.ndjson.gz") for line in gzip.decompress(path.read_bytes()).splitlines()]
    return [each for line in lines if (each := json.loads(line))["resourceType"] in types or not types]


def sites_in(folder: Path) -> Counter[str]:
    """Pseudonym of a site -> its courses."""
    return Counter(each["meta"]["source"] for each in lines_of(folder, "CarePlan"))


def test_two_sites_that_agreed_come_out_and_the_third_does_not(installation, brought):
    for type_ in ("Patient", "CarePlan", "Observation"):
        known = {site: installation.pseudonyms(site, type_) for site in CHARTED}
        assert all(known.values())
        found = {each["id"] for each in lines_of(brought, type_)}
        assert found == known["alder-bay"] | known["heron-quay"]
        assert not found & known[SILENT]
    assert len(sites_in(brought)) == len(AGREEING)


def test_no_word_that_identifies_somebody_comes_out(installation, brought):
    people = [
        each for site in CHARTED for kind in ("Patient", "Practitioner") for each in installation.of_site(site, kind)
    ]
    values = {value for each in people for value in identifying(each)}
    needles = {word for value in values for word in words(value) if is_telling(word, value)}
    assert len(needles) > 20
    text = "\n".join(json.dumps(each, ensure_ascii=False) for each in lines_of(brought))
    leaked = needles & words(text)
    assert not leaked
    assert not [site for site in CHARTED if site in text]


def test_a_registry_reads_and_searches_nothing(installation):
    settings = Settings(database_url=f"sqlite:///{installation.folder}/live.sqlite3")
    header = signed_in(settings, datetime.now(UTC), "system/*.rs", "")
    for path in ("Patient", "Observation?_count=1", "Patient/_history"):
        assert requests.get(f"{installation.base}/fhir/{path}", headers=header, timeout=30).status_code == 403, path


def test_the_export_is_loaded_and_reported(installation, brought, tmp_path):
    file, out = tmp_path / "registry.duckdb", tmp_path / "report"
    told = Counter(each["resourceType"] for each in lines_of(brought))
    loaded = installation.run("registry", "load", str(brought), "--into", str(file), "--processes", "1")
    assert f"{told.total()} sound resources" in loaded
    assert f"CarePlan: {told['CarePlan']} taken, 0 older or given twice" in loaded
    installation.run("registry", "report", str(file), "--out", str(out))
    page = html.unescape((out / "report.html").read_text())
    courses = sum(len(installation.of_site(site, "CarePlan")) for site in AGREEING)
    assert courses == told["CarePlan"]
    assert f"{courses} courses" in page
    assert not [site for site in CHARTED if site in page]


def tables_of(folder: Path) -> dict[str, list[str]]:
    """Every table of what lies in a folder, rows in any order."""
    with open_registry(":memory:", read_views()) as connection:
        assert load_folders(connection, read_views(), [folder]).rejects == []
        return {name: sorted(map(repr, connection.table(name).fetchall())) for name in TABLES}


def test_fetching_again_brings_what_was_charted_since_and_both_together_are_the_whole(
    installation, brought, kept, tmp_path
):
    installation.chart("heron-quay", "06")
    later = installation.fetched(kept)
    assert 0 < len(lines_of(later, "CarePlan")) < len(lines_of(brought, "CarePlan"))
    whole = tables_of(installation.fetched(tmp_path / "whole"))
    assert all(whole[name] for name in ("courses", "checks", "bands", "outcomes"))
    assert tables_of(kept) == whole
    assert tables_of(brought) != whole


def test_a_site_that_ends_its_agreement_is_not_in_the_next_export(installation, brought, tmp_path):
    installation.run("registries", "end", "heron-quay", installation.registry)
    after = sites_in(installation.fetched(tmp_path / "after"))
    assert len(after) == 1
    assert after.items() <= sites_in(brought).items()
