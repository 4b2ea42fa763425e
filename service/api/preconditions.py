"""What the headers of a write ask for: under which condition, and what is to be answered (http.html, RFC 9110).

A condition that this server does not hold to is refused (400), never left out (http.html#ccreate).
"""

import re
from collections.abc import Iterable, Mapping
from typing import Literal, NamedTuple

from service.workflow.rejecting import rejected

Wish = Literal["minimal", "representation", "OperationOutcome"]
_WISHES: Mapping[str, Wish] = {
    "minimal": "minimal",
    "representation": "representation",
    "operationoutcome": "OperationOutcome",
}
_TAG = re.compile(r'(?:W/)?"([A-Za-z0-9.-]{1,64})"')
# Header -> name of the same thing in Bundle.entry.request; RFC 9110's others have no counterpart there.
HEADERS = ("if-match", "if-none-match", "if-none-exist", "if-modified-since", "if-unmodified-since")


class Preconditions(NamedTuple):
    """The conditions of one write."""

    if_match: tuple[str, ...] = ()
    only_new: bool = False
    if_none_exist: str | None = None


def preconditions(method: str, given: Mapping[str, str], place: str = "") -> Preconditions:
    """Read the conditions of a POST or PUT, by names of HEADERS; Rejected 400 for what cannot be held to."""
    held_to = ("if-none-exist",) if method == "POST" else ("if-match", "if-none-match")
    for name in given:
        if name in HEADERS and name not in held_to:
            raise rejected(400, f"the condition {name} is not supported for {method}", place, "not-supported")
    if "if-none-match" in given and given["if-none-match"].strip() != "*":
        raise rejected(400, "if-none-match of a write can only be *: create where there is none yet", place)
    if_match = _versions(given["if-match"], place) if "if-match" in given else ()
    return Preconditions(if_match, "if-none-match" in given, given.get("if-none-exist"))


def wish(prefer: Iterable[str]) -> Wish:
    """What `Prefer: return=` asks for; the whole resource where nothing is asked (http.html#ops)."""
    for each in ",".join(prefer).replace(";", ",").split(","):
        name, _, value = each.strip().partition("=")
        if name.strip().lower() == "return" and value.strip().strip('"').lower() in _WISHES:
            return _WISHES[value.strip().strip('"').lower()]
    return "representation"


def _versions(text: str, place: str) -> tuple[str, ...]:
    if text.strip() == "*":
        return ("*",)
    found = [_TAG.fullmatch(each.strip()) for each in text.split(",")]
    if not all(found):
        raise rejected(400, 'if-match is * or entity tags such as W/"3"', place)
    return tuple(each[1] for each in found if each)
