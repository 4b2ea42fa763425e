"""Fetch what changed since the last time: python poll.py INBOX.sqlite3 TYPE...

Run it by a timer. What came and how far we are is written in one commit: killed at any moment, it misses nothing and
takes nothing twice. A resource that changed twice in between comes once, as it is now; its versions are in `_history`.
"""

import json
import sqlite3
import sys
from contextlib import closing

from server import Server

TABLES = """
    CREATE TABLE IF NOT EXISTS received (
        type TEXT, id TEXT, version TEXT, body TEXT, PRIMARY KEY (type, id, version));
    CREATE TABLE IF NOT EXISTS mark (type TEXT PRIMARY KEY, last_updated TEXT);
"""


def main(inbox: str, types: list[str]) -> None:
    server = Server()
    with closing(sqlite3.connect(inbox)) as database:
        database.executescript(TABLES)
        for type_ in types:
            print(type_, fetched(server, database, type_))


def fetched(server: Server, database: sqlite3.Connection, type_: str) -> int:
    """How many versions were new. The server's lastUpdated never runs backwards, so that a mark is enough."""
    found = database.execute("SELECT last_updated FROM mark WHERE type = ?", [type_]).fetchone()
    # `ge`, not `gt`: everything of one write has one time. What came already is known by its version.
    since = {"_lastUpdated": f"ge{found[0]}"} if found else {}
    new, mark = 0, found[0] if found else ""
    with database:
        for resource in server.search(type_, _sort="_lastUpdated", _count=100, **since):
            row = [type_, resource["id"], resource["meta"]["versionId"], json.dumps(resource)]
            new += database.execute("INSERT OR IGNORE INTO received VALUES (?, ?, ?, ?)", row).rowcount
            mark = resource["meta"]["lastUpdated"]
        if mark:
            database.execute("INSERT OR REPLACE INTO mark VALUES (?, ?)", [type_, mark])
    return new


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2:])
