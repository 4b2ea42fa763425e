"""Constraints of every domain resource (http://hl7.org/fhir/R4/domainresource.html): contained resources, narrative."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.r4 import tabled_types
from service.fhir.validate.narrative import has_text, is_basic_html
from service.fhir.validate.rules import rule
from service.fhir.validate.walk import Walk

Json = dict[str, Any]

# every resource but these three is a DomainResource (http://hl7.org/fhir/R4/resource.html)
_DOMAIN = sorted(tabled_types() - {"Binary", "Bundle", "Parameters"})


def _strings(node: Any) -> Iterator[str]:
    """All text values below a node: references, canonicals and uris are among them."""
    if type(node) is str:
        yield node
    elif type(node) is dict:
        for child in node.values():
            yield from _strings(child)
    elif type(node) is list:
        for child in node:
            yield from _strings(child)


def _no_nested(value: Json, walk: Walk) -> bool:
    return all("contained" not in inner for inner in value["contained"])


def _used(value: Json, walk: Walk) -> bool:
    pointed_at = {text for text in _strings(value) if text.startswith("#")}
    return all("#" + str(inner.get("id")) in pointed_at or _points_out(inner) for inner in value["contained"])


def _points_out(inner: Json) -> bool:
    return any(text == "#" for text in _strings(inner))


def _no_version(value: Json, walk: Walk) -> bool:
    return all(not {"versionId", "lastUpdated"} & inner.get("meta", {}).keys() for inner in value["contained"])


def _no_label(value: Json, walk: Walk) -> bool:
    return all("security" not in inner.get("meta", {}) for inner in value["contained"])


for _name in _DOMAIN:
    rule(_name, "dom-2", when="contained")(_no_nested)
    rule(_name, "dom-3", when="contained")(_used)
    rule(_name, "dom-4", when="contained")(_no_version)
    rule(_name, "dom-5", when="contained")(_no_label)
    # dom-6 (a resource should have narrative) is a mere recommendation: not asked at each reading


@rule("Narrative", "txt-1", when="div")
def _(value: Json, walk: Walk) -> bool:
    return is_basic_html(value["div"])


@rule("Narrative", "txt-2", when="div")
def _(value: Json, walk: Walk) -> bool:
    return has_text(value["div"])
