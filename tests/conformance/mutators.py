"""Ways to break a sound resource, one function a kind. What may be broken is read from the official definitions.

Facts about the types come from the StructureDefinitions inside the npm package of examples, not from the tables under
test. Each mutator gets a random generator, a deep copy and the facts of its type, and gives the broken resource, broken
bytes, or None where the kind does not fit.
"""

import json
import re
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from random import Random
from typing import Any

from service.fhir import wire
from tests.conformance.npm import EXAMPLES, package

Json = dict[str, Any]
Mutator = Callable[[Random, Json, "Facts"], Json | bytes | None]
MUTATORS: dict[str, Mutator] = {}

_DATES = {"date", "dateTime", "instant"}
_PRIMITIVE = re.compile(r"[a-z]")


@dataclass
class Facts:
    """Root elements of one type by what can be done to them."""

    required: set[str] = field(default_factory=set)
    single: set[str] = field(default_factory=set)
    repeating: set[str] = field(default_factory=set)
    bound: set[str] = field(default_factory=set)
    targets: dict[str, set[str]] = field(default_factory=dict)
    types: dict[str, set[str]] = field(default_factory=dict)
    choices: dict[str, list[str]] = field(default_factory=dict)


@cache
def facts_of(kind: str) -> Facts:
    """The facts of a resource type from its official StructureDefinition."""
    file = package(*EXAMPLES) / f"StructureDefinition-{kind}.json"
    facts = Facts()
    for element in json.loads(file.read_text(encoding="utf-8"))["snapshot"]["element"]:
        if element["path"].count(".") == 1:
            _note(facts, element, element["path"].partition(".")[2])
    return facts


def _note(facts: Facts, element: Json, name: str) -> None:
    types = {t["code"] for t in element.get("type", ())}
    if name.endswith("[x]"):
        facts.choices[name[:-3]] = sorted(types)
        return
    facts.types[name] = types
    if element["min"]:
        facts.required.add(name)
    (facts.single if element["max"] == "1" else facts.repeating).add(name)
    if element.get("binding", {}).get("strength") == "required" and types == {"code"}:
        facts.bound.add(name)
    profiles = [p for t in element.get("type", ()) for p in t.get("targetProfile", ())]
    targets = {p.rpartition("/")[2] for p in profiles}
    if types == {"Reference"} and targets and "Resource" not in targets:
        facts.targets[name] = targets


def mutator(function: Mutator) -> Mutator:
    """Register under the words of the function's name."""
    MUTATORS[function.__name__.replace("_", " ")] = function
    return function


def objects(node: Any) -> Iterator[Json]:
    """Every object below a node, the node itself first; narrative left out."""
    if isinstance(node, dict):
        yield node
        for child in node.values():
            yield from objects(child)
    elif isinstance(node, list):
        for child in node:
            yield from objects(child)


def some(rng: Random, choices: Any) -> Any:
    """One of the choices, None when there is none."""
    listed = sorted(choices, key=str) if isinstance(choices, (set, frozenset)) else list(choices)
    return rng.choice(listed) if listed else None


def quantities(resource: Json) -> list[Json]:
    """Objects with a UCUM code."""
    return [o for o in objects(resource) if o.get("system") == "http://unitsofmeasure.org" and "value" in o]


# --- cardinality and structure ----------------------------------------------------------------------------------------


@mutator
def required_element_left_out(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, facts.required & resource.keys())
    return None if name is None else {k: v for k, v in resource.items() if k != name}


@mutator
def unknown_element(rng: Random, resource: Json, facts: Facts) -> Json:
    rng.choice(list(objects(resource)))["bandCount"] = 3
    return resource


@mutator
def unknown_resource_type(rng: Random, resource: Json, facts: Facts) -> Json:
    return resource | {"resourceType": "ClosureReading"}


@mutator
def one_where_many_are_listed(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, facts.repeating & resource.keys())
    return None if name is None else resource | {name: resource[name][0]}


@mutator
def many_where_one_is_allowed(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, facts.single & resource.keys())
    return None if name is None else resource | {name: [resource[name], resource[name]]}


@mutator
def empty_array(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, facts.repeating)
    return resource | {name: []}


@mutator
def empty_object(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, {n for n in facts.single if facts.types[n] and not _primitive(facts, n)} - {"contained"})
    return None if name is None else resource | {name: {}}


@mutator
def empty_text(rng: Random, resource: Json, facts: Facts) -> Json | None:
    where = some(rng, [(o, k) for o in objects(resource) for k, v in o.items() if type(v) is str and k != "div"])
    where[0][where[1]] = ""
    return resource


