"""Two thousand random searches of stored example courses against the published expressions of the search parameters.

The expressions (r4_search_parameters.csv names their source) are evaluated over every resource by fhirpathpy, and
what they give is compared with the query by the plain rules of https://hl7.org/fhir/R4/search.html, written a second
time here: instants as datetime, numbers as Decimal, units by a table of their own.
"""

import csv
import json
import random
import re
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import fhirpathpy
import orjson
import pytest
from fhirpathpy.models import models

from service.search.criteria import Setting
from service.search.parameters import parameters
from service.search.query import parse
from service.search.values import index
from service.store import Draft
from tests.store.samples import NOON, SITE

ROOT = Path(__file__).parents[2]
COURSES = ("01-lower-leg-fasciotomy-in-four-days", "06-vacuum-therapy-and-blanching", "10-readings-not-taken")
TYPES = ("Observation", "Task", "Procedure", "Device", "Flag", "Condition", "CarePlan", "Goal", "DiagnosticReport")
QUERIES = 2000
IN_MM = {"mm": Decimal(1), "cm": Decimal(10), "m": Decimal(1000)}  # 1 cm is 10 mm


def example_resources() -> list[dict]:
    found = {}
    for course in COURSES:
        for file in sorted((ROOT / "examples" / course).glob("bundle*.json")):
            for entry in json.loads(file.read_text("utf-8"), parse_float=Decimal)["entry"]:
                resource = entry["resource"]
                found[resource["resourceType"], resource["id"]] = resource
    return [each for (type_, _), each in found.items() if type_ in (*TYPES, "Patient")]


def expressions() -> dict[tuple[str, str], str]:
    lines = (ROOT / "tests" / "search" / "r4_search_parameters.csv").read_text("utf-8").splitlines()
    return {(row["base"], row["code"]): row["expression"] for row in csv.DictReader(lines[1:])}


def evaluations(resources: list[dict]) -> dict[tuple[str, str], list]:
    """(id, parameter) -> values that the published expression gives."""
    published, compiled, found = expressions(), {}, {}
    for resource in resources:
        type_ = resource["resourceType"]
        plain = json.loads(json.dumps(resource, default=str))  # the library knows floats and strings alone
        for name, parameter in parameters()[type_].items():
            if name.startswith("_") or parameter.kind == "composite":
                continue
            # `resolve() is Patient` needs a server; the reference says its type itself
            expression = published[type_, name].replace(".where(resolve() is Patient)", "")
            # `as` of several values at once is an error to the library: ofType is the same for each of them
            expression = re.sub(r"\(([\w.]+) as (\w+)\)", r"\1.ofType(\2)", expression)
            if (type_, name) not in compiled:
                compiled[type_, name] = fhirpathpy.compile(expression, models["r4"])
            found[resource["id"], name] = compiled[type_, name](plain)
    return found


def instants(value) -> tuple[datetime, datetime] | None:
    """First instant and the one after the last of a date, dateTime or Period; the site's zone is UTC here."""
    if isinstance(value, dict):
        start = instants(value["start"])[0] if "start" in value else datetime.min.replace(tzinfo=UTC)
        end = instants(value["end"])[1] if "end" in value else datetime.max.replace(tzinfo=UTC)
        return start, end
    text = str(value)
    if len(text) == 10:
        start = datetime.fromisoformat(text).replace(tzinfo=UTC)
        return start, start + timedelta(days=1)
    start = datetime.fromisoformat(text)
    return start, start + timedelta(seconds=1)


def dated(asked: str, values: list) -> bool:
    if not values:
        return False
    ranges = [instants(value) for value in values]
    low, high = min(each[0] for each in ranges), max(each[1] for each in ranges)
    prefix, text = (asked[:2], asked[2:]) if asked[:2].isalpha() else ("eq", asked)
    start, end = instants(text)
    inside = start <= low and high <= end
    return {
        "eq": inside, "ne": not inside, "gt": high > end, "lt": low < start, "ge": high > end or inside,
        "le": low < start or inside, "sa": low >= end, "eb": high <= start,
    }[prefix]  # fmt: skip


def token(asked: str, values: list) -> bool:
    system, bar, code = asked.rpartition("|")
    codings = [coding for value in values for coding in coded(value)]
    return any(code in ("", each[1]) and (not bar or each[0] == system) for each in codings)


def coded(value) -> list[tuple[str, str]]:
    if isinstance(value, str):
        return [("", value)]
    if "value" in value:  # an Identifier
        return [(value.get("system", ""), value["value"])]
    codings = value.get("coding", [value])
    return [(each.get("system", ""), each["code"]) for each in codings if "code" in each]


def quantity(asked: str, values: list) -> bool:
    return any(one_quantity(asked, value) for value in values)


def one_quantity(asked: str, value: dict) -> bool:
    number, _, unit = asked.partition("||")
    prefix, digits = (number[:2], number[2:]) if number[:2].isalpha() else ("eq", number)
    given, wanted = Decimal(str(value["value"])), Decimal(digits)
    factor = Decimal(1)
    if unit and unit not in (value.get("code"), value.get("unit")):
        if unit not in IN_MM or value.get("code") not in IN_MM:
            return False
        factor = IN_MM[value["code"]] / IN_MM[unit]
    given *= factor
    half = Decimal(5).scaleb(wanted.as_tuple().exponent - 1)
    inside = wanted - half <= given < wanted + half
    return {
        "eq": inside, "ne": not inside, "gt": given > wanted, "lt": given < wanted, "ge": given >= wanted,
        "le": given <= wanted, "ap": abs(given - wanted) <= abs(wanted) / 10,
    }[prefix]  # fmt: skip


