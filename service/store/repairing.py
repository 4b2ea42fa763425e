"""For a rebuild: how many courses there are, and letting go of stored bodies that are not what was saved."""

from collections.abc import Iterable

import orjson
from sqlalchemy import bindparam, delete, func, select, update

from service.search.dates import instant
from service.store.courses import CourseReads
from service.store.resource_rows import identifiers_of
from service.store.statements import Statement, insertion
from service.store.tables import courses, identifiers, resources
from service.store.writing import WriteUnit

_DISTRUSTED = b"distrusted"  # the digest of nothing, and not empty: an empty one stands for a deleted resource

_r, _i = resources.c, identifiers.c
_COUNT = Statement(select(func.count()).select_from(courses).where(courses.c.site == bindparam("site")))
_FIND = Statement(
    select(_r.arrival, _r.version, _r.last_updated, _r.body).where(
        _r.site == bindparam("site"), _r.id == bindparam("id"), _r.type == bindparam("type")
    )
)
_MINE = (_r.site == bindparam("of_site"), _r.type == bindparam("of_type"), _r.arrival == bindparam("of_arrival"))
_DISTRUST = Statement(update(resources).where(*_MINE).values(digest=bindparam("digest")))
_EMPTY = Statement(update(resources).where(*_MINE).values(body=bindparam("body")))
_FORGET_IDENTIFIERS = Statement(
    delete(identifiers).where(
        _i.site == bindparam("of_site"), _i.type == bindparam("of_type"), _i.arrival == bindparam("of_arrival")
    )
)
_ADD_IDENTIFIER = Statement(insertion(identifiers))


def count_courses(unit: CourseReads) -> int:
    """How many courses the site has."""
    return int(_COUNT.rows(unit.connection, {"site": unit.site})[0][0])


def distrust(unit: WriteUnit, keys: Iterable[tuple[str, str]], unreadable: Iterable[tuple[str, str]] = ()) -> None:
    """Let the next saving of these resources (type, id) make a version, whatever their stored digest says.

    A digest tells what was saved, not what the disk gives back. Of an `unreadable` body nothing but type, id, version
    and time is kept, since its remains would break every answer that holds it. The index of identifiers is made to be
    that of the body, as the saving takes it to be.
    """
    broken = set(unreadable)
    for type_, id_ in {*keys, *broken}:
        for arrival, version, last_updated, body in _FIND.rows(
            unit.connection, {"site": unit.site, "type": type_, "id": id_}
        ):
            of = {"of_site": unit.site, "of_type": type_, "of_arrival": arrival}
            _DISTRUST.run(unit.connection, of | {"digest": _DISTRUSTED})
            _FORGET_IDENTIFIERS.run(unit.connection, of)
            if (type_, id_) in broken:
                meta = {"versionId": str(version), "lastUpdated": instant(last_updated)}
                remains = orjson.dumps({"resourceType": type_, "id": id_, "meta": meta})
                _EMPTY.run(unit.connection, of | {"body": remains})
                continue
            indexed = {"site": unit.site, "type": type_, "arrival": arrival}
            _ADD_IDENTIFIER.run_each(
                unit.connection,
                (indexed | {"value": value, "system": system} for system, value in identifiers_of(body)),
            )
