"""`reference`: the tables of limits, quantities and alerts in the documentation, generated from the code."""

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from service.clinic.alert_examples import example_findings
from service.clinic.alert_kinds import KINDS
from service.clinic.alerts import sentence
from service.clinic.caution import CAUTION
from service.clinic.policy import LIMITS, default_policy
from service.clinic.quantities import QUANTITIES
from service.commands.flowsheet import flowsheet_text

GENERATED = "Generated from the code by `closure-readings reference`; a test holds it current. Do not edit by hand."


def limits_text() -> str:
    """Every limit of a policy: unit, default, the bounds outside of which a site's file is refused, and its basis."""
    rows = [
        (f"`{one.name}`", _unit(one.unit), f"{one.default:f}", f"{one.low:f} to {one.high:f}", one.basis)
        for one in LIMITS
    ]
    return _page(
        "Every limit of a policy",
        [
            "The default policy stands in `mappings/policy/default.toml`, what a site sets otherwise in "
            "`mappings/sites/<site>/policy.toml`. Name and version of the policy stand in the method of every derived "
            "Observation, in Provenance and in the course view. The version is a digest of the values, so another "
            "value is another version.",
            '"Common practice" is a fact of the trade without a published source; "project\'s own" is ours.',
        ],
        ("name", "unit", "default", "bounds", "basis"),
        rows,
    )


def quantities_text() -> str:
    """Every derived quantity with its unit and definition."""
    rows = [(f"`{one.name}`", _unit(one.unit) or "instant", one.definition) for one in QUANTITIES.values()]
    return _page(
        "Every derived quantity",
        [
            "One name and one unit per quantity, in Python, in the course view and on every page; FHIR resources show "
            "wound lengths in cm. Units are UCUM. Formulas and limits of use: docs/metrics.md; a course worked out by "
            "hand: docs/worked-example.md.",
        ],
        ("name", "unit", "what it is"),
        rows,
    )


def alerts_text() -> str:
    """Every alert: severity, when it begins and ends, and the sentence that a person reads."""
    policy = default_policy()
    examples = example_findings(policy)
    rows = [(f"`{code}`", kind.severity, kind.raised_when, kind.cleared_when) for code, kind in KINDS.items()]
    said = [(f"`{code}`", sentence(code, found.clause)) for code in KINDS if (found := examples[code]) is not None]
    page = _page(
        "Every alert",
        [
            f"Caution: {CAUTION}",
            "An alert names the entry that raised it, since when, what was read, the limit and the usual step; it "
            "never orders treatment. Removal of the whole device, an outcome and a new installation end those about "
            "bands, gaps, covered anchors, layout and due times at once; the others stay until charted otherwise. "
            "Names in code type are limits (docs/policy.md).",
        ],
        ("code", "severity", "raised when", "cleared when"),
        rows,
    )
    lead = "## The sentence of each, on invented readings under the default policy"
    return f"{page}\n{lead}\n\n{_table(('code', 'sentence'), said)}"


PAGES = {
    "policy.md": limits_text,
    "quantities.md": quantities_text,
    "alerts.md": alerts_text,
    "flowsheet.md": flowsheet_text,
}


def write_reference(folder: Path, check: bool) -> int:
    """Write the pages, or with `check` name those that are not current; 1 when any is not."""
    stale = [name for name, text in PAGES.items() if _read(folder / name) != text()]
    if check:
        for name in stale:
            print(f"{folder / name} is not current: run closure-readings reference", file=sys.stderr)
        return 1 if stale else 0
    for name in stale:
        (folder / name).write_text(PAGES[name](), "utf-8")
        print(f"{folder / name} written", file=sys.stderr)
    return 0


def _read(path: Path) -> str | None:
    return path.read_text("utf-8") if path.is_file() else None


def _unit(unit: str) -> str:
    return "no unit" if unit == "1" else unit


def _page(title: str, paragraphs: Sequence[str], columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    return "\n\n".join([f"# {title}", GENERATED, *paragraphs, _table(columns, rows)])


def _table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [columns, ["---"] * len(columns), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in line)} |\n" for line in lines)
