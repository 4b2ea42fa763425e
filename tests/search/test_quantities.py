"""Rows 44 and 45: numbers by precision range (https://hl7.org/fhir/R4/search.html#number, #quantity), by row number."""

import re
import xml.etree.ElementTree as ElementTree
from decimal import Decimal
from importlib.resources import files

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.search import quantities
from service.search.quantities import (
    WITHOUT_NUMBER,
    NumberRange,
    Unit,
    number_range,
    quantity_bound,
    sortable,
    ucum,
)

UCUM = "http://unitsofmeasure.org"
UNITS = quantities._units()


def holds(asked: str, value: str, comparator: str | None = None) -> bool:
    target = {"value": Decimal(value)} | ({"comparator": comparator} if comparator else {})
    return quantity_bound(asked, None, None).bound(Decimal(1)).holds(number_range(target))


@pytest.mark.parametrize(
    ("asked", "found", "missed"),
    [
        # the examples of the standard's own table
        ("100", ["99.5", "100", "100.4999"], ["99.49", "100.5"]),
        ("100.00", ["99.995", "100", "100.0049"], ["99.99", "100.005"]),
        ("1.00e2", ["99.5", "100.49"], ["99.4", "100.5"]),
        ("lt100", ["99.99", "-100"], ["100", "100.00", "100.01"]),
        ("le100", ["99.99", "100.0"], ["100.01"]),
        ("gt100", ["100.01"], ["100", "99.99"]),
        ("ge100", ["100", "100.01"], ["99.99"]),
        ("ne100", ["99.49", "100.5"], ["99.5", "100", "100.49"]),
        # sa and eb are what gt and lt are of a point
        ("sa31.0", ["31.01"], ["31.0", "30.99"]),
        ("eb31.0", ["30.99"], ["31.0", "31.01"]),
        # a tenth of the value to both sides, both ends included
        ("ap50", ["45", "50", "55"], ["44.99", "55.01"]),
        ("ap-50", ["-45", "-55"], ["-44", "50"]),
        ("-0.5", ["-0.5", "-0.55", "-0.46"], ["-0.45", "0.5"]),
        ("0", ["0", "-0.5", "0.49", "-0.0"], ["0.5", "-0.51"]),
        ("31.0", ["31.0", "31", "31.049"], ["31.05", "30.949"]),
        # a minus sign, leading zeros and an exponent are forms of the number
        ("007", ["7", "7.4"], ["7.5"]),
        ("5E-1", ["0.5", "0.54"], ["0.55"]),
    ],
)
def test_row_44_a_number_stands_for_the_range_of_its_digits(asked, found, missed):
    assert [value for value in found if not holds(asked, value)] == []
    assert [value for value in missed if holds(asked, value)] == []


@pytest.mark.parametrize(
    ("asked", "comparator", "expected"),
    [
        ("lt5", "<", True),
        ("ge5", "<", False),
        ("gt4", "<", True),  # the range below 5 reaches above 4
        ("4", "<", False),
        ("ne4", "<", True),
        ("le5", "<=", True),
        ("ge5", "<=", True),
        ("sa4", ">", True),
        ("eb6", ">", False),
        ("lt5", ">=", False),
        ("le5", ">=", True),
        ("le5", ">", False),
    ],
)
def test_row_45_a_comparator_in_the_resource_is_a_range(asked, comparator, expected):
    assert holds(asked, "5", comparator) is expected


def test_row_45_a_quantity_without_a_value_answers_nothing():
    for asked in ("ne1", "gt-99", "1"):
        assert not quantity_bound(asked, None, None).bound(Decimal(1)).holds(WITHOUT_NUMBER)


@given(st.floats(allow_nan=False), st.floats(allow_nan=False))
def test_the_order_of_doubles_is_kept(one, other):
    assert (sortable(one) < sortable(other)) is (one < other)
    assert (sortable(one) == sortable(other)) is (one == other)
    assert -(2**63) < sortable(one) < 2**63


decimals = st.decimals(min_value=-1000, max_value=1000, places=3, allow_nan=False)


@given(decimals, st.sampled_from(["", "ne", "gt", "lt", "ge", "le", "sa", "eb"]), decimals)
def test_row_44_against_decimals_without_any_conversion(asked, prefix, value):
    half = Decimal("0.0005")
    inside = asked - half <= value < asked + half
    expected = {
        "": inside, "ne": not inside, "gt": value > asked, "sa": value > asked, "lt": value < asked,
        "eb": value < asked, "ge": value >= asked, "le": value <= asked,
    }[prefix]  # fmt: skip
    assert holds(f"{prefix}{asked:f}", str(value)) is expected


def in_unit(asked: str, system: str | None, code: str | None, value: str, unit: Unit) -> bool:
    bound = quantity_bound(asked, system, code)
    factor = bound.factor(unit)
    return factor is not None and bound.bound(factor).holds(number_range({"value": Decimal(value)}))