@mutator
def null_value(rng: Random, resource: Json, facts: Facts) -> Json:
    owner = rng.choice(list(objects(resource)))
    owner[rng.choice(list(owner))] = None
    return resource


@mutator
def object_with_nothing_but_an_id(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, {n for n in facts.single if not _primitive(facts, n)} - {"contained", "resource"})
    return None if name is None else resource | {name: {"id": "x1"}}


@mutator
def two_values_of_one_choice(rng: Random, resource: Json, facts: Facts) -> Json | None:
    samples = {"string": "x", "boolean": True, "dateTime": "2024-03-01", "Period": {"start": "2024-03-01"},
               "CodeableConcept": {"text": "x"}, "Range": {"low": {"value": 1}}, "Quantity": {"value": 1}}  # fmt: skip
    for name, types in sorted(facts.choices.items()):
        usable = [t for t in types if t in samples][:2]
        present = any(k.startswith(name) and k[len(name) :][:1].isupper() for k in resource)
        if present and len(usable) == 2:
            return resource | {name + t[0].upper() + t[1:]: samples[t] for t in usable}
    return None


def _primitive(facts: Facts, name: str) -> bool:
    return all(_PRIMITIVE.match(t) or t.startswith("http") for t in facts.types[name])


# --- primitive values -------------------------------------------------------------------------------------------------


@mutator
def id_with_a_blank(rng: Random, resource: Json, facts: Facts) -> Json:
    return resource | {"id": "gap 1"}


@mutator
def id_too_long(rng: Random, resource: Json, facts: Facts) -> Json:
    return resource | {"id": "a" * 65}


def _dated(rng: Random, resource: Json, facts: Facts, text: str, kinds: set[str]) -> Json | None:
    name = some(rng, {n for n in facts.single & resource.keys() if facts.types[n] & kinds})
    if name is not None:
        return resource | {name: text}
    chosen = some(rng, [(n, t) for n, types in facts.choices.items() for t in types if t in kinds])
    if chosen is None:
        return None
    name, kind = chosen
    kept = {k: v for k, v in resource.items() if not (k.startswith(name) and k[len(name) :][:1].isupper())}
    return kept | {name + kind[0].upper() + kind[1:]: text}


@mutator
def thirtieth_of_february(rng: Random, resource: Json, facts: Facts) -> Json | None:
    return _dated(rng, resource, facts, "2023-02-30", {"date", "dateTime"})


@mutator
def twenty_ninth_of_february_in_a_common_year(rng: Random, resource: Json, facts: Facts) -> Json | None:
    return _dated(rng, resource, facts, "2023-02-29T08:00:00Z", {"dateTime", "instant"})


@mutator
def time_without_zone(rng: Random, resource: Json, facts: Facts) -> Json | None:
    return _dated(rng, resource, facts, "2024-03-01T08:00:00", {"dateTime", "instant"})


@mutator
def time_of_twenty_five_hours(rng: Random, resource: Json, facts: Facts) -> Json | None:
    return _dated(rng, resource, facts, "2024-03-01T25:00:00Z", {"dateTime", "instant"})


@mutator
def wrong_primitive_type(rng: Random, resource: Json, facts: Facts) -> Json | None:
    wrong = {"boolean": "true", "code": 7, "string": True, "uri": 3, "dateTime": 20240301, "instant": 5,
             "integer": "4", "positiveInt": "1", "unsignedInt": "0", "markdown": 5, "canonical": 9}  # fmt: skip
    name = some(rng, {n for n in facts.single & resource.keys() if facts.types[n] & wrong.keys()})
    return None if name is None else resource | {name: wrong[next(iter(facts.types[name]))]}


@mutator
def decimal_as_text(rng: Random, resource: Json, facts: Facts) -> Json | None:
    quantity = some(rng, quantities(resource))
    if quantity is None:
        return None
    quantity["value"] = str(quantity["value"])
    return resource


@mutator
def uri_with_a_blank(rng: Random, resource: Json, facts: Facts) -> Json | None:
    owner = some(rng, [o for o in objects(resource) if type(o.get("system")) is str and "://" in o["system"]])
    if owner is None:
        return resource | {"implicitRules": "http://a b"}
    owner["system"] = owner["system"] + " x"
    return resource


@mutator
def broken_uuid(rng: Random, resource: Json, facts: Facts) -> Json:
    return resource | {"implicitRules": "urn:uuid:1234"}


@mutator
def control_character_in_text(rng: Random, resource: Json, facts: Facts) -> Json | None:
    texts = [(o, k) for o in objects(resource) for k, v in o.items() if k in ("text", "display") and type(v) is str]
    where = some(rng, texts)
    if where is None:
        return None
    where[0][where[1]] += "\x07"
    return resource


