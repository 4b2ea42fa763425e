"""Which Observation feeds which row of a chart's flowsheet: `mappings/flowsheet.csv` held against the other tables."""

from collections.abc import Iterator, Mapping
from pathlib import Path

from msgspec import Struct

from service.terminology import Concept, Terminology
from service.terminology.apart import read_apart
from service.terminology.tables import Fault, Row, TerminologyFault

FILE = "flowsheet.csv"
COLUMNS = ("row", "label", "concept", "component", "value", "unit", "category", "rows", "comment")
VALUES: Mapping[str, str] = {
    "quantity": "valueQuantity",
    "coded": "valueCodeableConcept",
    "date and time": "valueDateTime",
    "yes or no": "valueBoolean",
}
_SAME = frozenset({"equivalent", "equal"})


class FlowsheetRow(Struct, frozen=True):
    """One row: where its value stands, and by which codes to look for it."""

    key: str
    label: str
    concept: str
    component: str  # concept key; empty where the Observation's own value is meant
    value: str  # name of the element, e.g. valueQuantity
    unit: str  # UCUM code; empty where there is none
    category: str
    rows: str
    comment: str
    code: tuple[str, str]  # system and code that every such Observation has: the own one, else the standard one
    component_code: tuple[str, str] | None
    loinc: tuple[str, str] | None  # the LOINC code for a chart that knows no other, where there is one
    loinc_says_less: bool  # other things may have that code too


def read_flowsheet(terms: Terminology, folder: Path | None = None) -> list[FlowsheetRow]:
    """The rows of a mappings folder, None for the one shipped. Raises TerminologyFault with every fault."""
    needed = ("row", "label", "concept", "value", "category", "rows")
    rows = read_apart(FILE, COLUMNS, needed, ("row",), folder)
    faults = [fault for row in rows for fault in _faults(row, terms)]
    if faults:
        raise TerminologyFault(faults)
    return [_row(row, terms) for row in rows]


def _faults(row: Row, terms: Terminology) -> Iterator[Fault]:
    for column in ("concept", "component"):
        if row[column] and row[column] not in terms.concepts:
            yield row.fault(f"no concept {row[column]!r}")
    if row["value"] not in VALUES:
        yield row.fault(f"value {row['value']!r} is none of {', '.join(VALUES)}")
    if (row["value"] == "quantity") != bool(row["unit"]):
        yield row.fault("a quantity has a unit, and nothing else has")
    try:
        terms.hl7("observation-category", row["category"])
        if row["unit"]:
            terms.unit(row["unit"])
    except KeyError as fault:
        yield row.fault(f"{fault.args[0]!r} is not known")


def _row(row: Row, terms: Terminology) -> FlowsheetRow:
    concept = terms.concepts[row["concept"]]
    loinc = next((each for each in concept.standard if each["system"] == "loinc"), None)
    return FlowsheetRow(
        key=row["row"],
        label=row["label"],
        concept=row["concept"],
        component=row["component"],
        value=VALUES[row["value"]],
        unit=terms.unit(row["unit"])["code"] if row["unit"] else "",
        category=row["category"],
        rows=row["rows"],
        comment=row["comment"],
        code=_code(concept, terms),
        component_code=_code(terms.concepts[row["component"]], terms) if row["component"] else None,
        loinc=(terms.systems["loinc"], loinc["code"]) if loinc else None,
        loinc_says_less=loinc is not None and loinc["equivalence"] not in _SAME,
    )


def _code(concept: Concept, terms: Terminology) -> tuple[str, str]:
    if concept.code:
        return terms.local_system, concept.code
    first = terms.coding(concept.key)
    return first["system"], first["code"]
