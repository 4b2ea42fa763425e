"""smart-fetch (PyPI), a client that others wrote: it signs in; its export and its crawl by search bring the same."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
import requests

from service.config import Settings
from tests.bulk.fetching import Fetcher, counted, make_keys, registered
from tests.live import live_service
from tests.signing_in import token_of

TYPES = ("Condition", "Device", "DiagnosticReport", "Encounter", "Observation", "Patient", "Procedure")
EXAMPLES = Path(__file__).parents[2] / "examples"
SITE = "alder-bay"


@dataclass(frozen=True)
class Served:
    """A service behind access control, its client of others, and the header of a request of our own."""

    folder: Path
    fhir: str
    client: Fetcher
    header: dict[str, str]

    def searched(self, type_: str) -> int:
        """How many the search says there are."""
        url = f"{self.fhir}/{type_}?_summary=count&_total=accurate"
        total: int = requests.get(url, headers=self.header, timeout=30).json()["total"]
        return total


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("served")
    client = registered(folder, "analyst", "--site", SITE, scope="system/*.rs intake:write")
    settings = Settings(database_url=f"sqlite:///{folder}/live.sqlite3")
    token = token_of(settings, client.client_id, datetime.now(UTC), "system/*.rs intake:write")
    header = {"Authorization": f"Bearer {token}"}
    with live_service(folder) as live:
        for name in ("02", "05"):
            for file in sorted(next(EXAMPLES.glob(f"{name}*")).glob("course*.json")):
                typed = header | {"Content-Type": "application/json"}
                sent = requests.post(f"{live.base}/intake/courses", file.read_bytes(), headers=typed, timeout=30)
                assert sent.ok, sent.text
        yield Served(folder, live.fhir, client, header)


def test_an_independent_client_signs_in_and_brings_the_same_by_export_and_by_search(served, tmp_path):
    exported = served.client.fetch("bulk", served.fhir, tmp_path / "exported", TYPES)
    source = ("--source-dir", str(tmp_path / "exported"))
    crawled = served.client.fetch("crawl", served.fhir, tmp_path / "crawled", TYPES, *source)
    assert counted(exported) == {type_: served.searched(type_) for type_ in TYPES}
    assert all(counted(exported)[type_] for type_ in TYPES)
    by_id = [{(each["resourceType"], each["id"]): each for each in some} for some in (exported, crawled)]
    assert by_id[0] == by_id[1]
    assert len(by_id[0]) == len(exported) == len(crawled)


def test_the_same_client_with_a_key_that_nobody_registered_gets_nothing(served, tmp_path):
    make_keys(tmp_path / "another")
    stranger = Fetcher(tmp_path / "another", served.client.client_id)
    done = stranger.run("bulk", served.fhir, tmp_path / "out", "--type", "Patient")
    assert done.returncode != 0
    assert "the assertion is not one of a registered client" in " ".join(done.stderr.split())
    assert not list((tmp_path / "out").glob("*.gz"))
