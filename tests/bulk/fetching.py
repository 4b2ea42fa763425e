"""smart-fetch (PyPI), a client that others wrote, signed in as SMART Backend Services with keys of its own.

Of itself it does: discovery, assertion (private_key_jwt), token, export, poll, download with gzip, crawl by search.
"""

import gzip
import json
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from joserfc.jwk import RSAKey

from tests.live import command

PROGRAM = Path(sys.executable).with_name("smart-fetch")
WITHIN_S = 120


@dataclass(frozen=True)
class Fetcher:
    """A registered client; its keys lie in `folder`."""

    folder: Path
    client_id: str

    def run(self, way: str, fhir: str, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
        """Run the client to its end: `bulk` or `crawl`."""
        who = ["--smart-client-id", self.client_id, "--smart-key", self.folder / "private.jwks"]
        given = [PROGRAM, way, "--fhir-url", fhir, "--no-default-filters", *who, *more, out]
        return subprocess.run(given, capture_output=True, text=True, timeout=WITHIN_S, check=False)

    def fetch(self, way: str, fhir: str, out: Path, types: Sequence[str], *more: str) -> list[dict[str, Any]]:
        """The resources that it brought of these types; it must have ended well."""
        done = self.run(way, fhir, out, "--type", ",".join(types), *more)
        assert done.returncode == 0, done.stdout + done.stderr
        lines = [line for path in resource_files(out) for line in gzip.decompress(path.read_bytes()).splitlines()]
        return [json.loads(line) for line in lines]


def resource_files(out: Path) -> list[Path]:
    """The files of resources; the client's own log is not among them."""
    return sorted(out.glob("*.ndjson.gz"))


def counted(resources: Sequence[dict[str, Any]]) -> Counter[str]:
    """Resource type -> how many."""
    return Counter(each["resourceType"] for each in resources)


def make_keys(folder: Path) -> None:
    """`private.jwks` as the client wants it, `public.json` to be handed over."""
    folder.mkdir(exist_ok=True)
    key = RSAKey.generate_key(2048, {"alg": "RS384", "key_ops": ["sign"]}, private=True, auto_kid=True)
    (folder / "private.jwks").write_text(json.dumps({"keys": [key.as_dict(private=True)]}))
    public = {name: value for name, value in key.as_dict(private=False).items() if name != "key_ops"}
    (folder / "public.json").write_text(json.dumps({"keys": [public]}))


def registered(database: Path, name: str, *whose: str, scope: str = "system/*.rs") -> Fetcher:
    """Register a client by the command line: `whose` is `--site`, S or `--registry`."""
    folder = database / name
    make_keys(folder)
    added = command(database, "clients", "add", name, *whose, "--jwks", str(folder / "public.json"), "--scope", scope)
    assert added.returncode == 0, added.stderr
    return Fetcher(folder, added.stdout.strip())
