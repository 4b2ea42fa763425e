"""Rows 44, 45 and 50 on the database: quantities in columns and in components, against each resource by itself."""

import random
from datetime import UTC
from decimal import Decimal

import pytest

from service.fhir import wire
from service.search.criteria import CodedQuantityCriterion, QuantityCriterion
from service.search.quantities import QuantityBound, Unit, number_range
from service.search.values import index
from service.store import Draft
from tests.store.samples import NOON, later, observation, save
from tests.store.test_searching import SITE, ask, found, ids, search

UCUM = "http://unitsofmeasure.org"


def quantity(value, unit="mm", system=UCUM, **more):
    return {"value": value, "unit": unit, "system": system, "code": unit, **more}


def component(code, value, unit="mm"):
    return {"code": {"coding": [{"system": "urn:own", "code": code}]}, "valueQuantity": quantity(value, unit)}


def test_row_45_forms_of_a_quantity_find_mm_cm_and_unit_texts(store):
    save(
        store,
        observation(1, valueQuantity=quantity(31)),
        observation(2, valueQuantity=quantity(3.1, "cm")),
        observation(3, valueQuantity=quantity(31.0, "ratio", "urn:x")),
        observation(4, valueQuantity={"value": 31, "unit": "mm"}),
        observation(5, valueQuantity={"value": 31}),
        observation(6, valueQuantity=quantity(30, "mm[Hg]")),
        observation(7, valueQuantity=quantity(4.0, "kPa")),
        observation(8, valueQuantity=quantity(32, comparator="<")),
        observation(9),
    )
    expected = {
        "value-quantity=31": {1, 3, 4, 5},
        "value-quantity=31|http://unitsofmeasure.org|mm": {1, 2},
        "value-quantity=3.10|http://unitsofmeasure.org|cm": {1, 2},
        "value-quantity=31||mm": {1, 2, 4},
        "value-quantity=31||ratio": {3},
        "value-quantity=31|urn:x|ratio": {3},
        "value-quantity=31|urn:y|mm": set(),
        "value-quantity=30|http://unitsofmeasure.org|mm[Hg]": {6, 7},
        "value-quantity=ap30||kPa": set(),
        "value-quantity=gt30.9||mm": {1, 2, 4, 8},
        "value-quantity=lt31||mm": {8},
        "value-quantity=ne31||mm": {8},
        "value-quantity=ge3.1||cm&patient=p-1": {1, 2, 8},
        "value-quantity=31,3.1": {1, 2, 3, 4, 5},
        "value-quantity=31||": {1, 3, 4, 5},
        "value-quantity=31||furlong": set(),
    }
    for text, numbers in expected.items():
        assert found(store, text) == {f"p-1-o-{number}" for number in numbers}, text


def test_row_50_a_code_and_its_number_must_be_of_one_component(store):
    both = [component("rest", 10), component("mark", 1.6, "cm")]
    save(store, observation(1, component=both), observation(2, component=both[::-1], valueQuantity=quantity(10)))
    everything = {"p-1-o-1", "p-1-o-2"}
    expected = {
        "component-code-value-quantity=urn:own|rest$10||mm": everything,
        "component-code-value-quantity=rest$1.0||cm": everything,
        "component-code-value-quantity=rest$16||mm": set(),
        "component-code-value-quantity=mark$gt15||mm": everything,
        "component-code-value-quantity=rest$16||mm,mark$16||mm": everything,
        "component-code-value-quantity=nowhere$10": set(),
        "component-code=rest&component-value-quantity=16||mm": everything,  # each for itself
        "component-value-quantity=16||mm": everything,
        "component-value-quantity=17||mm": set(),
        "code-value-quantity=urn:own|gap$10||mm": {"p-1-o-2"},
        "code-value-quantity=rest$10||mm": set(),  # of the resource, not of a component
        "code-value-quantity=gap$11||mm": set(),
        "combo-value-quantity=10||mm": everything,
        "combo-code-value-quantity=gap$10||mm": {"p-1-o-2"},
        "combo-code-value-quantity=rest$10||mm": everything,
        "combo-code-value-quantity=gap$16||mm": set(),
    }
    for text, numbers in expected.items():
        assert found(store, text) == numbers, text


def test_an_amended_number_is_found_by_its_present_value_alone(store):
    save(store, observation(1, valueQuantity=quantity(31), component=[component("rest", 10)]))
    save(store, observation(1, valueQuantity=quantity(3.3, "cm"), component=[component("rest", 11)]), now=later(1))
    assert found(store, "value-quantity=31||mm") == found(store, "component-value-quantity=10||mm") == set()
    assert found(store, "value-quantity=33||mm&component-value-quantity=11||mm") == {"p-1-o-1"}


