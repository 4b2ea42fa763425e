"""The fast yes: true only for a resource that the walk would find without error; false means "ask the walk".

Resources of one builder have few shapes. For each shape (a type and its keys in their order) one straight function is
made from the tables when the shape is first met: unknown keys, required elements, choices and the constraints that look
at keys alone are settled then; what is left for each resource are the values. What is out of the ordinary (contained
resources, `_` twins, unhashable or odd values, too many shapes) is left to the walk, so that this module can only be
slower than it, never more lenient. tests/conformance holds both to the same verdict on every mutant.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from service.fhir.r4 import Element, codes, codings, has_children, resource_types, tabled_types
from service.fhir.validate import rules
from service.fhir.validate.bundles import check_bundle, full_urls
from service.fhir.validate.known import MOST_KNOWN, REMEMBERED, known_together, known_values
from service.fhir.validate.primitives import is_media_type, is_primitive, matcher, test_of
from service.fhir.validate.structure import QUANTITIES, Elements
from service.fhir.validate.units import UCUM, unit_codes
from service.fhir.validate.walk import Walk

Shape = Callable[[dict[str, Any], Walk], bool]

_MOST_SHAPES = 4000
_made = 0


def surely_sound(resource: dict[str, Any], walk: Walk) -> bool:
    """True when the resource is sound beyond doubt. `walk` collects nothing but the faults of a Bundle as a whole."""
    try:
        if resource.get("resourceType") == "Bundle":
            walk.full_urls = full_urls(resource)
            check_bundle(resource, (None, "Bundle"), walk)
            if walk.issues:
                return False
        return _resource(resource, walk)
    except (TypeError, AttributeError, KeyError, ValueError, IndexError, RecursionError):
        return False


def _never(value: dict[str, Any], walk: Walk) -> bool:
    return False


def _resource(value: dict[str, Any], walk: Walk) -> bool:
    kind = value["resourceType"]
    return kind in tabled_types() and shapes_of(kind)(value)(value, walk)


class Shapes(dict[tuple[str, ...], Shape]):
    """The shapes met so far of one type; calling it gives the function for a value, made when needed."""

    def __init__(self, path: str) -> None:
        super().__init__()
        self.path = path
        self.elements = Elements(path)

    def __call__(self, value: dict[str, Any]) -> Shape:
        """The function for this value."""
        return self.get(tuple(value)) or self.make(tuple(value))

    def make(self, keys: tuple[str, ...]) -> Shape:
        """The function for values with these keys; one that says no where only the walk can tell."""
        global _made
        if _made >= _MOST_SHAPES or not self._settled(keys):
            return _never
        _made += 1
        self[keys] = _compiled(self, keys)
        return self[keys]

    def _settled(self, keys: tuple[str, ...]) -> bool:
        """What the keys alone decide: all known, all required there, one of each choice, something said."""
        own = [key for key in keys if key != "resourceType"]
        if "contained" in keys or not own or own == ["id"] or not all(key in self.elements.known for key in own):
            return False
        if "resourceType" in keys and ("." in self.path or self.path not in tabled_types()):
            return False
        names = [self.elements.known[key][0].name for key in own]
        needed = {element.name for element, _ in self.elements.known.values() if element.minimum}
        if len(names) != len(set(names)) or not needed <= set(names):
            return False
        return all(r.holds(dict.fromkeys(keys), _EMPTY) for r in _rules(self, keys) if r.of_keys)


_EMPTY = Walk(())
_all_shapes: dict[str, Shapes] = {}


def shapes_of(path: str) -> Shapes:
    """The shapes of one datatype, backbone element or resource type."""
    if path not in _all_shapes:
        _all_shapes[path] = Shapes(path)
    return _all_shapes[path]


def _rules(shapes: Shapes, keys: tuple[str, ...]) -> list[rules.Rule]:
    found = list(rules.rules_of(shapes.path))
    for key in keys:
        if key in shapes.elements.known:
            found += rules.rules_when(shapes.path, shapes.elements.known[key][0].name)
    return list({r.key: r for r in found if r.key != "ref-1"}.values())  # a local reference is left to the walk


# --- source of one shape ----------------------------------------------------------------------------------------------


class _Source:
    """Lines of one function under construction and the objects they name."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.names: dict[str, Any] = {}
        self.indent = " "

    def name(self, thing: Any) -> str:
        self.names[f"n{len(self.names)}"] = thing
        return f"n{len(self.names) - 1}"

    def demand(self, condition: str) -> None:
        self.lines.append(f"{self.indent}if not ({condition}): return False")


def _compiled(shapes: Shapes, keys: tuple[str, ...]) -> Shape:
    source = _Source()
    source.lines.append(f" {', '.join(f'a{i}' for i in range(len(keys)))}, = v.values()")
    again = _said_again(source, shapes, keys)
    for place, key in enumerate(keys):
        if key != "resourceType" and key not in again:
            _demand_element(source, shapes.elements, key, f"a{place}")
    if shapes.path == "Extension":
        source.demand(f"{source.name(_absolute)}(v['url'])")
    for one in _rules(shapes, keys):
        if not one.of_keys:
            source.demand(f"{source.name(one.holds)}(v, W)")
    text = "\n".join(["def shape(v, W):", *source.lines, " return True"])
    exec(text, source.names)  # the text holds names of ours, no value of the resource
    made: Shape = source.names["shape"]
    return made


