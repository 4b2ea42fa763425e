"""Which elements the views of a resource type read, as DuckDB columns: what is not read is not kept in memory."""

from dataclasses import dataclass, field

from service.fhir.r4 import Element

_NUMBERS = {"decimal": "DOUBLE", "integer": "BIGINT", "positiveInt": "BIGINT", "unsignedInt": "BIGINT"}


@dataclass(slots=True)
class Shape:
    """One element with those below it that are read. `type` is its FHIR type."""

    type: str
    repeats: bool = False
    read: dict[str, "Shape"] = field(default_factory=dict)

    def child(self, name: str, type_: str, repeats: bool) -> "Shape":
        """The element of that name below this one, kept as read from now on."""
        return self.read.setdefault(name, Shape(type_, repeats))

    def sql_type(self) -> str:
        """The DuckDB type that holds it; a complex element of which nothing is read is kept as text."""
        if self.read:
            inner = ", ".join(f'"{name}" {shape.sql_type()}' for name, shape in self.read.items())
            sql = f"STRUCT({inner})"
        else:
            sql = primitive_sql(self.type)
        return f"{sql}[]" if self.repeats else sql

    def columns(self) -> dict[str, str]:
        """Columns of a resource: name -> DuckDB type."""
        return {name: shape.sql_type() for name, shape in self.read.items()}


def primitive_sql(type_: str) -> str:
    """The DuckDB type of a FHIR primitive."""
    if type_ == "boolean":
        return "BOOLEAN"
    if type_[:1].isupper() or "." in type_:
        return "JSON"
    return _NUMBERS.get(type_, "VARCHAR")


def only_type(element: Element) -> str:
    """The type of an element that is no choice; a backbone element's is its path."""
    if element.same_as:
        return element.same_as
    (name,) = element.types
    return f"{element.path}.{element.name}" if name in ("BackboneElement", "Element") else name
