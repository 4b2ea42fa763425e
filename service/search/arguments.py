"""Values of search parameters: one `name=value` of a query becomes one criterion.

Source: https://hl7.org/fhir/R4/search.html#escaping, #token, #reference.
"""

import re

from service.search.criteria import (
    Criterion,
    DateCriterion,
    IdCriterion,
    IdentifierCriterion,
    ReferenceCriterion,
    SearchError,
    Setting,
    TextCriterion,
    TokenCriterion,
    TokenValue,
)
from service.search.dates import DateBound, date_bound
from service.search.parameters import Parameter, parameters
from service.search.values import fold, in_patient_column


def criterion(parameter: Parameter, modifier: str | None, value: str, setting: Setting) -> Criterion:
    """What one parameter asks for; SearchError for a value or modifier that cannot be served."""
    name, slot = parameter.name, parameter.slot
    if modifier is not None and not (parameter.kind == "reference" and modifier in parameter.targets):
        raise SearchError(name, "this modifier is not supported")
    values = _split(value, ",")
    if slot == "id":
        return IdCriterion(tuple(_unescaped(each) for each in values))
    if slot == "identifier":
        return IdentifierCriterion(tuple(_token(name, each) for each in values))
    if parameter.kind == "token":
        return TokenCriterion(name, slot, tuple(_token(name, each) for each in values))
    if parameter.kind == "date":
        return DateCriterion(slot, tuple(_date(name, each, setting) for each in values))
    if parameter.kind == "string":
        return TextCriterion(name, tuple(fold(_unescaped(each)) for each in values))
    references = [_reference(parameter, modifier, _unescaped(each), setting) for each in values]
    patients = [each for each in references if in_patient_column(parameter, each)]
    others = [each for each in references if each not in patients]
    return ReferenceCriterion(name, tuple(each.removeprefix("Patient/") for each in patients), tuple(others))


def _split(text: str, separator: str) -> list[str]:
    """Parts between separators that no backslash stands before (search.html#escaping)."""
    parts = [""]
    for piece in re.findall(r"\\.|.", text, re.DOTALL):
        if piece == separator:
            parts.append("")
        else:
            parts[-1] += piece
    return parts


def _unescaped(text: str) -> str:
    return re.sub(r"\\([\\,|$])", r"\1", text)


def _token(name: str, text: str) -> TokenValue:
    parts = _split(text, "|")
    if len(parts) > 2 or not any(parts):
        raise SearchError(name, "not a code, system|code, |code or system|")
    if len(parts) == 1:
        return TokenValue(None, _unescaped(parts[0]))
    return TokenValue(_unescaped(parts[0]), _unescaped(parts[1]) or None)


def _date(name: str, text: str, setting: Setting) -> DateBound:
    try:
        return date_bound(_unescaped(text), setting.zone, setting.now)
    except ValueError as error:
        raise SearchError(name, str(error)) from error


_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")


def _reference(parameter: Parameter, modifier: str | None, text: str, setting: Setting) -> str:
    """`id`, `Type/id` and the absolute URL on this base are the same target; other URLs stand for themselves."""
    text = text.removeprefix(setting.base + "/")
    if _ID.fullmatch(text):
        return f"{modifier or _only_target(parameter)}/{text}"
    type_, _, id_ = text.partition("/")
    if type_ in parameters() and _ID.fullmatch(id_):
        if type_ not in ({modifier} if modifier else parameter.targets):
            raise SearchError(parameter.name, "does not refer to resources of this type")
        return text
    if "/" not in text and ":" not in text:
        raise SearchError(parameter.name, "not an id, Type/id or URL")
    return text


def _only_target(parameter: Parameter) -> str:
    if len(parameter.targets) > 1:
        kinds = ", ".join(sorted(parameter.targets))
        raise SearchError(parameter.name, f"an id alone may mean one of {kinds}: write Type/id")
    return next(iter(parameter.targets))
