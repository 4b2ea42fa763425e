"""Fetch what a registry may have into a folder for `registry load`: python fetch.py FOLDER [TYPE...]

Each run adds a folder; the next one asks only for what changed since. A run that stops half-way leaves nothing, and the
next asks again from where the last whole one ended. Signing in is that of examples/hospital (README.md there).
"""

import gzip
import json
import shutil
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parents[1] / "hospital"))

from bulk import finished
from server import Server

TYPES = ("CarePlan", "Condition", "Flag", "Observation", "Patient", "Procedure", "Provenance")  # what the tables read
NDJSON = {"Accept": "application/fhir+ndjson"}


def main(folder: Path, types: Iterable[str]) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    since = folder / "since.txt"
    asked = {"_type": ",".join(types)} | ({"_since": since.read_text()} if since.exists() else {})
    server = Server()
    begun = server.request("GET", "Patient/$export", params=asked, headers={"Prefer": "respond-async"})
    status_url = begun.headers["Content-Location"]
    try:
        manifest = finished(server, status_url)
        written = kept(server, manifest, folder)
    finally:
        server.request("DELETE", status_url)
    since.write_text(manifest["transactionTime"])  # last: whatever went wrong before is asked for again
    print(written)


def kept(server: Server, manifest: dict[str, Any], folder: Path) -> Path:
    """The folder of this run; it has its name only once everything is in it."""
    half, done = folder / ".half", folder / manifest["transactionTime"].replace(":", "")
    shutil.rmtree(half, ignore_errors=True)  # of a run that stopped
    half.mkdir()
    for number, part in enumerate(manifest["output"], 1):
        fetched(server, part, half / f"{part['type']}-{number}.ndjson.gz")
    for part in manifest.get("error", ()):
        for line in server.request("GET", part["url"], headers=NDJSON).text.splitlines():
            print("server:", json.loads(line)["issue"][0].get("diagnostics", "no reason"), file=sys.stderr)
    for number, part in enumerate(manifest.get("deleted", ()), 1):
        (half / f"deleted-{number}.txt").write_text(server.request("GET", part["url"], headers=NDJSON).text)
        print(f"deleted at the source: take out what {done}/deleted-{number}.txt names", file=sys.stderr)
    return half.rename(done)


def fetched(server: Server, part: dict[str, Any], path: Path) -> None:
    """One file, piece by piece; its lines are counted against the manifest."""
    lines = 0
    with server.request("GET", part["url"], headers=NDJSON, stream=True) as answer, gzip.open(path, "wb") as file:
        for piece in answer.iter_content(1 << 18):
            file.write(piece)
            lines += piece.count(b"\n")
    if lines != part.get("count", lines):
        raise SystemExit(f"{part['url']} came with {lines} of {part['count']} lines")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:] or TYPES)