def random_number(seed):
    unit = seed.choice(["mm", "cm", "m", "kPa", "mm[Hg]", "%"])
    value = Decimal(seed.randrange(0, 400)).scaleb(-seed.randrange(3))
    given = quantity(value, unit) if seed.random() < 0.8 else {"value": value, "unit": unit}
    return given | ({"comparator": seed.choice(["<", "<=", ">", ">="])} if seed.random() < 0.15 else {})


def random_bound(seed):
    prefix = seed.choice(["", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"])
    number = Decimal(seed.randrange(0, 400)).scaleb(-seed.randrange(3))
    unit = seed.choice(["", "", "||mm", f"|{UCUM}|mm", f"|{UCUM}|cm", "||kPa", f"|{UCUM}|%", "||m"])
    return f"{prefix}{number}{unit}"


def answers(bound: QuantityBound, given: dict) -> bool:
    unit = Unit(given.get("system", ""), given.get("code", ""), given.get("unit", ""))
    factor = bound.factor(unit)
    return factor is not None and bound.bound(factor).holds(number_range(given))


@pytest.mark.parametrize("seed_number", range(2))
def test_every_search_by_number_finds_what_looking_at_each_resource_finds(store, seed_number):
    seed = random.Random(seed_number)
    resources = {}
    for number in range(80):
        resource = observation(number, patient=f"p-{number % 3}", code=seed.choice("ab"))
        if seed.random() < 0.7:
            resource["valueQuantity"] = random_number(seed)
        parts = [(seed.choice("rs"), random_number(seed)) for _ in range(seed.randrange(3))]
        resource["component"] = [component(code, 0) | {"valueQuantity": given} for code, given in parts]
        resources[resource["id"]] = resource
    save_decimals(store, resources.values())
    some = 0
    with store.read(SITE) as reading:
        for _ in range(300):
            text = random_search(seed)
            expected = {id_ for id_, resource in resources.items() if all_hold(ask("Observation", text), resource)}
            assert set(ids(reading.search(ask("Observation", text + "&_count=1000")))) == expected, text
            some += bool(expected)
    assert some > 100


def save_decimals(store, resources):
    """Saved with the digits of their decimals."""
    with store.write(SITE, NOON) as unit:
        contents = [wire.write(resource) for resource in resources]
        read = [wire.read(content) for content in contents]
        unit.save_resources(
            [
                Draft("Observation", each["id"], "c-1", "e-1", content, index(each, UTC))
                for each, content in zip(read, contents, strict=True)
            ]
        )


def random_search(seed):
    name = seed.choice(
        ["value-quantity", "component-value-quantity", "combo-value-quantity", "code-value-quantity",
         "component-code-value-quantity", "combo-code-value-quantity"]
    )  # fmt: skip
    values = [random_bound(seed) for _ in range(seed.choice([1, 1, 2]))]
    if "code" in name:
        values = [f"{seed.choice(['a', 'r', 'urn:own|b', 'urn:own|s'])}${value}" for value in values]
    narrowed = seed.choice(["", "", "&patient=p-1", "&code=a"])
    return f"{name}={','.join(values)}{narrowed}"


def all_hold(query, resource):
    own = [each["code"] for each in resource["code"]["coding"]]
    value = [(own, resource["valueQuantity"])] if "valueQuantity" in resource else []
    parts = [([each["code"]["coding"][0]["code"]], each["valueQuantity"]) for each in resource["component"]]
    of_slot = {"value": value, "component": parts, "value_or_component": value + parts}

    def holds(criterion):
        match criterion:
            case QuantityCriterion(slot, bounds):
                return any(answers(bound, given) for bound in bounds for _, given in of_slot[slot])
            case CodedQuantityCriterion(slot, pairs):
                return any(
                    code.code in codes and answers(bound, given)
                    for code, bound in pairs
                    for codes, given in of_slot[slot]
                )
            case _ if hasattr(criterion, "patients"):
                return resource["subject"]["reference"].removeprefix("Patient/") in criterion.patients
            case _:
                return any(each.code in own for each in criterion.values)

    return all(holds(criterion) for criterion in query.criteria)


def test_row_34_pages_of_a_search_by_number_hold_every_row_once(store):
    save(store, *(observation(n, valueQuantity=quantity(n), at=f"2024-05-{1 + n % 9:02d}") for n in range(50)))
    for text in ("value-quantity=ge1||cm&_count=7", "code-value-quantity=gap$gt0.9||cm&_count=7&_sort=date"):
        page = search(store, "Observation", text)
        seen = ids(page)
        while page.next:
            page = search(store, "Observation", text, page.next)
            seen += ids(page)
        assert sorted(seen) == sorted(f"p-1-o-{n}" for n in range(10, 50))
