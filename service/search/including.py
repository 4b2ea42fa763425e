"""`_include` and `_revinclude`: what is to travel beside the matches.

Source: https://hl7.org/fhir/R4/search.html#include. Every reference that is searched by can be followed, one step.
"""

from service.search.criteria import Include, SearchError
from service.search.parameters import Parameter, parameters, parameters_of


def includes_of(type_: str) -> list[str]:
    """Values of `_include` on a search of one type."""
    return [f"{type_}:{name}" for name, each in parameters()[type_].items() if each.kind == "reference"]


def reverse_includes_of(type_: str) -> list[str]:
    """Values of `_revinclude` on a search of one type."""
    return [
        f"{source}:{name}"
        for source, of_source in parameters().items()
        for name, each in of_source.items()
        if each.kind == "reference" and type_ in each.targets
    ]


def include(type_: str, value: str, *, reverse: bool) -> Include:
    """`Source:parameter` or `Source:parameter:Target` on a search of one type; SearchError for anything else."""
    asked = "_revinclude" if reverse else "_include"
    source, _, rest = value.partition(":")
    name, _, target = rest.partition(":")
    parameter = _followed(asked, source, name)
    if not reverse and source != type_:
        raise SearchError(asked, "begins with the type that is searched: included resources are not followed further")
    if target and target not in parameter.targets:
        raise SearchError(asked, "this reference does not lead to resources of that type")
    if reverse and type_ not in ({target} if target else parameter.targets):
        raise SearchError(asked, "this reference does not lead to resources of the type that is searched")
    return Include(source, name, target or None, reverse)


def _followed(asked: str, source: str, name: str) -> Parameter:
    parameter = parameters().get(source, {}).get(name)
    if parameter is None or parameter.kind != "reference":
        raise SearchError(asked, "not Type:parameter with a reference of this server; * is not supported")
    return parameter


def included_types(include: Include) -> set[str]:
    """The types of resources that an include can bring: its source where reversed, else targets that are served."""
    if include.reverse:
        return {include.source}
    targets = parameters_of(include.source)[include.parameter].targets if include.target is None else [include.target]
    return {target for target in targets if target in parameters()}
