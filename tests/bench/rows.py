"""Stores of ten thousand to a million resources: rows of a course that the service recorded, cast again and again.

Each further course has ids, a patient and days of its own; its rows go in through the service's own statements, in the
order in which a ward would have written them. What the bodies say stays that of the first course: a search compares
columns and serves bodies, so both do the same work as with readings of their own.
"""

import random
import re
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select, update

from service.store.engines import engines
from service.store.statements import Statement, insertion
from service.store.tables import courses, identifiers, resources, site_clocks

_UUID = re.compile(rb"([0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-)([0-9a-f]{12})")
_INSERT = {table.name: Statement(insertion(table)) for table in (courses, resources, identifiers)}
_HOUR = 3_600_000_000
_AT_ONCE = 20  # courses a transaction
_DATES = ("date_low", "date_high", "other_date_low", "other_date_high")
_FAR = 2**62  # dates beyond are open ends
Row = dict[str, Any]


class Mold:
    """The rows of one recorded course, and the casts made of them so far."""

    def __init__(self, database_url: str, site: str, course_id: str) -> None:
        self._writer, reader = engines(database_url, "OFF")
        reader.dispose()
        self._site = site
        with self._writer.connect() as connection:
            self._course = _rows(connection, courses, courses.c.course_id == course_id)[0]
            mine = (resources.c.site == site) & (resources.c.patient == self._course["patient_id"])
            self._resources = sorted(_rows(connection, resources, mine), key=lambda row: row["arrival"])
            arrivals = {(row["type"], row["arrival"]) for row in self._resources}
            every = _rows(connection, identifiers, identifiers.c.site == site)
            self._identifiers = [row for row in every if (row["type"], row["arrival"]) in arrivals]
        self.course_id = course_id
        self.casts = 0

    def __len__(self) -> int:
        return len(self._resources)

    def patient(self, cast: int) -> str:
        """Id of the Patient of a cast; 0 is the recorded course itself."""
        return _named(self._course["patient_id"], cast)

    def fill(self, resources_in_all: int) -> None:
        """Cast courses until the store holds so many resources."""
        wanted = max(0, round(resources_in_all / len(self)) - 1)
        while self.casts < wanted:
            with self._writer.begin() as connection:
                for _ in range(min(_AT_ONCE, wanted - self.casts)):
                    self.casts += 1
                    self._cast(connection, self.casts)
        if self._writer.dialect.name == "postgresql":
            with self._writer.begin() as connection:  # what autovacuum does within a minute of such growth
                connection.exec_driver_sql("ANALYZE")

    def close(self) -> None:
        self._writer.dispose()

    def _cast(self, connection: Connection, cast: int) -> None:
        clock = connection.execute(select(site_clocks).where(site_clocks.c.site == self._site)).one()
        moved = clock.last_arrival + 1 - self._resources[0]["arrival"]
        rows = [self._moved(row, cast, moved) for row in self._resources]
        course = self._course | {"course_id": f"{self.course_id}-{cast}", "patient_id": self.patient(cast)}
        _INSERT["courses"].run(connection, course)
        _INSERT["resources"].run_each(connection, rows)
        _INSERT["identifiers"].run_each(
            connection,
            (row | {"arrival": row["arrival"] + moved, "value": f"{cast}/{row['value']}"} for row in self._identifiers),
        )
        after = {"last_arrival": rows[-1]["arrival"], "last_updated": rows[-1]["last_updated"]}
        connection.execute(update(site_clocks).where(site_clocks.c.site == self._site).values(after))

    def _moved(self, row: Row, cast: int, by: int) -> Row:
        dates = {name: row[name] + cast * _HOUR if abs(row[name]) < _FAR else row[name] for name in _DATES}
        return {
            **row,
            **dates,
            "arrival": row["arrival"] + by,
            "id": _named(row["id"], cast),
            "patient": _named(row["patient"], cast),
            "course_id": row["course_id"] and f"{row['course_id']}-{cast}",
            "last_updated": row["last_updated"] + cast * 1000,
            "terms": _renamed(row["terms"].encode(), cast).decode(),
            "body": _renamed(row["body"], cast),
        }


def _rows(connection: Connection, table: Any, where: Any) -> list[Row]:
    return [dict(row._mapping) for row in connection.execute(select(table).where(where))]


def _renamed(text: bytes, cast: int) -> bytes:
    """The text with every id replaced by that of the cast."""
    return _UUID.sub(lambda found: found[1] + _tail(found[2], cast), text)


def _named(id_: str, cast: int) -> str:
    return _renamed(id_.encode(), cast).decode()


def _tail(digits: bytes, cast: int) -> bytes:
    return b"%012x" % (int(digits, 16) ^ cast)


def random_casts(mold: Mold, times: int, seed: int = 7) -> Sequence[int]:
    """Casts to ask for, seeded."""
    chosen = random.Random(seed)
    return [chosen.randrange(mold.casts + 1) for _ in range(times)]