# --- codes, units, references -----------------------------------------------------------------------------------------


@mutator
def code_outside_a_required_binding(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, facts.bound & facts.single & resource.keys())
    return None if name is None else resource | {name: "half-done"}


@mutator
def code_with_a_blank_behind_it(rng: Random, resource: Json, facts: Facts) -> Json | None:
    owner = some(rng, [o for o in objects(resource) if type(o.get("code")) is str])
    if owner is None:
        return None
    owner["code"] += " "
    return resource


@mutator
def unit_that_ucum_does_not_know(rng: Random, resource: Json, facts: Facts) -> Json | None:
    quantity = some(rng, quantities(resource))
    if quantity is None:
        return None
    quantity["code"] = rng.choice(["mmHg", "cm^2", "days", "sq cm", "Newton"])
    return resource


@mutator
def reference_to_a_wrong_type(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, {n for n in facts.targets if n in resource})
    if name is None:
        return None
    wrong = {"reference": f"{'Library' if 'Library' not in facts.targets[name] else 'Slot'}/x1"}
    return resource | {name: [wrong] if isinstance(resource[name], list) else wrong}


@mutator
def reference_of_no_form(rng: Random, resource: Json, facts: Facts) -> Json | None:
    owner = some(rng, [o for o in objects(resource) if type(o.get("reference")) is str])
    if owner is None:
        return None
    owner["reference"] = "the patient in bed 4"
    return resource


@mutator
def local_reference_to_nothing(rng: Random, resource: Json, facts: Facts) -> Json | None:
    owner = some(rng, [o for o in objects(resource) if type(o.get("reference")) is str])
    if owner is None:
        return None
    owner["reference"] = "#nowhere"
    return resource


@mutator
def contained_resource_that_nobody_refers_to(rng: Random, resource: Json, facts: Facts) -> Json | None:
    if "contained" not in facts.repeating:
        return None
    return resource | {"contained": [{"resourceType": "Patient", "id": "unused1", "active": True}]}


@mutator
def contained_resource_with_a_version(rng: Random, resource: Json, facts: Facts) -> Json | None:
    name = some(rng, {n for n, t in facts.targets.items() if "Patient" in t})
    if name is None or "contained" in resource or name not in resource:
        return None
    inner = {"resourceType": "Patient", "id": "p9", "meta": {"versionId": "2"}, "active": True}
    reference = {"reference": "#p9"}
    listed = [reference] if name in facts.repeating else reference
    return resource | {"contained": [inner], name: listed}


@mutator
def uuid_reference_out_of_a_bundle(rng: Random, resource: Json, facts: Facts) -> Json | None:
    if resource["resourceType"] != "Bundle":
        return None
    owner = some(rng, [o for o in objects(resource) if type(o.get("reference")) is str])
    if owner is None:
        return None
    owner["reference"] = "urn:uuid:11111111-2222-4333-8444-555555555555"
    return resource


# --- constraints ------------------------------------------------------------------------------------------------------


@mutator
def extension_without_value(rng: Random, resource: Json, facts: Facts) -> Json | None:
    if "extension" not in facts.repeating:
        return None
    return resource | {"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason"}]}


@mutator
def extension_url_that_is_not_absolute(rng: Random, resource: Json, facts: Facts) -> Json | None:
    if "extension" not in facts.repeating:
        return None
    return resource | {"extension": [{"url": "band-count", "valueInteger": 4}]}


@mutator
def period_that_ends_before_it_starts(rng: Random, resource: Json, facts: Facts) -> Json | None:
    period = some(rng, [o for o in objects(resource) if "start" in o and o.keys() <= {"start", "end"}])
    if period is None:
        return None
    period.update(start="2024-03-02T08:00:00+01:00", end="2024-03-02T06:59:59Z")
    return resource


@mutator
def unit_code_without_system(rng: Random, resource: Json, facts: Facts) -> Json | None:
    quantity = some(rng, [q for q in quantities(resource) if "code" in q])
    if quantity is None:
        return None
    del quantity["system"]
    return resource


@mutator
def script_in_the_narrative(rng: Random, resource: Json, facts: Facts) -> Json | None:
    if "text" not in facts.single:
        return None
    div = '<div xmlns="http://www.w3.org/1999/xhtml">x<script>alert(1)</script></div>'
    return resource | {"text": {"status": "generated", "div": div}}


