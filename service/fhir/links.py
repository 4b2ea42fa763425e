"""Every place of a resource that points elsewhere: references, uris, links of the narrative; how they are rewritten.

http://hl7.org/fhir/R4/http.html#trules: what points to an entry of a transaction by its fullUrl is to point to the
resource that came of it, in Reference.reference, in elements of type uri, url, oid and uuid, and in href and src of the
narrative; canonical elements are left alone. Which element is of which type is told by the tables of R4. `Type/id` is
no uuid: there it becomes the urn:uuid of the new id, as this server gives them; an oid has no such form and stays.
"""

import copy
import re
from collections.abc import Callable, Iterator, Mapping
from functools import cache
from typing import Any, Literal, NamedTuple

from service.fhir.r4 import elements, has_children, resource_types, tabled_types

Tree = dict[str, Any]
Kind = Literal["reference", "uri", "uuid", "narrative"]

_URIS: Mapping[str, Kind] = {"uri": "uri", "url": "uri", "uuid": "uuid"}
_IN_NARRATIVE = re.compile(r"""(\b(?:href|src)\s*=\s*)(["'])(.*?)\2""", re.DOTALL)
_UUID = re.compile(r"[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_REST_URL = re.compile(r"(?P<base>https?://.+)/(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})")


class Link(NamedTuple):
    """One place: the object or list that holds the text, under which key, and its FHIRPath."""

    kind: Kind
    holder: Any
    key: str | int
    expression: str

    @property
    def text(self) -> str:
        """What stands there."""
        found: str = self.holder[self.key]
        return found


def links(resource: Tree, expression: str | None = None) -> Iterator[Link]:
    """Every place of a sound resource that points elsewhere, what is contained included."""
    type_ = resource.get("resourceType", "")
    yield from _of_object(type_, resource, expression or type_)


def references(resource: Tree, expression: str | None = None) -> Iterator[Link]:
    """The literal references alone, those to what is contained left out."""
    return (link for link in links(resource, expression) if link.kind == "reference" and link.text[:1] != "#")


def relinked(resource: Tree, target: Callable[[Link], str | None]) -> Tree:
    """A copy in which each place reads what `target` says; None leaves it. Narratives are asked link by link."""
    found = copy.deepcopy(resource)
    for link in list(links(found)):
        if link.kind == "narrative":
            link.holder[link.key] = _narrative(link, target)
        elif (instead := target(link)) is not None:
            link.holder[link.key] = instead
    return found


def by_full_url(new: Mapping[str, str], full_url: str | None) -> Callable[[Link], str | None]:
    """The rule of a transaction: fullUrl -> `Type/id`, for an entry with this fullUrl.

    A relative reference inside an entry whose fullUrl is of a REST server means that server's resource
    (bundle.html#references), so that it is looked up there first.
    """
    home = _REST_URL.fullmatch(full_url or "")

    def target(link: Link) -> str | None:
        if link.text in new:
            return _as_uuid(new[link.text]) if link.kind == "uuid" else new[link.text]
        if home is not None and link.kind == "reference":
            return new.get(f"{home['base']}/{link.text}")
        return None

    return target


def _as_uuid(reference: str) -> str | None:
    id_ = reference.partition("/")[2]
    return f"urn:uuid:{id_}" if _UUID.fullmatch(id_) else None


def _narrative(link: Link, target: Callable[[Link], str | None]) -> str:
    def instead(found: re.Match[str]) -> str:
        seen = target(Link("narrative", [found[3]], 0, link.expression))
        return f"{found[1]}{found[2]}{found[3] if seen is None else seen}{found[2]}"

    return _IN_NARRATIVE.sub(instead, link.text)


@cache
def _keys(path: str) -> Mapping[str, tuple[str, str]]:
    """JSON key of an object -> its type, and the path of its own elements where it is a backbone element."""
    found: dict[str, tuple[str, str]] = {}
    for element in elements(path).values():
        for type_ in element.types:
            key = element.name + type_[0].upper() + type_[1:] if element.choice else element.name
            own = element.same_as or f"{path}.{element.name}"
            found[key] = (type_, own if has_children(own) else type_)
    return found


def _of_object(path: str, value: Tree, expression: str) -> Iterator[Link]:
    if path == "Reference" and isinstance(value.get("reference"), str):
        yield Link("reference", value, "reference", f"{expression}.reference")
    if path in resource_types() - tabled_types():
        yield from _loosely(value, expression)
        return
    keys = _keys(path)
    for key, member in value.items():
        if key in keys:
            yield from _of_member(*keys[key], value, key, member, f"{expression}.{key}")


def _loosely(value: Any, expression: str) -> Iterator[Link]:
    """Of a contained resource whose type has no table: what has the form of a Reference."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield Link("reference", value, "reference", f"{expression}.reference")
        for key, member in value.items():
            yield from _loosely(member, f"{expression}.{key}")
    elif isinstance(value, list):
        for place, member in enumerate(value):
            yield from _loosely(member, f"{expression}[{place}]")


def _of_member(type_: str, own: str, holder: Any, key: str | int, member: Any, expression: str) -> Iterator[Link]:
    if isinstance(member, list):
        for place, each in enumerate(member):
            yield from _of_member(type_, own, member, place, each, f"{expression}[{place}]")
    elif isinstance(member, str):
        if type_ in _URIS:
            yield Link(_URIS[type_], holder, key, expression)
        elif type_ == "xhtml":
            yield Link("narrative", holder, key, expression)
    elif isinstance(member, dict):
        path = member.get("resourceType", "") if type_ == "Resource" else own
        yield from _of_object(path, member, expression)
