"""References of what comes in: conditional ones are answered, literal ones lead to something of the same patient."""

import re
from collections.abc import Sequence
from typing import Any, NamedTuple

from service.fhir.links import Link, references, relinked
from service.fhir.r4.issue import Issue
from service.search.criteria import Setting
from service.search.parameters import parameters
from service.search.query import Query
from service.store import Reading
from service.store.receiving import Held, held
from service.store.writing import WriteUnit
from service.workflow.conditions import condition_of, conditional_reference, matches
from service.workflow.rejecting import Rejected

Tree = dict[str, Any]
Key = tuple[str, str]
_RELATIVE = re.compile(r"(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]{1,64})?")


class Answered(NamedTuple):
    """A conditional reference and the resource that answered it."""

    query: Query
    key: Key
    expression: str


class Pointed(NamedTuple):
    """A resource with its conditional references answered as far as they could be."""

    resource: Tree
    answered: Sequence[Answered]
    open: Sequence[tuple[str, int]]  # expression and number of answers of those that are not answered by exactly one


def pointed(reading: Reading, resource: Tree, setting: Setting, place: str) -> Pointed:
    """Answer the conditional references of a resource; Rejected 400 for one that is no search."""
    if not any(conditional_reference(link.text) for link in references(resource)):
        return Pointed(resource, (), ())
    answered: list[Answered] = []
    left: list[tuple[str, int]] = []

    def target(link: Link) -> str | None:
        asked = conditional_reference(link.text) if link.kind == "reference" else None
        if asked is None:
            return None
        expression = placed(link.expression, place)
        query = condition_of(*asked, setting, expression)
        found = matches(reading, query)
        if len(found) != 1:
            left.append((expression, len(found)))
            return None
        answered.append(Answered(query, found[0], expression))
        return "/".join(found[0])

    return Pointed(relinked(resource, target), answered, left)


def refuse_unanswered(left: Sequence[tuple[str, int]]) -> Rejected:
    """The refusal for conditional references that none or several resources answer."""
    return Rejected(412, [_unanswered(expression, count) for expression, count in left])


def check_answers(reading: Reading, answered: Sequence[Answered]) -> None:
    """Raise Rejected 412 where, after everything was saved, a conditional reference has another answer."""
    changed = [one for one in answered if list(matches(reading, one.query)) != [one.key]]
    if changed:
        raise refuse_unanswered([(one.expression, 2) for one in changed])


def check_targets(unit: WriteUnit, resource: Tree, patient: str, base: str, place: str) -> None:
    """Raise Rejected 422 with every reference that leads nowhere here, or to a resource of another patient.

    Looked at are relative references and those with this server's own base, to types that are served here. Of a type
    that is not served nothing is known.
    """
    sought = [(placed(link.expression, place), link.text) for link in references(resource)]
    keys = {text: key for _, text in sought if (key := _key(text, base)) is not None}
    found = held(unit, keys.values())
    issues = [
        issue
        for expression, text in sought
        if (issue := _fault(expression, text, keys.get(text), found, patient)) is not None
    ]
    if issues:
        raise Rejected(422, issues)


def placed(expression: str, place: str) -> str:
    """An expression that begins at the resource, beginning where the resource lies."""
    return f"{place}{expression[len(expression.partition('.')[0]) :]}"


def _key(text: str, base: str) -> Key | None:
    form = _RELATIVE.fullmatch(text.removeprefix(f"{base}/"))
    return (form["type"], form["id"]) if form and form["type"] in parameters() else None


def _fault(expression: str, text: str, key: Key | None, found: dict[Key, Held], patient: str) -> Issue | None:
    if text.startswith("urn:uuid:"):
        return Issue("error", "not-found", expression, "is the fullUrl of no entry sent together with it", "write")
    if key is None:
        return None
    target = found.get(key)
    if target is None:
        return Issue("error", "not-found", expression, "refers to a resource that is not here", "write")
    if patient and target.patient and target.patient != patient:
        return Issue("error", "business-rule", expression, "refers to a resource of another patient", "write")
    return None


def _unanswered(expression: str, count: int) -> Issue:
    told = "no resource answers this reference" if count == 0 else "several resources answer this reference"
    return Issue("error", "not-found" if count == 0 else "multiple-matches", expression, told, "write")
