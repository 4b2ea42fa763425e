"""Saving resources: few statements a write, a version only where the content changed, the version before kept."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, NamedTuple

from sqlalchemy import BindParameter, Connection, bindparam, delete, insert, literal_column, null, select, union_all
from sqlalchemy import update as update_of

from service.search.values import Identifier
from service.store.errors import DraftError
from service.store.resource_rows import identifiers_of, resource_row
from service.store.rows import Draft, Saved
from service.store.statements import ListStatement, Statement, insertion, list_sizes, one_of_list
from service.store.tables import deletions, identifiers, resource_history, resources
from service.store.token_sets import NewTokenSets
from service.store.wire import spliced

Key = tuple[str, str]  # type, id

_r, _d, _h = resources.c, deletions.c, resource_history.c


def _present(size: int) -> Statement:
    site: BindParameter[str] = bindparam("site")
    return Statement(
        union_all(
            select(_r.type, _r.id, _r.version, _r.digest, _r.arrival).where(_r.site == site, one_of_list(_r.id, size)),
            select(_d.type, _d.id, _d.version, null(), literal_column("0")).where(
                _d.site == site, one_of_list(_d.id, size)
            ),
        )
    )


def _bodies(size: int) -> Statement:
    mine = (_r.site == bindparam("site"), one_of_list(_r.id, size))
    return Statement(select(_r.type, _r.id, _r.body).where(*mine))


def _supersede(size: int) -> Statement:
    """By id, so that an index leads there; an arrival tells one from another type's with the same id."""
    mine = (_r.site == bindparam("site"), one_of_list(_r.id, size), one_of_list(_r.arrival, size, "arrival"))
    current = select(*(_r[column.name] for column in _h)).where(*mine)
    kept = insert(resource_history).from_select([column.name for column in _h], current)
    return Statement(kept.returning(_h.type, _h.id, _h.body))


# By id alone, the type compared afterwards: a list of pairs is a full scan on SQLite 3.40.
_PRESENT = ListStatement({size: _present(size) for size in list_sizes()})
_BODIES = ListStatement({size: _bodies(size) for size in list_sizes()})
_SUPERSEDE = ListStatement({size: _supersede(size) for size in list_sizes()})

_MINE = (_r.site == bindparam("of_site"), _r.type == bindparam("of_type"), _r.arrival == bindparam("of_arrival"))
_FORGET = Statement(delete(resources).where(*_MINE))
_FORGET_IDENTIFIER = Statement(
    delete(identifiers).where(*(column == bindparam(f"of_{column.name}") for column in identifiers.c))
)
_FORGET_DELETION = Statement(
    delete(deletions).where(*(_d[name] == bindparam(f"of_{name}") for name in ("site", "id", "type")))
)
_KEPT_ON_UPDATE = ("site", "type", "arrival", "id")
_REPLACE = Statement(
    update_of(resources)
    .where(*_MINE)
    .values({column.name: bindparam(column.name) for column in _r if column.name not in _KEPT_ON_UPDATE})
)
_INSERT = Statement(insertion(resources))
_INSERT_IDENTIFIER = Statement(insertion(identifiers))
_INSERT_DELETION = Statement(insertion(deletions))


@dataclass(slots=True)
class Stamp:
    """What a write gives out: one instant for all its versions, arrival numbers one by one."""

    last_updated: int
    last_arrival: int
    last_token_set: int
    used: bool = False

    def next_arrival(self) -> int:
        """The next arrival number of the site."""
        self.last_arrival += 1
        return self.last_arrival


class _Present(NamedTuple):
    """What is stored of a resource: arrival 0 and no digest for a deleted one."""

    version: int
    digest: bytes | None
    arrival: int


class _Taken(NamedTuple):
    """A draft that makes a version, and the row of it."""

    draft: Draft
    row: dict[str, Any]


