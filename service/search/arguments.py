"""Values of search parameters: one `name=value` of a query becomes one criterion.

Source: https://hl7.org/fhir/R4/search.html#escaping, #token, #reference.
"""

import re
from collections.abc import Mapping

from service.search.criteria import (
    CodedQuantityCriterion,
    Criterion,
    DateCriterion,
    IdCriterion,
    IdentifierCriterion,
    LogicalReferenceCriterion,
    MissingCriterion,
    NotCriterion,
    PatientIdentifierCriterion,
    QuantityCriterion,
    ReferenceCriterion,
    SearchError,
    Setting,
    TextCriterion,
    TokenCriterion,
    TokenTextCriterion,
    TokenValue,
)
from service.search.dates import DateBound, date_bound
from service.search.elements import fold, on_one_line
from service.search.parameters import Parameter, parameters
from service.search.quantities import QuantityBound, quantity_bound
from service.search.values import in_patient_column


def criterion(parameter: Parameter, modifier: str | None, value: str, setting: Setting) -> Criterion:
    """What one parameter asks for; SearchError for a value or modifier that cannot be served."""
    if modifier is not None and not (parameter.kind == "reference" and modifier in parameter.targets):
        return _modified(parameter, modifier, value)
    match parameter.kind:
        case "token":
            return _tokens(parameter, value)
        case "date":
            return DateCriterion(parameter.slot, tuple(_date(parameter.name, each, setting) for each in _any_of(value)))
        case "string":
            return TextCriterion(parameter.name, tuple(fold(_unescaped(each)) for each in _any_of(value)))
        case "quantity":
            return QuantityCriterion(parameter.slot, tuple(_quantity(parameter.name, each) for each in _any_of(value)))
        case "composite":
            pairs = tuple(_coded_quantity(parameter, each) for each in _any_of(value))
            return CodedQuantityCriterion(parameter.slot, pairs)
        case "reference":
            return _references(parameter, modifier, value, setting)


def patient_criterion(parameter: Parameter, value: str) -> Criterion:
    """`patient.identifier=system|value`: the one chained search that is served."""
    return PatientIdentifierCriterion(tuple(_token(parameter.name, each) for each in _any_of(value)))


def is_patient_chain(known: Mapping[str, Parameter], name: str) -> bool:
    """Whether a chained name is the one that is served, on `patient` or on `subject:Patient`."""
    start, _, end = name.partition(".")
    plain, _, type_ = start.partition(":")
    named = start in ("patient", "patient:Patient") or (plain == "subject" and type_ == "Patient")
    return named and end == "identifier" and plain in known and "Patient" in known[plain].targets


def _modified(parameter: Parameter, modifier: str, value: str) -> Criterion:
    """Criterion of a parameter with a modifier (search.html#modifiers)."""
    name = parameter.name
    match modifier, parameter.kind:
        case "missing", kind if kind != "composite":
            if value not in ("true", "false"):
                raise SearchError(name, "missing is true or false")
            return MissingCriterion(name, parameter.slot, value == "true")
        case "not", "token":
            return NotCriterion(_tokens(parameter, value))
        case "text", "token" if parameter.slot in ("code_set", "token_set"):
            return TokenTextCriterion(name, parameter.slot, tuple(fold(_unescaped(each)) for each in _any_of(value)))
        case "exact", "string":
            return TextCriterion(name, tuple(on_one_line(_unescaped(each)) for each in _any_of(value)), "exact")
        case "contains", "string":
            return TextCriterion(name, tuple(fold(_unescaped(each)) for each in _any_of(value)), "contains")
        case "identifier", "reference":
            tokens = tuple(_token(name, each) for each in _any_of(value))
            if any(each.code is None for each in tokens):
                raise SearchError(name, "an identifier needs its value")
            return LogicalReferenceCriterion(name, tokens)
    raise SearchError(name, "this modifier is not supported")


def _any_of(value: str) -> list[str]:
    return _split(value, ",")


def _tokens(parameter: Parameter, value: str) -> TokenCriterion | IdentifierCriterion | IdCriterion:
    if parameter.slot == "id":
        return IdCriterion(tuple(_unescaped(each) for each in _any_of(value)))
    tokens = tuple(_token(parameter.name, each) for each in _any_of(value))
    if parameter.slot == "identifier":
        return IdentifierCriterion(tokens)
    return TokenCriterion(parameter.name, parameter.slot, tokens)


def _quantity(name: str, text: str) -> QuantityBound:
    """`[prefix]number`, `number|system|code` or `number||code` (search.html#quantity)."""
    number, *unit = (_unescaped(part) for part in _split(text, "|"))
    if len(unit) not in (0, 2):
        raise SearchError(name, "not a number, number|system|code or number||code")
    system, code = (part or None for part in unit) if unit else (None, None)
    try:
        return quantity_bound(number, system, code)
    except ValueError as error:
        raise SearchError(name, str(error)) from error


def _coded_quantity(parameter: Parameter, text: str) -> tuple[TokenValue, QuantityBound]:
    """`code$quantity` (search.html#combining)."""
    parts = _split(text, "$")
    if len(parts) != 2:
        raise SearchError(parameter.name, "not a code and a quantity with $ between them")
    return _token(parameter.name, parts[0]), _quantity(parameter.name, parts[1])


def _references(parameter: Parameter, modifier: str | None, value: str, setting: Setting) -> Criterion:
    references = [_reference(parameter, modifier, _unescaped(each), setting) for each in _any_of(value)]
    patients = [each for each in references if in_patient_column(parameter, each)]
    others = [each for each in references if each not in patients]
    return ReferenceCriterion(parameter.name, tuple(each.removeprefix("Patient/") for each in patients), tuple(others))


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
