"""Bundles (http://hl7.org/fhir/R4/bundle.html): the published constraints, and what they leave to the page's text.

A link relation stands once; a fullUrl is absolute and ends in the type and id of its resource.
"""

from __future__ import annotations

from typing import Any

from service.fhir.validate.rules import rule
from service.fhir.validate.walk import Place, Walk

Json = dict[str, Any]

_WITH_REQUEST = ("batch", "transaction", "history")
_WITH_RESPONSE = ("batch-response", "transaction-response", "history")


def full_urls(bundle: Json) -> dict[str, str]:
    """fullUrl -> resource type of each entry; what the references inside resolve against."""
    entries = bundle.get("entry")
    found = {}
    for entry in entries if isinstance(entries, list) else ():
        resource = entry.get("resource") if type(entry) is dict else None
        if type(resource) is dict and type(entry.get("fullUrl")) is str:
            found[entry["fullUrl"]] = str(resource.get("resourceType"))
    return found


@rule("Bundle", "bdl-1", when="total")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] in ("searchset", "history")


@rule("Bundle", "bdl-2", when="entry")
def _(value: Json, walk: Walk) -> bool:
    return bool(value["type"] == "searchset") or all("search" not in entry for entry in value["entry"])


@rule("Bundle", "bdl-3", when="entry")
def _(value: Json, walk: Walk) -> bool:
    wanted = value["type"] in _WITH_REQUEST
    return all(("request" in entry) == wanted for entry in value["entry"])


@rule("Bundle", "bdl-4", when="entry")
def _(value: Json, walk: Walk) -> bool:
    wanted = value["type"] in _WITH_RESPONSE
    return all(("response" in entry) == wanted for entry in value["entry"])


@rule("Bundle.entry", "bdl-5", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "resource" in value or "request" in value or "response" in value


@rule("Bundle", "bdl-7", when="entry")
def _(value: Json, walk: Walk) -> bool:
    if value["type"] == "history":
        return True
    keys = [
        (entry["fullUrl"], entry.get("resource", {}).get("meta", {}).get("versionId"))
        for entry in value["entry"]
        if "fullUrl" in entry
    ]
    return len(keys) == len(set(keys))


@rule("Bundle.entry", "bdl-8", when="fullUrl")
def _(value: Json, walk: Walk) -> bool:
    return "/_history/" not in value["fullUrl"]


@rule("Bundle", "bdl-9", when="type")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] != "document" or not {"system", "value"} - value.get("identifier", {}).keys()


@rule("Bundle", "bdl-10", when="type")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] != "document" or "timestamp" in value


def _starts_with(value: Json, kind: str) -> bool:
    first = value.get("entry", [{}])[0].get("resource", {})
    return bool(first.get("resourceType") == kind)


@rule("Bundle", "bdl-11", when="type")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] != "document" or _starts_with(value, "Composition")


@rule("Bundle", "bdl-12", when="type")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] != "message" or _starts_with(value, "MessageHeader")


def check_links(bundle: Json, at: Place, walk: Walk) -> None:
    """A relation such as `self` or `next` stands at most once."""
    seen: set[str] = set()
    links = bundle.get("link")
    for place, link in enumerate(links if isinstance(links, list) else ()):
        relation = link.get("relation") if type(link) is dict else None
        if type(relation) is str and relation in seen:
            walk.error((at, "link", place), f"a second link {relation!r}", "duplicate", "bundle")
        seen.add(str(relation))


def check_entry(entry: Json, at: Place, walk: Walk) -> None:
    """The fullUrl is absolute, and a web address ends in type and id of the resource it stands for."""
    url = entry.get("fullUrl")
    if type(url) is not str:
        return
    if ":" not in url:
        walk.error((at, "fullUrl"), f"{url!r} is not absolute", "value", "bundle")
        return
    resource = entry.get("resource")
    if type(resource) is not dict or "id" not in resource or not url.startswith("http"):
        return
    if not url.endswith(f"/{resource.get('resourceType')}/{resource['id']}"):
        walk.error((at, "fullUrl"), f"{url!r} does not end in the type and id of its resource", "value", "bundle")


def check_bundle(bundle: Json, at: Place, walk: Walk) -> None:
    """What the published constraints do not say. Each urn reference is looked up when the reference is walked."""
    check_links(bundle, at, walk)
    entries = bundle.get("entry")
    for place, entry in enumerate(entries if isinstance(entries, list) else ()):
        if type(entry) is dict:
            check_entry(entry, (at, "entry", place), walk)
