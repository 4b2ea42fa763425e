"""smart-fetch (PyPI), a client that others wrote: its bulk export and its crawl by search bring the same counts.

It speaks SMART Backend Services too; here it meets the open demonstration, which asks for no token.
"""

import gzip
import subprocess
import sys
from pathlib import Path

import requests

from tests.live import live_service

TYPES = ("Condition", "Device", "DiagnosticReport", "Encounter", "Observation", "Patient", "Procedure")
EXAMPLES = Path(__file__).parents[2] / "examples"


def fetch(way: str, base: str, out: Path, *more: str) -> dict[str, int]:
    """Run the client; type -> lines of what it brought."""
    client = Path(sys.executable).with_name("smart-fetch")
    command = [client, way, "--fhir-url", f"{base}/fhir", "--no-default-filters", "--type", ",".join(TYPES), *more, out]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return {
        type_: sum(len(gzip.decompress(file.read_bytes()).splitlines()) for file in out.glob(f"{type_}.*ndjson.gz"))
        for type_ in TYPES
    }


def searched(base: str, type_: str) -> int:
    """How many the search says there are."""
    total: int = requests.get(f"{base}/fhir/{type_}?_summary=count&_total=accurate", timeout=30).json()["total"]
    return total


def test_an_independent_client_brings_the_same_by_export_and_by_search(tmp_path):
    with live_service(tmp_path) as live:
        for name in ("02", "05"):
            for file in sorted(next(EXAMPLES.glob(f"{name}*")).glob("course*.json")):
                sent = requests.post(
                    f"{live.base}/intake/courses",
                    data=file.read_bytes(),
                    headers={"Content-Type": "application/json"},
                    timeout=30,
                )
                assert sent.ok, sent.text
        exported = fetch("bulk", live.base, tmp_path / "exported")
        crawled = fetch("crawl", live.base, tmp_path / "crawled", "--source-dir", str(tmp_path / "exported"))
        assert exported == {type_: searched(live.base, type_) for type_ in TYPES}
        assert exported == crawled
        assert all(exported.values())
