"""A service with two courses behind access control, and the hospital's scripts, run as their readers would run them."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import requests

from tests.live import Live, add_client, start_service

EXAMPLES = Path(__file__).parents[2] / "examples"
SCRIPTS = EXAMPLES / "hospital"
SCOPE = "system/*.rs intake:write"


@dataclass
class Ward:
    """The service, and what a script needs to be told."""

    folder: Path
    live: Live
    environment: dict[str, str]

    def run(
        self, script: str, *arguments: str, cwd: Path | None = None, **changes: str
    ) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-W", "error", str(SCRIPTS / f"{script}.py"), *arguments],
            env=self.environment | changes, capture_output=True, text=True, timeout=60, check=False, cwd=cwd,
        )  # fmt: skip

    def lines(self, script: str, *arguments: str, **changes: str) -> list[list[str]]:
        """What a script printed, by tabulators; it must have ended well."""
        done = self.run(script, *arguments, **changes)
        assert done.returncode == 0, done.stderr
        return [line.split("\t") for line in done.stdout.splitlines()]

    def header(self) -> dict[str, str]:
        """A token of the same client, got by the scripts' own sign-in."""
        program = "from sign_in import SignIn; s = SignIn(); s.renew(); print(s.token)"
        environment = self.environment | {"PYTHONPATH": str(SCRIPTS)}
        done = subprocess.run(
            [sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=True
        )
        return {"Authorization": f"Bearer {done.stdout.strip()}"}

    def send(self, example: str, *, entries: slice = slice(None)) -> None:
        """Record the courses of an example, or some entries of each."""
        header = self.header() | {"Content-Type": "application/json"}
        for file in sorted(next(EXAMPLES.glob(f"{example}*")).glob("course*.json")):
            document = json.loads(file.read_text())
            document["entries"] = document["entries"][entries]
            sent = requests.post(f"{self.live.base}/intake/courses", json.dumps(document), headers=header, timeout=20)
            assert sent.ok, sent.text

    def get(self, path: str) -> Any:
        return requests.get(f"{self.live.fhir}/{path}", headers=self.header(), timeout=20).json()


@pytest.fixture(scope="module")
def ward(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ward]:
    folder = tmp_path_factory.mktemp("ward")
    keys = subprocess.run([sys.executable, str(SCRIPTS / "make_keys.py"), str(folder)], check=True, capture_output=True)
    assert b"private-key.json" in keys.stdout
    client_id = add_client(folder, str(folder / "public-keys.json"), SCOPE)
    live = start_service(folder, CLOSURE_READINGS_AUDIT_READERS=client_id)
    told = {
        "READINGS_BASE": live.fhir,
        "READINGS_CLIENT_ID": client_id,
        "READINGS_KEY_FILE": str(folder / "private-key.json"),
        "READINGS_SCOPE": SCOPE,
    }
    opened = Ward(folder, live, os.environ | told)
    try:
        opened.send("02")
        yield opened
    finally:
        live.process.terminate()
        live.process.wait(timeout=20)
