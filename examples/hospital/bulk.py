"""Everything of some types into one table: python bulk.py TABLE.csv TYPE...

Bulk Data Access 2.0: begin, ask until it is done, fetch the files, say that they may be deleted. The table has a row a
resource and a column a path; `pandas.read_csv(TABLE)` or `duckdb.read_csv(TABLE)` makes a data frame of it.
"""

import json
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from answers import seconds_to_wait
from server import Server
from table import written

LONGEST_S = 3600


def main(table: Path, types: list[str]) -> None:
    print(written(exported(Server(), types), table))


def exported(server: Server, types: list[str]) -> Iterator[dict[str, Any]]:
    wish = {"Prefer": "respond-async"}
    begun = server.request("GET", "Patient/$export", params={"_type": ",".join(types)}, headers=wish)
    status_url = begun.headers["Content-Location"]
    try:
        manifest = finished(server, status_url)
        if manifest.get("error"):
            raise SystemExit(f"the server could not export everything: {manifest['error']}")
        for part in manifest["output"]:
            # one file in memory at a time; it is not fetched from another server, which would see our token
            lines = server.request("GET", part["url"], headers={"Accept": "application/fhir+ndjson"}).text.split("\n")
            found = [json.loads(line) for line in lines if line]
            if len(found) != part.get("count", len(found)):
                raise SystemExit(f"{part['url']} came with {len(found)} of {part['count']} lines")
            yield from found
    finally:
        server.request("DELETE", status_url)


def finished(server: Server, status_url: str) -> dict[str, Any]:
    given_up_at = time.monotonic() + LONGEST_S
    while time.monotonic() < given_up_at:
        answer = server.request("GET", status_url, headers={"Accept": "application/json"})
        if answer.status_code == 200:
            return answer.json()
        time.sleep(seconds_to_wait(answer, 10.0))
    raise SystemExit(f"the export did not end within {LONGEST_S} s")


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