def _said_again(source: _Source, shapes: Shapes, keys: tuple[str, ...]) -> tuple[str, ...]:
    """Elements whose texts and codes are the same in many resources: looked at once, then known by all together."""
    names = {key: f"a{place}" for place, key in enumerate(keys)}
    again: list[str]
    if shapes.path == "CodeableConcept" and "coding" in keys:
        again = [key for key in ("coding", "text") if key in keys]
        one, text = f"{names['coding']}[0]", names.get("text", "''")
        of_one = f"type({names['coding']}) is list and len({names['coding']}) == 1"
        together = f"(*{one}, *{one}.values(), {text}) if {of_one} else None"
    elif shapes.path == "Coding" or shapes.path in QUANTITIES:
        again = [key for key in keys if key in ("system", "version", "code", "display", "unit")]
        together = f"({', '.join(names[key] for key in again)})"
    else:
        return ()
    if len(again) < 2:
        return ()
    known, learn = known_together()
    source.lines += [f" k = {together}", f" if k not in {source.name(known)}:"]
    source.indent = "  "
    for key in again:
        _demand_element(source, shapes.elements, key, names[key])
    if shapes.path in QUANTITIES and "code" in keys:
        source.demand(f"{names['system']} != {UCUM!r} or {names['code']} in {source.name(unit_codes())}")
    source.indent = " "
    source.lines.append(f"  if k: {source.name(learn)}(k)")
    return tuple(again)


def _absolute(url: str) -> bool:
    """An extension with a plain name may be a part of another: the walk knows where it stands."""
    return ":" in url


def _demand_element(source: _Source, table: Elements, key: str, variable: str) -> None:
    element, type_name = table.known[key]
    entry = "y" if element.repeats else variable
    if is_primitive(type_name):
        condition = _primitive(source, element, type_name, entry)
    else:
        condition = _object(source, element, type_name, entry)
    if element.repeats:
        source.demand(f"type({variable}) is list and {variable}")
        source.lines.append(f"{source.indent}for y in {variable}:")
        source.lines.append(f"{source.indent} if not ({condition}): return False")
    else:
        source.demand(condition)


def _primitive(source: _Source, element: Element, type_name: str, x: str) -> str:
    """The condition on one primitive value; a value of another kind makes it false or raises, which means false."""
    if element.codes and codes(element.codes):
        return f"{x} in {source.name(codes(element.codes))}"
    if element.codes:
        return f"{source.name(is_media_type)}({x})"
    if type_name in ("string", "markdown"):
        return f"{x} and {x}.isprintable() and not {x}.isspace() or {source.name(test_of(type_name))}({x})"
    if type_name == "decimal":
        return f"type({x}) is int or type({x}) is {source.name(Decimal)} and {x}.is_finite()"
    if type_name == "boolean":
        return f"{x} is True or {x} is False"
    if type_name in REMEMBERED:
        known, learn = known_values(type_name)
        return f"{x} in {source.name(known)} or {source.name(learn)}({x})"
    return f"{source.name(test_of(type_name))}({x})"


def _object(source: _Source, element: Element, type_name: str, x: str) -> str:
    if type_name == "Resource":
        return f"{source.name(_resource)}({x}, W)"
    if type_name == "Reference":
        known, refers = _reference(element.types[type_name] or resource_types())
        literal = f"len({x}) == 1 and {x}.get('reference') in {source.name(known)}"
        return f"{literal} or {source.name(refers)}({x}, W)"
    path = element.same_as or f"{element.path}.{element.name}"
    shapes = source.name(shapes_of(path if has_children(path) else type_name))
    condition = f"({shapes}.get(tuple({x})) or {shapes}.make(tuple({x})))({x}, W)"
    if element.codes:
        bound = source.name(_bound(element.codes))
        condition = f"{condition} and {bound}({x})"
    return condition


def _bound(value_set: str) -> Callable[[dict[str, Any]], bool]:
    allowed = codings(value_set)

    def test(concept: dict[str, Any]) -> bool:
        listed = concept.get("coding", (concept,))
        return any((c.get("system"), c.get("code")) in allowed for c in listed)

    return test


def _reference(targets: frozenset[str]) -> tuple[set[str], Shape]:
    """The literals already seen to be `Type/id` (or a version) of an allowed type, and the test of a Reference."""
    known: set[str] = set()
    is_id = matcher("id")
    plain = shapes_of("Reference")

    def test(value: dict[str, Any], walk: Walk) -> bool:
        if "reference" not in value:
            return plain(value)(value, walk) and "type" not in value  # logical: it names its target by an identifier
        if len(value) > 1 and (not plain(value)(value, walk) or "type" in value):
            return False
        literal = value["reference"]
        kind, _, place = literal.partition("/")
        identity, versioned, version = place.partition("/_history/")
        if kind in targets and is_id(identity) and (not versioned or is_id(version)):
            if len(known) >= MOST_KNOWN:
                known.clear()
            known.add(literal)
            return True
        return walk.full_urls is not None and walk.full_urls.get(literal) in targets

    return known, test
