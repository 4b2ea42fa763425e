"""Resources sent in part: `_summary` and `_elements` (http://hl7.org/fhir/R4/search.html#summary, #elements).

What belongs to a summary, what is mandatory and what modifies the meaning of the rest is taken from the published
definitions. Mandatory and modifying elements are always sent, and the tag says that the resource is not whole.
"""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from service.fhir import wire
from service.fhir.r4.snapshots import elements_of
from service.search.criteria import Subset

Tree = dict[str, Any]
WHOLE = Subset()
_ALWAYS = frozenset({"resourceType", "id", "meta"})


@dataclass(frozen=True, slots=True)
class _Element:
    in_summary: bool
    needed: bool  # mandatory, or it modifies the meaning of the rest


def subset_of(body: bytes, asked: Subset) -> bytes:
    """The part of a stored resource that is asked for, decimals with their digits; all of it where nothing is."""
    if asked == WHOLE:
        return body
    resource = wire.read(body)
    elements = _elements(resource["resourceType"])
    if asked.elements:
        part = _kept(resource, elements, "", _named(asked.elements))
    elif asked.summary == "text":
        part = _kept(resource, elements, "", lambda path, element: path == "text" or element.needed)
    elif asked.summary == "data":
        part = {name: value for name, value in resource.items() if name != "text"}
    else:
        part = _kept(resource, elements, "", lambda _, element: element.in_summary or element.needed, deep=True)
    return wire.write(_tagged(part))


_Wanted = Callable[[str, _Element], bool]


def _named(names: tuple[str, ...]) -> _Wanted:
    return lambda path, element: element.needed or path.removesuffix("[x]") in names


def _kept(node: Tree, elements: Mapping[str, _Element], above: str, wanted: _Wanted, *, deep: bool = False) -> Tree:
    """The wanted elements of a node; `deep`: of its backbone elements too."""
    kept: Tree = {}
    for name, value in node.items():
        path = _path(above, name, elements)
        if not above and name in _ALWAYS:
            kept[name] = value
        elif path is not None and wanted(path, elements[path]):
            backbone = deep and any(each.startswith(f"{path}.") for each in elements)
            kept[name] = _deeper(value, elements, path, wanted) if backbone else value
    return kept


def _deeper(value: Any, elements: Mapping[str, _Element], path: str, wanted: _Wanted) -> Any:
    if isinstance(value, list):
        return [_deeper(each, elements, path, wanted) for each in value]
    return _kept(value, elements, path, wanted, deep=True)


def _path(above: str, name: str, elements: Mapping[str, _Element]) -> str | None:
    """Path of an element by its name in JSON: `_status` is beside status, valueQuantity is value[x]."""
    name = name.removeprefix("_")
    path = f"{above}.{name}" if above else name
    if path in elements:
        return path
    ends = [place for place, letter in enumerate(name) if letter.isupper()]
    choices = (path[: len(path) - len(name) + end] + "[x]" for end in reversed(ends))
    return next((choice for choice in choices if choice in elements), None)


def _tagged(resource: Tree) -> Tree:
    """With the tag, which stands behind those that are there."""
    meta = resource.get("meta", {})
    head = {"resourceType": resource["resourceType"], "id": resource["id"]}
    return head | {"meta": {**meta, "tag": [*meta.get("tag", ()), _tag()]}} | {
        name: value for name, value in resource.items() if name not in _ALWAYS
    }  # fmt: skip


@cache
def _tag() -> Tree:
    return tomllib.loads(files(__package__).joinpath("subset.toml").read_text("utf-8"))


@cache
def _elements(type_: str) -> Mapping[str, _Element]:
    """Path below the resource -> what the published definition says of the element."""
    return {
        each["path"].partition(".")[2]: _Element(
            each.get("isSummary", False), each["min"] > 0 or each.get("isModifier", False)
        )
        for each in elements_of(type_)
        if "." in each["path"]
    }
