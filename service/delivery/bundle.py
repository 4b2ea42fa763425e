"""A parcel as a transaction Bundle in the way that its destination wants to be written to.

http://hl7.org/fhir/R4/http.html#transaction. Client-assigned ids: PUT of each resource under our own id. Ids of the
server: POST with ifNoneExist by business identifier for what was never sent, PUT under the id it got for what was.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from service.delivery.destination import SENDABLE, SHARED, Destination
from service.delivery.gathering import Key, Outgoing, Parcel, key_of
from service.delivery.translations import Translations

Tree = dict[str, Any]
NOT_SENT = "not sent to this server"
_RANK = {name: rank for rank, name in enumerate(SENDABLE)}


def ordered(parcel: Parcel) -> list[Outgoing]:
    """The resources in the order of the Bundle's entries."""
    return sorted(parcel.outgoing.values(), key=lambda one: (_RANK[one.key[0]], one.key[1]))


def transaction(parcel: Parcel, destination: Destination, translations: Translations) -> Tree:
    """The Bundle; its entries stand in the order of `ordered`."""
    links = {key: _link(one, destination) for key, one in parcel.outgoing.items()}
    entries = [_entry(one, destination, translations.translated(_sent(one, destination, parcel, links)))
               for one in ordered(parcel)]  # fmt: skip
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def full_url(one: Outgoing, destination: Destination) -> str:
    """The entry's fullUrl: where the resource will be, or a name of its own where the server will say that."""
    reference = _link(one, destination)
    return reference if reference.startswith("urn:") else f"{destination.url}/{reference}"


def remote_id(one: Outgoing, destination: Destination) -> str | None:
    """The id that the resource has at the destination; None where the server has not given it yet."""
    if one.known is not None:
        return one.known.remote_id
    return None if destination.assigns_ids else one.key[1]


def condition(resource: Tree) -> str:
    """The search that finds a resource by its first business identifier."""
    first = resource["identifier"][0] if isinstance(resource["identifier"], list) else resource["identifier"]
    return _by_identifier(first)


def _entry(one: Outgoing, destination: Destination, resource: Tree) -> Tree:
    type_ = one.key[0]
    theirs = remote_id(one, destination)
    if theirs is None:
        request = {"method": "POST", "url": type_, "ifNoneExist": condition(resource)}
    else:
        request = {"method": "PUT", "url": f"{type_}/{theirs}"}
    return {"fullUrl": full_url(one, destination), "resource": resource, "request": request}


def _link(one: Outgoing, destination: Destination) -> str:
    theirs = remote_id(one, destination)
    return f"urn:uuid:{one.key[1]}" if theirs is None else f"{one.key[0]}/{theirs}"


def _sent(one: Outgoing, destination: Destination, parcel: Parcel, links: Mapping[Key, str]) -> Tree:
    """The resource without what our store put in, under its id there, its references as they hold there."""
    meta = {name: value for name, value in one.resource["meta"].items() if name not in ("versionId", "lastUpdated")}
    theirs = remote_id(one, destination)
    kept = {"resourceType": one.key[0]} | ({"id": theirs} if theirs else {}) | ({"meta": meta} if meta else {})
    rest = {name: value for name, value in one.resource.items() if name not in ("resourceType", "id", "meta")}

    def pointed(value: Any) -> Any:
        if isinstance(value, list):
            return [pointed(each) for each in value]
        if not isinstance(value, dict):
            return value
        found = {name: pointed(member) for name, member in value.items()}
        return _pointed(found, destination, parcel, links) if isinstance(found.get("reference"), str) else found

    return kept | {name: pointed(value) for name, value in rest.items()}


def _pointed(reference: Tree, destination: Destination, parcel: Parcel, links: Mapping[Key, str]) -> Tree:
    """A reference that leads to what it means at the destination."""
    key = key_of(reference["reference"])
    if key is None:
        return reference
    if key in links:
        return {**reference, "reference": links[key]}
    if key in parcel.known:
        return {**reference, "reference": f"{key[0]}/{parcel.known[key].remote_id}"}
    return _named(reference, key, parcel.identifiers.get(key, {}), destination)


def _named(reference: Tree, key: Key, identifier: Tree, destination: Destination) -> Tree:
    """A reference to what is not sent: by a search for it, or by naming it."""
    if destination.patients == "conditional" and key[0] in SHARED and identifier:
        return {**reference, "reference": f"{key[0]}?{_by_identifier(identifier)}"}
    named = {name: value for name, value in reference.items() if name != "reference"} | {"type": key[0]}
    return named | ({"identifier": identifier} if identifier else {"display": reference.get("display", NOT_SENT)})


def _by_identifier(identifier: Tree) -> str:
    """As a search parameter: what separates values in a search is escaped, then what separates parts of a URL."""
    parts = [identifier.get("system", ""), identifier["value"]]
    return "identifier=" + "|".join(quote(_escaped(each), safe=":/") for each in parts)


def _escaped(text: str) -> str:
    r"""A value of a search with `\`, `|`, `,` and `$` escaped (search.html#escaping)."""
    for letter in ("\\", "|", ",", "$"):
        text = text.replace(letter, f"\\{letter}")
    return text