def reference(asked: str, values: list) -> bool:
    return any(each.get("reference") == asked for each in values)


def composite(name: str, asked: str, resource: dict, found: dict) -> bool:
    code, _, number = asked.partition("$")
    own = found[resource["id"], "value-quantity"]
    if name == "code-value-quantity":
        return token(code, found[resource["id"], "code"]) and quantity(number, own)
    parts = resource.get("component", [])
    return any(
        token(code, [part["code"]]) and "valueQuantity" in part and one_quantity(number, part["valueQuantity"])
        for part in parts
    )


HOLDS = {"date": dated, "token": token, "quantity": quantity, "reference": reference}


def holds(type_: str, name: str, value: str, resource: dict, found: dict) -> bool:
    plain, _, modifier = name.partition(":")
    parameter = parameters()[type_][plain]
    if parameter.kind == "composite":
        return any(composite(plain, each, resource, found) for each in value.split(","))
    values = found[resource["id"], plain]
    if plain == "patient":
        values = [each for each in values if each.get("reference", "").startswith("Patient/")]
    if modifier == "missing":
        return (not values) is (value == "true")
    one_of = any(HOLDS[parameter.kind](each, values) for each in value.split(","))
    return not one_of if modifier == "not" else one_of


def random_value(seed: random.Random, kind: str, values: list) -> str | None:
    """A value near one that occurs, so that searches are neither empty nor full."""
    if not values:
        return None
    value = seed.choice(values)
    match kind:
        case "token":
            system, code = seed.choice(coded(value) or [("", "none")])
            if code == "none":
                return None
            return seed.choice([code, f"|{code}", *([f"{system}|{code}", f"{system}|"] if system else [])])
        case "date":
            text = value if isinstance(value, str) else value.get("start", "2025-03-03")
            return seed.choice(["", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb"]) + seed.choice([text, text[:10]])
        case "quantity":
            number = Decimal(str(value["value"])) * seed.choice([1, 1, 10, Decimal("0.1")])
            digits = f"{number.quantize(Decimal(1).scaleb(-seed.randrange(3))):f}"
            unit = seed.choice(["", "||mm", "||cm", f"||{value.get('code', 'mm')}", "||m"])
            return seed.choice(["", "ne", "gt", "lt", "ge", "le", "ap"]) + digits + unit
        case "reference":
            return value.get("reference")
    return None


def random_pair(seed: random.Random, type_: str, resource: dict, found: dict) -> tuple[str, str] | None:
    usable = [
        each for each in parameters()[type_].values() if each.kind in (*HOLDS, "composite") and each.paths + each.parts
    ]
    parameter = seed.choice(usable)
    name = parameter.name
    if parameter.kind == "composite":
        if name.startswith("combo"):
            return None
        of_part = zip(("token", "quantity"), parameter.parts, strict=True)
        parts = [random_value(seed, kind, found[resource["id"], part]) for kind, part in of_part]
        return None if None in parts else (name, "$".join(parts))
    if seed.random() < 0.1:
        return f"{name}:missing", seed.choice(["true", "false"])
    value = random_value(seed, parameter.kind, found[resource["id"], name])
    if value is None:
        return None
    if parameter.kind == "token" and seed.random() < 0.15:
        return f"{name}:not", value
    return name, value


def stored(resource: dict) -> Draft:
    meta = {key: value for key, value in resource["meta"].items() if key not in ("versionId", "lastUpdated")}
    content = {"resourceType": resource["resourceType"], "id": resource["id"], "meta": meta}
    content |= {key: value for key, value in resource.items() if key not in content}
    body = orjson.dumps(content, default=float)
    return Draft(resource["resourceType"], resource["id"], "c-1", "e-1", body, index(resource, UTC))


@pytest.mark.slow
def test_rows_41_to_51_two_thousand_random_searches_find_what_the_published_expressions_give(store):
    resources = example_resources()
    found = evaluations(resources)
    with store.write(SITE, NOON) as unit:
        unit.save_resources([stored(each) for each in resources])
    seed, setting = random.Random(41), Setting("https://ward.example/fhir", UTC, NOON)
    by_type = {type_: [each for each in resources if each["resourceType"] == type_] for type_ in TYPES}
    asked, some = 0, 0
    with store.read(SITE) as reading:
        while asked < QUERIES:
            type_ = seed.choice(("Observation",) * 6 + TYPES)
            about = seed.choice(by_type[type_])
            pairs = [random_pair(seed, type_, about, found) for _ in range(seed.choice([1, 1, 2, 3]))]
            if None in pairs:
                continue
            asked += 1
            expected = {
                each["id"] for each in by_type[type_] if all(holds(type_, *pair, each, found) for pair in pairs)
            }
            query = parse(type_, [*pairs, ("_count", "1000")], setting, strict=True)
            page = reading.search(query)
            assert page.next is None
            assert {row.id for row in page.rows} == expected, pairs
            assert page.total == len(expected), pairs
            some += 0 < len(expected) < len(by_type[type_])
    assert some > QUERIES // 3  # most searches tell some resources from others
