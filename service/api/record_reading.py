"""What `$everything` and `$lastn` read from the store, within one state of it."""

from collections.abc import Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import orjson
from starlette.exceptions import HTTPException

from service.fhir.operations import everything, lastn
from service.search.query import Query
from service.search.values import index
from service.store import Reading, Stored

RETRACTED = "entered-in-error"


def existing(reading: Reading, type_: str, id_: str) -> bytes:
    """The body of a current resource. HTTPException 404 for an unknown one, 410 for a deleted one."""
    found = reading.resource(type_, id_)
    if found is None:
        raise HTTPException(404, "there is no such resource")
    if found.body is None:
        raise HTTPException(410, "the resource was deleted")
    return found.body


def page_of(reading: Reading, asked: everything.Everything) -> tuple[list[Stored], everything.Place | None]:
    """One page of a patient's record, and where the next one begins."""
    rows: list[Stored] = []
    for query in asked.queries() if asked.count else ():
        room = asked.count - len(rows)
        page = reading.search(replace(query, count=room or 1))
        if not room and page.rows:
            return rows, everything.Place(query.type, 0)
        if room:
            rows += page.rows
        if page.next is not None:
            return rows, everything.Place(query.type, page.next.arrival)
    return rows, None


def supporting(reading: Reading, asked: everything.Everything, rows: Sequence[Stored]) -> list[Stored]:
    """The resources of no patient that the rows refer to and that are held here: people and institutions."""
    named = {
        (type_, id_)
        for row in rows
        for type_, _, id_ in (text.partition("/") for text in everything.referred(orjson.loads(row.body or b"{}")))
        if type_ in asked.supporting
    }
    found = [reading.resource(type_, id_) for type_, id_ in sorted(named)]
    return [one for one in found if one is not None and one.body is not None]


def all_rows(reading: Reading, query: Query) -> list[Stored]:
    """Every row of a search, page after page."""
    rows: list[Stored] = []
    while True:
        page = reading.search(query)
        rows += page.rows
        if page.next is None:
            return rows
        query = replace(query, cursor=page.next)


def timed(rows: Sequence[Stored], zone: ZoneInfo, with_retracted: bool) -> tuple[list[lastn.Timed[Stored]], int]:
    """The rows with their codes and times, newest first, and how many retracted ones were left out."""
    kept: list[lastn.Timed[Stored]] = []
    left_out = 0
    for row in rows:
        resource = orjson.loads(row.body or b"{}")
        if resource["status"] == RETRACTED and not with_retracted:
            left_out += 1
            continue
        kept.append(lastn.Timed(row, lastn.keys_of(resource["code"]), index(resource, zone).date.low))
    return kept, left_out