class Saving:
    """Resources of one write: looked up together, given their versions one after the other, written together."""

    def __init__(
        self, connection: Connection, site: str, stamp: Stamp, token_sets: NewTokenSets, keys: Iterable[Key]
    ) -> None:
        self._connection = connection
        self._site = site
        self._stamp = stamp
        self._token_sets = token_sets
        self._keys = dict.fromkeys(keys)
        self._present = self._looked_up()
        self._fresh: list[_Taken] = []
        self._changed: list[_Taken] = []
        self._given: set[Key] = set()

    def stored_digest(self, key: Key) -> bytes | None:
        """Digest of the content stored under one of the keys; None where there is none."""
        found = self._present.get(key)
        return None if found is None else found.digest

    def take(self, drafts: Sequence[Draft]) -> list[Saved]:
        """Give drafts of the keys their versions, in the order given; those whose content is stored have no body.

        DraftError for content of another form or for a second draft of the same resource.
        """
        return [self._take(draft) for draft in drafts]

    def _take(self, draft: Draft) -> Saved:
        key = (draft.type, draft.id)
        if key in self._given or key not in self._keys:
            raise DraftError("two drafts of the same resource" if key in self._given else "a draft of another key")
        self._given.add(key)
        digest = sha256(draft.content).digest()
        before = self._present.get(key)
        if before and before.digest == digest:
            return Saved(*key, before.version, False, b"")
        version = before.version + 1 if before else 1
        body = spliced(*key, draft.content, version, self._stamp.last_updated)
        arrival = before.arrival if before and before.arrival else self._stamp.next_arrival()
        row = resource_row(
            self._site, draft, self._token_sets,
            arrival=arrival, version=version, last_updated=self._stamp.last_updated, digest=digest, body=body,
        )  # fmt: skip
        (self._changed if before and before.digest else self._fresh).append(_Taken(draft, row))
        return Saved(*key, version, True, body)

    def write(self) -> None:
        """Write what was taken and made a version."""
        if self._fresh or self._changed:
            self._stamp.used = True
            self._insert()
            self._replace()
            self._fresh, self._changed = [], []

    def delete(self) -> int:
        """See WriteUnit.delete_resources."""
        there = {key: before for key, before in self._present.items() if before.arrival}
        if not there:
            return 0
        self._stamp.used = True
        bodies = self._superseded(there)
        common = {"site": self._site, "last_updated": self._stamp.last_updated}
        _INSERT_DELETION.run_each(
            self._connection,
            (common | {"type": key[0], "id": key[1], "version": each.version + 1} for key, each in there.items()),
        )
        for key, each in there.items():
            self._forget_identifiers(key[0], each.arrival, identifiers_of(bodies[key]))
        _FORGET.run_each(
            self._connection,
            ({"of_site": self._site, "of_type": key[0], "of_arrival": each.arrival} for key, each in there.items()),
        )
        return len(there)

    def with_bodies(self, saved: list[Saved]) -> list[Saved]:
        """Give those that made no version the bytes that are served."""
        unchanged = {(each.type, each.id) for each in saved if not each.changed}
        rows = _BODIES.rows(self._connection, [id_ for _, id_ in unchanged], {"site": self._site})
        bodies = {(type_, id_): body for type_, id_, body in rows if (type_, id_) in unchanged}
        return [each if each.changed else each._replace(body=bodies[each.type, each.id]) for each in saved]

    def _looked_up(self) -> dict[Key, _Present]:
        rows = _PRESENT.rows(self._connection, [id_ for _, id_ in self._keys], {"site": self._site})
        return {
            (type_, id_): _Present(version, digest, arrival)
            for type_, id_, version, digest, arrival in rows
            if (type_, id_) in self._keys
        }

    def _insert(self) -> None:
        _INSERT.run_each(self._connection, (each.row for each in self._fresh))
        self._add_identifiers(self._fresh)
        deleted = [(one.type, one.id) for one, _ in self._fresh if (one.type, one.id) in self._present]
        _FORGET_DELETION.run_each(
            self._connection, ({"of_site": self._site, "of_id": id_, "of_type": type_} for type_, id_ in deleted)
        )

    def _replace(self) -> None:
        """Current versions go to the history before the next ones take their place."""
        before = self._superseded({(one.type, one.id): self._present[one.type, one.id] for one, _ in self._changed})
        _REPLACE.run_each(self._connection, (_as_update(each.row) for each in self._changed))
        for taken in self._changed:
            draft = taken.draft
            old = identifiers_of(before[draft.type, draft.id])
            if old != set(draft.values.identifiers):
                self._forget_identifiers(draft.type, taken.row["arrival"], old)
                self._add_identifiers([taken])

    def _superseded(self, there: Mapping[Key, _Present]) -> dict[Key, bytes]:
        """Copy current versions to the history and return their bodies."""
        arrivals = [each.arrival for each in there.values()]
        rows = _SUPERSEDE.rows(self._connection, [id_ for _, id_ in there], {"site": self._site}, arrival=arrivals)
        return {(type_, id_): body for type_, id_, body in rows}

    def _add_identifiers(self, of: Iterable[_Taken]) -> None:
        _INSERT_IDENTIFIER.run_each(
            self._connection,
            (
                {"site": self._site, "value": value, "type": draft.type, "arrival": row["arrival"], "system": system}
                for draft, row in of
                for system, value in dict.fromkeys(draft.values.identifiers)
            ),
        )

    def _forget_identifiers(self, type_: str, arrival: int, old: Iterable[Identifier]) -> None:
        of = {"of_site": self._site, "of_type": type_, "of_arrival": arrival}
        _FORGET_IDENTIFIER.run_each(
            self._connection, (of | {"of_value": value, "of_system": system} for system, value in old)
        )


def _as_update(row: Mapping[str, Any]) -> dict[str, Any]:
    return {**row, "of_site": row["site"], "of_type": row["type"], "of_arrival": row["arrival"]}
