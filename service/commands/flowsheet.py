"""docs/flowsheet.md: generated from mappings/flowsheet.csv and the codes of the other tables."""

from collections.abc import Sequence

from service.clinic.caution import CAUTION
from service.terminology import Terminology, load
from service.terminology.flowsheet import FlowsheetRow, read_flowsheet

_VALUES = {
    "valueQuantity": "number",
    "valueCodeableConcept": "coded",
    "valueDateTime": "date and time",
    "valueBoolean": "yes or no",
}
_COLUMNS = ("row", "code", "component", "value", "unit", "category", "how many", "LOINC-first", "remark")


def flowsheet_text() -> str:
    """The page: for each row of a flowsheet the Observation, component, unit and category that feed it."""
    terms = load()
    rows = [_line(row, terms) for row in read_flowsheet(terms)]
    table = "".join(f"| {' | '.join(line)} |\n" for line in (_COLUMNS, ["---"] * len(_COLUMNS), *rows))
    return "\n\n".join([*_lead(terms), table])


def _lead(terms: Terminology) -> list[str]:
    return [
        "# Rows of a chart's flowsheet",
        "Generated from the code by `closure-readings reference`; a test holds it current. Do not edit by hand. "
        "Another test finds a value with this unit for every row in the example courses, through the search API.",
        f"Caution: {CAUTION}",
        "One search feeds a row: `GET [base]/Observation?patient=[id]&code=[code]&_sort=date`. A code without a system "
        f"in the table is of `{terms.local_system}`; one that begins with `LOINC` is of `{terms.systems['loinc']}`. "
        "Where a component is named, the value is that component's, found by its code in `Observation.component`; "
        "else it is the Observation's own.",
        "LOINC-first: for a chart that files by LOINC alone, search by this code. `wider` means that the code says "
        "less than the row, so that measurements of others can have it too: file by it only what comes from this "
        "service (`meta.source`). Where there is none, the row needs the own code; no verified LOINC code says it.",
        "Leave out what is `entered-in-error`, show what is `corrected` or `amended` in place of what stood there "
        "before (the id stays the same), and show `dataAbsentReason` as words, never as 0. Rows that are many a "
        "reading are told apart by station (component) or by `Observation.device`, whose Device names the band.",
    ]


def _line(row: FlowsheetRow, terms: Terminology) -> Sequence[str]:
    loinc = f"`{row.loinc[1]}`{', wider' if row.loinc_says_less else ''}" if row.loinc else "none"
    component = f"`{_named(row.component_code, terms)}`" if row.component_code else ""
    unit = f"`{row.unit}`" if row.unit else ""
    return (
        row.label, f"`{_named(row.code, terms)}`", component, _VALUES[row.value], unit, f"`{row.category}`", row.rows,
        loinc, row.comment,
    )  # fmt: skip


def _named(code: tuple[str, str], terms: Terminology) -> str:
    system, name = code
    return f"LOINC {name}" if system == terms.systems["loinc"] else name
