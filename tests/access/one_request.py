"""A process of its own that sends token requests when it is told to, and says what it got for each.

Run as `python -m tests.access.one_request DATABASE_URL FOLDER` with one assertion a line on standard input; the request
of line n is sent as soon as FOLDER holds a file `go-n`, so that several processes send at the same moment.
"""

import sys
import time
from pathlib import Path

from service.access.faults import TokenRefused
from service.access.key_fetch import KeySets
from service.access.token_endpoint import TokenEndpoint
from service.store.access import open_access_database
from tests.access.conftest import NOW
from tests.access.sender import TOKEN_URL, TYPES, form


def main(url: str, folder: Path) -> None:
    lines = sys.stdin.read().split()
    database = open_access_database(url)
    database.ready()
    endpoint = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
    print("ready", flush=True)
    for number, text in enumerate(lines):
        go = folder / f"go-{number}"
        while not go.exists():
            time.sleep(0.0005)
        try:
            endpoint.grant(form(text), NOW)
            print("granted", flush=True)
        except TokenRefused as refused:
            print(refused.description, flush=True)
    database.close()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
