"""The functions of the FHIRPath subset, each with the number of arguments that it takes."""

from dataclasses import replace

from service.registry.views.fhirpath import Call, Member, Operation, This, UnsupportedPath
from service.registry.views.translate import CallBuilder, Translation, Value, nth

__all__ = ["CALLS"]

_ID = "[A-Za-z0-9.-]+"


def _of_type(translation: Translation, node: Call, context: Value) -> Value:
    """`value.ofType(Quantity)` is the element valueQuantity; on what has one type only, that type or nothing."""
    wanted = _type_name(node)
    found = context if node.of is None else translation.any(node.of, context)
    if isinstance(found, Value):
        return found if _same(found.type, wanted) else replace(found, sql="NULL", many=False)
    named = [known for known in found.types if _same(known, wanted)]
    if not named:
        raise UnsupportedPath(f"{found.name}[x] is never of type {wanted}")
    return translation.read(found.of, f"{found.name}{named[0][0].upper()}{named[0][1:]}", named[0], False)


def _same(known: str, wanted: str) -> bool:
    return known[0].lower() + known[1:] == wanted[0].lower() + wanted[1:]


def _exists(translation: Translation, node: Call, context: Value) -> Value:
    found = translation.on(node, context)
    if node.arguments:
        found = translation.where(found, node.arguments[0])
    sql = f"(coalesce(len({found.sql}), 0) > 0)" if found.many else f"({found.sql} IS NOT NULL)"
    return Value(sql, "boolean")


def _empty(translation: Translation, node: Call, context: Value) -> Value:
    return Value(f"(NOT {_exists(translation, node, context).sql})", "boolean")


def _not(translation: Translation, node: Call, context: Value) -> Value:
    found = translation.truth(node.of or This(), context)
    return Value(f"(NOT {found.sql})", "boolean")


def _first(translation: Translation, node: Call, context: Value) -> Value:
    return nth(translation.on(node, context), 0)


def _where(translation: Translation, node: Call, context: Value) -> Value:
    return translation.where(translation.on(node, context), node.arguments[0])


def _join(translation: Translation, node: Call, context: Value) -> Value:
    found = translation.on(node, context)
    between = translation.single(node.arguments[0], context).sql if node.arguments else "''"
    sql = f"nullif(array_to_string({found.sql}, {between}), '')" if found.many else found.sql
    return Value(sql, "string")


def _extension(translation: Translation, node: Call, context: Value) -> Value:
    of = translation.on(node, context)
    listed = translation.element(of, "extension")
    assert isinstance(listed, Value)  # extension is no choice in any type
    return translation.where(listed, Operation("=", Member(None, "url"), node.arguments[0]))


def _resource_key(translation: Translation, node: Call, context: Value) -> Value:
    of = translation.on(node, context)
    if not of.root:
        raise UnsupportedPath("getResourceKey() is asked of a resource")
    return translation.read(of, "id", "id", False)


def _reference_key(translation: Translation, node: Call, context: Value) -> Value:
    of = translation.on(node, context)
    if of.type != "Reference":
        raise UnsupportedPath(f"getReferenceKey() is asked of a Reference, not of {of.type}")
    told = translation.read(of, "reference", "string", False)
    kind = _type_name(node) if node.arguments else "[A-Za-z]+"
    if not told.many:
        return Value(_key(told.sql, kind), "id")
    each = translation.each()
    keys = f"list_transform({told.sql}, lambda {each}: {_key(each, kind)})"
    return Value(f"list_filter({keys}, lambda {each}: {each} IS NOT NULL)", "id", True)


def _key(reference: str, kind: str) -> str:
    """Most references are `Type/id` and nothing else: to know one and cut it takes half as long as to extract it."""
    plain = f"regexp_full_match({reference}, '{kind}/{_ID}')"
    found = f"regexp_extract({reference}, '(^|/){kind}/({_ID})(/_history/.*)?$', 2)"
    return f"CASE WHEN {plain} THEN split_part({reference}, '/', 2) ELSE nullif({found}, '') END"


def _type_name(node: Call) -> str:
    match node.arguments:
        case (Member(of, name),) if of is None or of == Member(None, "FHIR"):
            return name
    raise UnsupportedPath(f"{node.name}() takes the name of a type")


CALLS: dict[str, tuple[frozenset[int], CallBuilder]] = {
    "where": (frozenset({1}), _where),
    "exists": (frozenset({0, 1}), _exists),
    "empty": (frozenset({0}), _empty),
    "not": (frozenset({0}), _not),
    "first": (frozenset({0}), _first),
    "join": (frozenset({0, 1}), _join),
    "extension": (frozenset({1}), _extension),
    "ofType": (frozenset({1}), _of_type),
    "getResourceKey": (frozenset({0}), _resource_key),
    "getReferenceKey": (frozenset({0, 1}), _reference_key),
}
