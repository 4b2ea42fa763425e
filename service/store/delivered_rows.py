"""What is at a destination already: under which id, and which of our versions."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, select
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from service.store.delivery_tables import delivered_resources
from service.store.statements import ListStatement, Statement, list_sizes, one_of_list

Key = tuple[str, str]  # type, id

_r = delivered_resources.c
_FOUND = ListStatement(
    {
        size: Statement(
            select(_r.type, _r.id, _r.remote_id, _r.version, _r.theirs).where(
                _r.site == bindparam("site"), _r.destination == bindparam("destination"), one_of_list(_r.id, size)
            )
        )
        for size in list_sizes()
    }
)


class Delivered(NamedTuple):
    """A resource at a destination. Version 0: it is there and what it says is not known."""

    type: str
    id: str
    remote_id: str
    version: int
    theirs: bool


def delivered(connection: Connection, site: str, destination: str, keys: Iterable[Key]) -> dict[Key, Delivered]:
    """What is known of resources (type, id) at a destination; those never delivered are left out."""
    wanted = set(keys)
    asked = {"site": site, "destination": destination}
    rows = _FOUND.rows(connection, sorted({id_ for _, id_ in wanted}), asked)
    return {
        (type_, id_): Delivered(type_, id_, remote_id, version, bool(theirs))
        for type_, id_, remote_id, version, theirs in rows
        if (type_, id_) in wanted
    }


def note_delivered(connection: Connection, site: str, destination: str, rows: Iterable[Delivered]) -> None:
    """Remember what is at a destination now."""
    values = [{"site": site, "destination": destination, **row._asdict()} for row in rows]
    if not values:
        return
    fresh: Any = insert_sqlite if connection.dialect.name == "sqlite" else insert_postgresql
    added = fresh(delivered_resources)
    changed = {name: added.excluded[name] for name in ("remote_id", "version", "theirs")}
    keys = ["site", "destination", "id", "type"]
    connection.execute(added.on_conflict_do_update(index_elements=keys, set_=changed), values)
