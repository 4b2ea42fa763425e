"""Whether a saved resource is an event of a subscription. Everything that is asked stands in the subscription's row."""

from collections.abc import Iterator, Mapping
from typing import Any

Tree = Mapping[str, Any]


def matches(focus: Tree, resource: Tree) -> bool:
    """Whether the resource has the type, the code and, for each condition, one of the values.

    `focus`: `{"type": ..., "code": [system, code] or null, "conditions": [[element, [value, ...]], ...]}`.
    """
    if resource["resourceType"] != focus["type"]:
        return False
    code = focus["code"]
    if code is not None and tuple(code) not in set(_codings(resource.get("code"))):
        return False
    return all(set(values) & set(_said(resource.get(element))) for element, values in focus["conditions"])


def _said(value: Any) -> Iterator[str]:
    """What a filter may ask of an element: a code, a reference, a coding as `system|code` or by its code alone."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, list):
        for each in value:
            yield from _said(each)
    elif isinstance(value, Mapping):
        if "reference" in value:
            yield value["reference"]
        for system, code in _codings(value):
            yield from (code, f"{system}|{code}")


def _codings(concept: Any) -> Iterator[tuple[str, str]]:
    if isinstance(concept, Mapping):
        for coding in concept.get("coding", ()):
            yield coding.get("system", ""), coding.get("code", "")
