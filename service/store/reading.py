"""One reading of one site: every answer comes from the same state of the database."""

from collections.abc import Sequence

from sqlalchemy import Connection, bindparam, select

from service.search.query import Query
from service.store.courses import CourseReads
from service.store.rows import Page, Stored
from service.store.searching import Search
from service.store.statements import Statement
from service.store.tables import deletions, resource_history, resources
from service.store.token_sets import TokenSets

_r, _h, _d = resources.c, resource_history.c, deletions.c
_CURRENT = Statement(
    select(_r.version, _r.last_updated, _r.body).where(
        _r.site == bindparam("site"), _r.id == bindparam("id"), _r.type == bindparam("type")
    )
)
_DELETED = Statement(
    select(_d.version, _d.last_updated).where(
        _d.site == bindparam("site"), _d.id == bindparam("id"), _d.type == bindparam("type")
    )
)
_HISTORY = (
    select(_h.version, _h.last_updated, _h.body)
    .where(_h.site == bindparam("site"), _h.id == bindparam("id"), _h.type == bindparam("type"))
    .order_by(_h.version.desc())
)


class Reading(CourseReads):
    """What can be read of one site."""

    def __init__(self, connection: Connection, site: str, token_sets: TokenSets) -> None:
        super().__init__(connection, site)
        self._token_sets = token_sets

    def resource(self, type_: str, id_: str) -> Stored | None:
        """The current version; one without a body where the resource was deleted; None where there never was one."""
        current = self.standing(type_, id_)
        if current is not None:
            return current
        gone = _DELETED.rows(self._connection, {"site": self.site, "type": type_, "id": id_})
        return Stored(type_, id_, gone[0][0], gone[0][1], None) if gone else None

    def standing(self, type_: str, id_: str) -> Stored | None:
        """The current version; None where the resource was deleted, and where there never was one. One statement."""
        rows = _CURRENT.rows(self._connection, {"site": self.site, "type": type_, "id": id_})
        return Stored(type_, id_, *rows[0]) if rows else None

    def version(self, type_: str, id_: str, version: int) -> Stored | None:
        """One version, current or not; None where there is no such."""
        newest = self.resource(type_, id_)
        if newest is None or newest.version == version:
            return newest
        wanted = _HISTORY.where(_h.version == version)
        row = self._connection.execute(wanted, {"site": self.site, "type": type_, "id": id_}).one_or_none()
        return Stored(type_, id_, *row) if row else None

    def history(
        self, type_: str, id_: str, *, since: int | None = None, before: int | None = None, limit: int = 50
    ) -> Sequence[Stored]:
        """Versions from the newest on, deletion included: those at or after `since`, older than version `before`.

        Empty where the resource is unknown or nothing is left.
        """
        newest = self.resource(type_, id_)
        if newest is None:
            return []
        wanted = _HISTORY.limit(limit)
        if since is not None:
            wanted = wanted.where(_h.last_updated >= since)
        if before is not None:
            wanted = wanted.where(_h.version < before)
        rows = self._connection.execute(wanted, {"site": self.site, "type": type_, "id": id_})
        old = [Stored(type_, id_, *row) for row in rows]
        first = (before is None or newest.version < before) and (since is None or newest.last_updated >= since)
        return [newest, *old][:limit] if first else old

    def search(self, query: Query) -> Page:
        """One page of what a parsed query asks for."""
        return Search(self._connection, self.site, self._token_sets).page(query)
