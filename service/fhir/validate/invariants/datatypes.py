"""Constraints of the datatypes (http://hl7.org/fhir/R4/datatypes.html), asked wherever such a value stands."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any

from service.fhir.validate.rules import rule
from service.fhir.validate.walk import Walk

Json = dict[str, Any]
_UCUM = "http://unitsofmeasure.org"


def has(value: Json, name: str) -> bool:
    """True where a choice element `name[x]` has any value."""
    return _has(tuple(value), name)


@lru_cache(maxsize=4096)  # values of one builder have few sets of keys
def _has(keys: tuple[str, ...], name: str) -> bool:
    length = len(name)
    return any(key.startswith(name) and key[length : length + 1].isupper() for key in keys)


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text.replace(":60", ":59").replace("Z", "+00:00"))


def not_after(start: str, end: str) -> bool:
    """True unless the start is later than the end. Days and shorter forms are compared at the coarser precision."""
    if len(start) > 10 and len(end) > 10:
        return _instant(start) <= _instant(end)
    shared = min(len(start), len(end), 10)
    return start[:shared] <= end[:shared]


@rule("Period", "per-1", when=("end",))
def _(value: Json, walk: Walk) -> bool:
    return "start" not in value or not_after(value["start"], value["end"])


@rule("Reference", "ref-1", when="reference")
def _(value: Json, walk: Walk) -> bool:
    reference: str = value["reference"]
    return reference[:1] != "#" or reference == "#" or reference[1:] in walk.contained_types()


@rule("Extension", "ext-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    if "extension" in value:
        return not has(value, "value") and not has(value, "_value")
    # url and one more: the usual extension, told without looking at every key
    return len(value) > 1 and (has(value, "value") or has(value, "_value"))


for _quantity in ("Quantity", "SimpleQuantity", "Age", "Count", "Distance", "Duration", "MoneyQuantity"):

    @rule(_quantity, "qty-3", when="code", of_keys=True)
    def _(value: Json, walk: Walk) -> bool:
        return "system" in value


def _measured(value: Json) -> bool:
    """A code where there is a value, and no system but UCUM."""
    return ("code" in value or "value" not in value) and value.get("system", _UCUM) == _UCUM


@rule("Age", "age-1")
def _(value: Json, walk: Walk) -> bool:
    return _measured(value) and value.get("value", 1) > 0


@rule("Count", "cnt-3")
def _(value: Json, walk: Walk) -> bool:
    number = value.get("value", 1)
    whole = type(number) is int or Decimal(number) == Decimal(number).to_integral_value()
    return _measured(value) and value.get("code", "1") == "1" and whole


@rule("Distance", "dis-1")
def _(value: Json, walk: Walk) -> bool:
    return _measured(value)


@rule("Duration", "drt-1", when="code")
def _(value: Json, walk: Walk) -> bool:
    return value.get("system") == _UCUM and "value" in value


@rule("Range", "rng-2", when="high")
def _(value: Json, walk: Walk) -> bool:
    low, high = value.get("low", {}), value["high"]
    if "value" not in low or "value" not in high or low.get("code") != high.get("code"):
        return True
    return bool(low["value"] <= high["value"])


@rule("Ratio", "rat-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    if ("numerator" in value) != ("denominator" in value):
        return False
    return "numerator" in value or "extension" in value


@rule("Attachment", "att-1", when="data", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "contentType" in value


@rule("ContactPoint", "cpt-2", when="value", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "system" in value


@rule("Expression", "exp-1", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "expression" in value or "reference" in value


@rule("Timing.repeat", "tim-1", when="duration", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "durationUnit" in value


@rule("Timing.repeat", "tim-2", when="period", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "periodUnit" in value


@rule("Timing.repeat", "tim-4", when="duration")
def _(value: Json, walk: Walk) -> bool:
    return bool(value["duration"] >= 0)


@rule("Timing.repeat", "tim-5", when="period")
def _(value: Json, walk: Walk) -> bool:
    return bool(value["period"] >= 0)


@rule("Timing.repeat", "tim-6", when="periodMax", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "period" in value


@rule("Timing.repeat", "tim-7", when="durationMax", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "duration" in value


@rule("Timing.repeat", "tim-8", when="countMax", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "count" in value


@rule("Timing.repeat", "tim-9", when="offset")
def _(value: Json, walk: Walk) -> bool:
    return "when" in value and not {"C", "CM", "CD", "CV"} & set(value["when"])


@rule("Timing.repeat", "tim-10", when="timeOfDay", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "when" not in value


@rule("DataRequirement.codeFilter", "drq-1")
@rule("DataRequirement.dateFilter", "drq-2", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return ("path" in value) != ("searchParam" in value)


@rule("TriggerDefinition", "trd-1", when="data", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return not has(value, "timing")


@rule("TriggerDefinition", "trd-2", when="condition", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "data" in value
