"""What travels beside the matches of a page: targets of their references, and what refers to them."""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Connection, bindparam, select

from service.search.criteria import Include
from service.search.parameters import parameters_of
from service.search.values import in_patient_column
from service.store.rows import Stored
from service.store.statements import ListStatement, Statement, list_sizes, one_of_list
from service.store.tables import resources

Key = tuple[str, str]  # type, id

_r = resources.c
_MATCHES = ListStatement(
    {
        size: Statement(
            select(_r.id, _r.patient, _r.terms).where(
                _r.site == bindparam("site"), _r.type == bindparam("type"), one_of_list(_r.arrival, size)
            )
        )
        for size in list_sizes()
    }
)
# By id alone, the type compared afterwards: a list of pairs is a full scan on SQLite 3.40.
_BY_ID = ListStatement(
    {
        size: Statement(
            select(_r.type, _r.id, _r.version, _r.last_updated, _r.body).where(
                _r.site == bindparam("site"), one_of_list(_r.id, size)
            )
        )
        for size in list_sizes()
    }
)


class Included(NamedTuple):
    """Where to look: one site on one connection, and the type of the matches."""

    connection: Connection
    site: str
    type: str


class _Match(NamedTuple):
    """Of a match what says where its references lead."""

    id: str
    patient: str
    terms: str


def included_rows(of: Included, includes: Iterable[Include], arrivals: Sequence[int]) -> list[Stored]:
    """Resources to be sent with a page of matches, each once and none that is a match on it.

    Current versions, also where a reference names another; what is not stored here, or deleted, is left out.
    """
    matches = [_Match(*row) for row in _MATCHES.rows(of.connection, arrivals, {"site": of.site, "type": of.type})]
    own = {(of.type, row.id) for row in matches}
    wanted: dict[Key, None] = {}
    for include in includes:
        found = _referring(of, include, matches) if include.reverse else _targets(include, matches)
        wanted.update(dict.fromkeys(key for key in found if key not in own))
    rows = _BY_ID.rows(of.connection, [id_ for _, id_ in wanted], {"site": of.site})
    stored = {(row[0], row[1]): Stored(*row) for row in rows}
    return [stored[key] for key in wanted if key in stored]


def _targets(include: Include, matches: Sequence[_Match]) -> list[Key]:
    parameter = parameters_of(include.source)[include.parameter]
    found: list[Key] = []
    for row in matches:
        if row.patient and in_patient_column(parameter, f"Patient/{row.patient}"):
            found.append(("Patient", row.patient))
        found += _references(row.terms, include.parameter)
    return [key for key in found if include.target in (None, key[0])]


def _references(terms: str, parameter: str) -> list[Key]:
    """Type and id of the references of one parameter; those to other servers have more parts."""
    start = f"{parameter}="
    parts = [line[len(start) :].split("/") for line in terms.split("\n") if line.startswith(start)]
    return [(part[0], part[1]) for part in parts if len(part) == 2]


def _referring(of: Included, include: Include, matches: Sequence[_Match]) -> list[Key]:
    """What refers to a match is of the same patient or of none, see `Conditions`."""
    parameter = parameters_of(include.source)[include.parameter]
    sought = {f"{include.parameter}={of.type}/{row.id}" for row in matches}
    rows = of.connection.execute(
        select(_r.id, _r.patient, _r.terms)
        .where(_r.site == of.site, _r.type == include.source, *_patients_of(matches))
        .order_by(_r.arrival + 0)  # so that SQLite does not rather read the whole type in this order
    )
    by_column = of.type == "Patient" and in_patient_column(parameter, "Patient/")
    ids = {row.id for row in matches}
    return [
        (include.source, row.id)
        for row in rows
        if (by_column and row.patient in ids) or not sought.isdisjoint(row.terms.split("\n"))
    ]


def _patients_of(matches: Sequence[Any]) -> list[ColumnElement[bool]]:
    """Narrows to the patients of the matches; not at all where one of them is of no patient."""
    patients = sorted({row.patient for row in matches})
    return [] if "" in patients else [_r.patient.in_([*patients, ""])]