def test_row_45_lengths_in_mm_cm_and_m_find_each_other():
    mm, cm, m = (Unit(UCUM, code, code) for code in ("mm", "cm", "m"))
    assert in_unit("31", UCUM, "mm", "3.1", cm)
    assert in_unit("31", UCUM, "mm", "3.14", cm)
    assert not in_unit("31", UCUM, "mm", "3.15", cm)  # [30.5, 31.5) mm
    assert in_unit("31.0", UCUM, "mm", "0.031", m)
    assert in_unit("3.1", UCUM, "cm", "31.4", mm)  # [3.05, 3.15) cm
    assert in_unit("gt3.1", UCUM, "cm", "31.1", mm)
    assert not in_unit("gt3.1", UCUM, "cm", "31", mm)
    assert in_unit("ge31", UCUM, "mm", "3.1", cm)
    assert in_unit("31", None, "mm", "3.1", cm)  # by the unit's code alone


def test_row_45_pressures_meet_and_other_dimensions_do_not():
    mmhg, kpa, mm = (Unit(UCUM, code, code) for code in ("mm[Hg]", "kPa", "mm"))
    assert in_unit("30", UCUM, "mm[Hg]", "4.0", kpa)  # 30 mm[Hg] is 3.99966 kPa
    assert in_unit("4.00", UCUM, "kPa", "30", mmhg)
    assert not in_unit("30", UCUM, "mm[Hg]", "30", kpa)
    assert not in_unit("30", UCUM, "mm[Hg]", "30", mm)


def test_row_45_a_unit_is_found_by_code_or_by_text_when_no_system_is_given():
    bar = Unit("urn:hospital", "ratio-code", "ratio")
    assert in_unit("1.6", None, "ratio", "1.6", bar)
    assert in_unit("1.6", None, "ratio-code", "1.6", bar)
    assert in_unit("1.6", "urn:hospital", "ratio-code", "1.6", bar)
    assert not in_unit("1.6", "urn:hospital", "ratio", "1.6", bar)  # with a system it is the code
    assert in_unit("1.6", None, None, "1.6", bar)
    assert not in_unit("31", "urn:other", "mm", "3.1", Unit(UCUM, "cm", "cm"))
    assert not in_unit("31", UCUM, "mm", "3.1", Unit("urn:other", "cm", "cm"))


def ucum_size(code: str) -> tuple[str, Decimal]:
    """Base unit and size of a simple UCUM code by the published table ucum-essence, as the package ucumvert has it."""
    tree = ElementTree.fromstring(files("ucumvert").joinpath("vendor/ucum-essence.xml").read_bytes())
    space = re.match(r"\{.*\}", tree.tag)[0]
    prefixes = {
        each.get("Code"): Decimal(each.find(f"{space}value").get("value")) for each in tree.iter(f"{space}prefix")
    }
    bases = {each.get("Code") for each in tree.iter(f"{space}base-unit")}
    units = {each.get("Code"): each.find(f"{space}value") for each in tree.iter(f"{space}unit")}

    def size(part: str) -> tuple[str, Decimal]:
        if part in bases or part in ("Pa", "N", "L"):
            return part, Decimal(1)
        if part in units and units[part].get("value"):
            base, factor = size(units[part].get("Unit"))
            return base, factor * Decimal(units[part].get("value"))
        if (powered := re.fullmatch(r"(.*[a-z])([23])", part)) and powered[1]:
            base, factor = size(powered[1])
            return base + powered[2], factor ** int(powered[2])
        base, factor = size(part[1:])
        return base, factor * prefixes[part[0]]

    above, _, below = code.partition("/")
    base, factor = size(above)
    return (base, factor) if not below else (f"{base}/{size(below)[0]}", factor / size(below)[1])


@pytest.mark.parametrize("code", UNITS)
def test_row_45_sizes_of_units_are_those_of_ucum(code):
    dimension, size = UNITS[code]
    first = next(each for each, (group, _) in UNITS.items() if group == dimension)
    (base, own), (base_of_first, of_first) = ucum_size(code), ucum_size(first)
    if dimension == "volume":  # UCUM: 1 L = 1 dm3
        litre = {"L": Decimal(1), "m3": Decimal(1000)}
        own, of_first, base, base_of_first = own * litre[base], of_first * litre[base_of_first], "L", "L"
    assert base == base_of_first
    assert abs(own / of_first / size - 1) < Decimal("1e-20")


def test_the_system_is_ucum():
    assert ucum() == UCUM
    assert number_range({"value": 10**400}) == WITHOUT_NUMBER  # what no double holds is not searched
    assert number_range({"value": 2}) == NumberRange(sortable(2), sortable(2))
