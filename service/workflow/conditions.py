"""Conditions of writes and references: a search that is to be answered by none or by exactly one resource.

http://hl7.org/fhir/R4/http.html#ccreate, #cond-update, #trules. What the server cannot hold to is refused (400), never
left out: a condition with a misspelt parameter would be answered by everything.
"""

from collections.abc import Sequence
from dataclasses import replace
from urllib.parse import parse_qsl

from service.search.criteria import SearchError, Setting
from service.search.parameters import parameters
from service.search.query import Query, parse
from service.store import Reading
from service.workflow.rejecting import rejected

Key = tuple[str, str]  # type, id
ENOUGH_TO_KNOW = 2  # whether none, one or several answer


def condition_of(type_: str, text: str, setting: Setting, place: str) -> Query:
    """The search that a condition asks for, with or without a leading `Type?`; Rejected 400 for one that is none."""
    named, mark, asked = text.partition("?")
    if not mark:
        named, asked = type_, text
    if named not in (type_, ""):
        raise rejected(400, "the condition is about another resource type", place)
    if type_ not in parameters():
        raise rejected(400, f"resources of the type {type_} are not served here", place)
    pairs = parse_qsl(asked.replace("+", "%2B"), keep_blank_values=True)
    if any(name.startswith("_") and name.partition(":")[0] not in ("_id", "_lastUpdated") for name, _ in pairs):
        raise rejected(400, "a condition holds search parameters and nothing about the answer", place)
    try:
        query = parse(type_, pairs, setting, strict=True)
    except SearchError as fault:
        raise rejected(400, f"the condition cannot be served: {fault}", place) from fault
    if not query.criteria:
        raise rejected(400, "the condition is empty", place)
    return replace(query, count=ENOUGH_TO_KNOW, total="none")


def matches(reading: Reading, query: Query) -> Sequence[Key]:
    """(type, id) of what answers a condition, two at most."""
    return [(row.type, row.id) for row in reading.search(query).rows]


def conditional_reference(text: str) -> tuple[str, str] | None:
    """Type and query of a reference such as `Patient?identifier=system|value`; None for any other."""
    type_, mark, asked = text.partition("?")
    return (type_, asked) if mark and type_.isalpha() else None
