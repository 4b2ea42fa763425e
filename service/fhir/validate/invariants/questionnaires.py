"""Constraints of Questionnaire and QuestionnaireResponse (http://hl7.org/fhir/R4/questionnaire.html)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.fhir.validate.rules import rule
from service.fhir.validate.walk import Walk

Json = dict[str, Any]

_WITH_LENGTH = {"boolean", "decimal", "integer", "string", "text", "url", "open-choice"}
_WITH_ANSWERS = {
    "choice", "open-choice", "decimal", "integer", "date", "dateTime", "time", "string", "quantity",
}  # fmt: skip
_ITEM = "Questionnaire.item"


@rule(_ITEM, "que-1", when="type")
def _(value: Json, walk: Walk) -> bool:
    return {"group": "item" in value, "display": "item" not in value}.get(value["type"], True)


def _link_ids(items: list[Json]) -> Iterator[str]:
    for item in items:
        yield item["linkId"]
        yield from _link_ids(item.get("item", []))


@rule("Questionnaire", "que-2", when="item")
def _(value: Json, walk: Walk) -> bool:
    listed = list(_link_ids(value["item"]))
    return len(listed) == len(set(listed))


@rule(_ITEM, "que-3", when="code")
def _(value: Json, walk: Walk) -> bool:
    return bool(value["type"] != "display")


@rule(_ITEM, "que-4", when="answerValueSet", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "answerOption" not in value


@rule(_ITEM, "que-5", when=("answerValueSet", "answerOption"))
def _(value: Json, walk: Walk) -> bool:
    return value["type"] in _WITH_ANSWERS


@rule(_ITEM, "que-6", when=("required", "repeats"))
def _(value: Json, walk: Walk) -> bool:
    return bool(value["type"] != "display")


@rule("Questionnaire.item.enableWhen", "que-7", when="operator")
def _(value: Json, walk: Walk) -> bool:
    return value["operator"] != "exists" or "answerBoolean" in value


@rule(_ITEM, "que-8", when="initial")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] not in ("group", "display")


@rule(_ITEM, "que-9", when="readOnly")
def _(value: Json, walk: Walk) -> bool:
    return bool(value["type"] != "display")


@rule(_ITEM, "que-10", when="maxLength")
def _(value: Json, walk: Walk) -> bool:
    return value["type"] in _WITH_LENGTH


@rule(_ITEM, "que-11", when="answerOption", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "initial" not in value


@rule(_ITEM, "que-12", when="enableWhen")
def _(value: Json, walk: Walk) -> bool:
    # the published expression says more than two, its wording more than one; the expression decides
    return len(value["enableWhen"]) <= 2 or "enableBehavior" in value


@rule(_ITEM, "que-13", when="initial")
def _(value: Json, walk: Walk) -> bool:
    return value.get("repeats") is True or len(value["initial"]) <= 1


@rule("QuestionnaireResponse.item", "qrs-1", when="answer", of_keys=True)
def _(value: Json, walk: Walk) -> bool:
    return "item" not in value