@mutator
def narrative_that_is_no_xml(rng: Random, resource: Json, facts: Facts) -> Json | None:
    if "text" not in facts.single:
        return None
    return resource | {"text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x<br></div>'}}


BROKEN_RULES: dict[str, list[Json]] = {
    # constraint by constraint, from the constraint tables of each resource's page
    "Observation": [
        {"valueString": "x", "dataAbsentReason": {"text": "unknown"}},
        {"referenceRange": [{"type": {"text": "normal"}}]},
        {"contained": [], "component": [{"valueString": "x"}]},
    ],
    "Patient": [{"contact": [{"gender": "male"}]}, {"link": [{"type": "seealso"}]}],
    "CarePlan": [{"activity": [{"reference": {"reference": "Task/1"}, "detail": {"status": "completed"}}]}],
    "Goal": [{"target": [{"detailString": "closed"}]}],
    "Condition": [
        {"evidence": [{"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/x", "valueCode": "y"}]}]},
        {"stage": [{"type": {"text": "x"}}]},
    ],
    "Organization": [{"telecom": [{"system": "phone", "value": "1", "use": "home"}]}],
    "Group": [{"actual": False, "member": [{"entity": {"reference": "Patient/1"}}]}],
    "AuditEvent": [{"entity": [{"name": "a", "query": "YWJj"}]}],
    "Questionnaire": [{"item": [{"linkId": "1", "type": "display", "required": True}]}],
    "QuestionnaireResponse": [{"item": [{"linkId": "1", "answer": [{"valueString": "x"}], "item": [{"linkId": "2"}]}]}],
    "Parameters": [
        {"parameter": [{"name": "x"}]},
        {"parameter": [{"name": "x", "valueString": "a", "part": [{"name": "y", "valueString": "b"}]}]},
    ],
    "CapabilityStatement": [{"kind": "requirements", "implementation": {"description": "x"}}],
    "MeasureReport": [{"type": "data-collection", "group": [{"code": {"text": "x"}}]}],
    "Media": [{"content": {"data": "YWJj"}}],
    "Bundle": [
        {"type": "collection", "total": 3},
        {"link": [{"relation": "self", "url": "http://a.example/1"}, {"relation": "self", "url": "http://a.example/2"}]},
        {"type": "transaction", "entry": [{"fullUrl": "Patient/1", "resource": {"resourceType": "Patient", "id": "1"},
                                           "request": {"method": "PUT", "url": "Patient/1"}}]},
        {"type": "transaction", "entry": [{"resource": {"resourceType": "Patient", "active": True}}]},
        {"type": "batch", "entry": [{"request": {"method": "GET", "url": "Patient"}, "search": {"mode": "match"}}]},
        {"type": "collection", "entry": [{"fullUrl": "http://a.example/Patient/1/_history/2",
                                          "resource": {"resourceType": "Patient", "active": True}}]},
        {"type": "searchset", "entry": [{"link": [{"relation": "x", "url": "http://a.example"}]}]},
    ],
}  # fmt: skip


@mutator
def constraint_of_the_type_broken(rng: Random, resource: Json, facts: Facts) -> Json | None:
    change = some(rng, BROKEN_RULES.get(resource["resourceType"], ()))
    return None if change is None else resource | deepcopy(change)


# --- bytes ------------------------------------------------------------------------------------------------------------


@mutator
def duplicate_key(rng: Random, resource: Json, facts: Facts) -> bytes:
    raw = wire.write(resource)
    return b'{"resourceType":' + json.dumps(resource["resourceType"]).encode() + b"," + raw[1:]


@mutator
def not_a_number(rng: Random, resource: Json, facts: Facts) -> bytes | None:
    quantity = some(rng, quantities(resource))
    if quantity is None:
        return None
    quantity["value"] = Decimal("123456.789")
    return wire.write(resource).replace(b"123456.789", b"NaN", 1)


@mutator
def text_that_is_not_utf8(rng: Random, resource: Json, facts: Facts) -> bytes:
    return wire.write(resource | {"language": "d"}).replace(b'"language":"d"', b'"language":"\xe4"')


@mutator
def half_of_a_surrogate_pair(rng: Random, resource: Json, facts: Facts) -> bytes:
    return wire.write(resource | {"language": "d"}).replace(b'"language":"d"', b'"language":"\\ud83d"')


@mutator
def body_cut_off(rng: Random, resource: Json, facts: Facts) -> bytes:
    raw = wire.write(resource)
    return raw[: rng.randrange(1, len(raw))]


@mutator
def nested_too_deep(rng: Random, resource: Json, facts: Facts) -> bytes:
    inner: Json = {"url": "http://hl7.org/fhir/StructureDefinition/x", "valueBoolean": True}
    for _ in range(40):
        inner = {"url": "http://hl7.org/fhir/StructureDefinition/x", "extension": [inner]}
    return wire.write(resource | {"extension": [inner]})
