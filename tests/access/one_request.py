"""A process of its own that waits for the others, then sends one token request and says what it got.

Run as `python -m tests.access.one_request DATABASE_URL GO_FILE` with the assertion on standard input.
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


def main(url: str, go: Path) -> None:
    text = sys.stdin.read()
    database = open_access_database(url)
    database.ready()
    endpoint = TokenEndpoint(database, KeySets(frozenset()), TOKEN_URL, TYPES)
    print("ready", flush=True)
    while not go.exists():
        time.sleep(0.0005)
    try:
        endpoint.grant(form(text), NOW)
        print("granted")
    except TokenRefused as refused:
        print(refused.description)
    database.close()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]))
