"""What an operation is asked: parameters of a URL or of a Parameters resource (http://hl7.org/fhir/R4/operations.html)."""

from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

Tree = dict[str, Any]


class Refused(ValueError):
    """An operation that cannot be done as asked; `status` is that of HTTP."""

    def __init__(self, why: str, status: int = 400) -> None:
        super().__init__(why)
        self.why = why
        self.status = status


class Inputs:
    """Named values in their order: primitives as text, everything else as it stands in JSON."""

    def __init__(self, pairs: Iterable[tuple[str, Any]]) -> None:
        self.pairs = tuple(pairs)

    @property
    def names(self) -> list[str]:
        """The names that were given, each once."""
        return list(dict.fromkeys(name for name, _ in self.pairs))

    def all(self, name: str) -> list[Any]:
        """Every value of this name."""
        return [value for given, value in self.pairs if given == name]

    def one(self, name: str) -> Any:
        """The value of this name or None; Refused where it is given twice."""
        found = self.all(name)
        if len(found) > 1:
            raise Refused(f"{name}: given twice")
        return found[0] if found else None

    def text(self, name: str) -> str | None:
        """A primitive value as text, or None; Refused where something else was given."""
        found = self.one(name)
        if found is None or isinstance(found, str):
            return found
        raise Refused(f"{name}: one primitive value is wanted")

    def object(self, name: str) -> Tree | None:
        """A value that is an object, or None; Refused where something else was given, such as text of a URL."""
        found = self.one(name)
        if found is None or isinstance(found, dict):
            return found
        raise Refused(f"{name}: send it in a Parameters resource by POST")

    def __add__(self, other: "Inputs") -> "Inputs":
        return Inputs((*self.pairs, *other.pairs))


def inputs_of(parameters: Mapping[str, Any]) -> Inputs:
    """The inputs in a sound Parameters resource."""
    return Inputs((given["name"], _value(given)) for given in parameters.get("parameter", ()))


def _value(given: Mapping[str, Any]) -> Any:
    for key, value in given.items():
        if key == "resource":
            return value
        if key.startswith("value"):
            return _as_text(value)
    return given.get("part")


def _as_text(value: Any) -> Any:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | Decimal):
        return format(value, "f") if isinstance(value, Decimal) else str(value)
    return value
