"""Saving resources: few statements a write, a version only where the content changed, the version before kept."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, NamedTuple

import orjson
from sqlalchemy import BindParameter, Connection, bindparam, delete, literal_column, null, select, union_all, update

from service.search.values import ComponentNumber, Identifier
from service.store.errors import DraftError
from service.store.rows import Draft, Saved
from service.store.statements import ListStatement, Statement, insertion, list_sizes, one_of_list
from service.store.tables import deletions, identifiers, resource_history, resources
from service.store.token_sets import NewTokenSets
from service.store.wire import spliced

Key = tuple[str, str]  # type, id

_r, _d = resources.c, deletions.c


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
    return Statement(
        select(_r.type, _r.id, _r.version, _r.last_updated, _r.course_id, _r.body, _r.arrival).where(
            _r.site == bindparam("site"), one_of_list(_r.id, size)
        )
    )


# By id alone, the type compared afterwards: a list of pairs is a full scan on SQLite 3.40.
_PRESENT = ListStatement({size: _present(size) for size in list_sizes()})
_BODIES = ListStatement({size: _bodies(size) for size in list_sizes()})

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
    update(resources)
    .where(*_MINE)
    .values({column.name: bindparam(column.name) for column in _r if column.name not in _KEPT_ON_UPDATE})
)
_INSERT = Statement(insertion(resources))
_INSERT_IDENTIFIER = Statement(insertion(identifiers))
_INSERT_HISTORY = Statement(insertion(resource_history))
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


class Saving:
    """Saves and purges resources within one write."""

    def __init__(self, connection: Connection, site: str, stamp: Stamp, token_sets: NewTokenSets) -> None:
        self._connection = connection
        self._site = site
        self._stamp = stamp
        self._token_sets = token_sets

    def save(self, drafts: Sequence[Draft], unchanged_bodies: bool = True) -> list[Saved]:
        """See WriteUnit.save_resources."""
        keys = [(draft.type, draft.id) for draft in drafts]
        if len(set(keys)) != len(keys):
            raise DraftError("two drafts of the same resource")
        present = self._present(keys)
        saved: list[Saved] = []
        fresh: list[tuple[Draft, dict[str, Any]]] = []
        changed: list[tuple[Draft, dict[str, Any]]] = []
        unchanged: list[Key] = []
        for key, draft in zip(keys, drafts, strict=True):
            digest = sha256(draft.content).digest()
            before = present.get(key)
            if before and before.digest == digest:
                unchanged.append(key)
                saved.append(Saved(*key, before.version, False, b""))
                continue
            version = before.version + 1 if before else 1
            body = spliced(*key, draft.content, version, self._stamp.last_updated)
            arrival = before.arrival if before and before.arrival else self._stamp.next_arrival()
            row = self._row(draft, arrival, version, digest, body)
            (changed if before and before.digest else fresh).append((draft, row))
            saved.append(Saved(*key, version, True, body))
        self._insert(fresh, [key for key, before in present.items() if not before.arrival])
        self._update(changed)
        return self._with_bodies(saved, unchanged) if unchanged_bodies else saved

    def delete(self, keys: Iterable[Key]) -> int:
        """See WriteUnit.delete_resources."""
        rows = self._superseded(list(keys))
        if not rows:
            return 0
        self._stamp.used = True
        common = {"site": self._site, "last_updated": self._stamp.last_updated}
        _INSERT_DELETION.run_each(
            self._connection,
            (common | {"id": row.id, "type": row.type, "version": row.version + 1} for row in rows),
        )
        for row in rows:
            self._forget_identifiers(row.type, row.arrival, identifiers_of(row.body))
        _FORGET.run_each(
            self._connection,
            ({"of_site": self._site, "of_type": row.type, "of_arrival": row.arrival} for row in rows),
        )
        return len(rows)

    def _present(self, keys: Sequence[Key]) -> dict[Key, _Present]:
        wanted = set(keys)
        rows = _PRESENT.rows(self._connection, [id_ for _, id_ in keys], {"site": self._site})
        return {
            (type_, id_): _Present(version, digest, arrival)
            for type_, id_, version, digest, arrival in rows
            if (type_, id_) in wanted
        }

    def _row(self, draft: Draft, arrival: int, version: int, digest: bytes, body: bytes) -> dict[str, Any]:
        values = draft.values
        return {
            "site": self._site,
            "type": draft.type,
            "arrival": arrival,
            "id": draft.id,
            "version": version,
            "last_updated": self._stamp.last_updated,
            "patient": draft.patient or values.patient or "",
            "code_set": self._token_sets.number(values.code_set),
            "token_set": self._token_sets.number(values.token_set),
            "date_low": values.date.low,
            "date_high": values.date.high,
            "other_date_low": values.other_date.low,
            "other_date_high": values.other_date.high,
            "value_low": values.value.low,
            "value_high": values.value.high,
            "value_unit": self._token_sets.number(values.value_unit),
            "components": components_text(values.components, self._token_sets),
            "course_id": draft.course_id,
            "entry_id": draft.entry_id,
            "digest": digest,
            "terms": values.terms,
            "body": body,
        }

    def _insert(self, fresh: Sequence[tuple[Draft, Mapping[str, Any]]], deleted_before: Sequence[Key]) -> None:
        if not fresh:
            return
        self._stamp.used = True
        _INSERT.run_each(self._connection, (row for _, row in fresh))
        self._add_identifiers((draft, row["arrival"]) for draft, row in fresh)
        _FORGET_DELETION.run_each(
            self._connection,
            ({"of_site": self._site, "of_id": id_, "of_type": type_} for type_, id_ in deleted_before),
        )

    def _update(self, changed: Sequence[tuple[Draft, dict[str, Any]]]) -> None:
        if not changed:
            return
        self._stamp.used = True
        before = {(row.type, row.id): row for row in self._superseded([(draft.type, draft.id) for draft, _ in changed])}
        _REPLACE.run_each(self._connection, (_as_update(row) for _, row in changed))
        for draft, row in changed:
            old = identifiers_of(before[draft.type, draft.id].body)
            if old != set(draft.values.identifiers):
                self._forget_identifiers(draft.type, row["arrival"], old)
                self._add_identifiers([(draft, row["arrival"])])

    def _superseded(self, keys: Sequence[Key]) -> list[Any]:
        """Copy current versions to the history and return them."""
        rows = self._current(keys)
        _INSERT_HISTORY.run_each(
            self._connection,
            (
                {
                    "site": self._site,
                    "id": row.id,
                    "type": row.type,
                    "version": row.version,
                    "last_updated": row.last_updated,
                    "course_id": row.course_id,
                    "body": row.body,
                }
                for row in rows
            ),
        )
        return rows

    def _current(self, keys: Sequence[Key]) -> list[Any]:
        wanted = set(keys)
        rows = _BODIES.rows(self._connection, [id_ for _, id_ in keys], {"site": self._site})
        return list({row.arrival: row for row in rows if (row.type, row.id) in wanted}.values())

    def _add_identifiers(self, of: Iterable[tuple[Draft, int]]) -> None:
        _INSERT_IDENTIFIER.run_each(
            self._connection,
            (
                {"site": self._site, "value": value, "type": draft.type, "arrival": arrival, "system": system}
                for draft, arrival in of
                for system, value in dict.fromkeys(draft.values.identifiers)
            ),
        )

    def _forget_identifiers(self, type_: str, arrival: int, old: Iterable[Identifier]) -> None:
        of = {"of_site": self._site, "of_type": type_, "of_arrival": arrival}
        _FORGET_IDENTIFIER.run_each(
            self._connection, (of | {"of_value": value, "of_system": system} for system, value in old)
        )

    def _with_bodies(self, saved: list[Saved], unchanged: Sequence[Key]) -> list[Saved]:
        """Give the unchanged ones the bytes that are served."""
        if not unchanged:
            return saved
        bodies = {(row.type, row.id): row.body for row in self._current(unchanged)}
        return [each if each.changed else each._replace(body=bodies[each.type, each.id]) for each in saved]


def components_text(components: Sequence[ComponentNumber], token_sets: NewTokenSets) -> str:
    """The numbers of a resource's components as the column has them."""
    if not components:
        return "[]"
    number = token_sets.number
    return orjson.dumps([(number(c.codes), number(c.unit), *c.number) for c in components]).decode()


def identifiers_of(body: bytes) -> set[Identifier]:
    """Business identifiers in a stored body, as the index has them."""
    given = orjson.loads(body).get("identifier", [])
    return {(each.get("system", ""), each["value"]) for each in (given if isinstance(given, list) else [given])
            if "value" in each}  # fmt: skip


def _as_update(row: Mapping[str, Any]) -> dict[str, Any]:
    given = {name: value for name, value in row.items() if name not in _KEPT_ON_UPDATE}
    return given | {f"of_{name}": row[name] for name in ("site", "type", "arrival")}
