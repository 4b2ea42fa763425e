"""Rules that the mapping tables must hold among themselves; every break is one fault with file and row."""

import re
from collections.abc import Iterator

from service.terminology.check_digits import CHECKS
from service.terminology.forms import form_faults
from service.terminology.tables import Fault, Row, Tables

KEBAB = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")
KINDS = frozenset(
    {
        "panel", "measurement", "component", "finding", "outcome", "procedure", "procedure-category", "action",
        "device", "property", "condition", "morphology", "body-site", "laterality", "plan", "task", "due-reason",
        "removal-reason", "alert", "severity", "report",
    }
)  # fmt: skip
# R4 value set concept-map-equivalence; the two that say nothing about meaning are left out on purpose.
EQUIVALENCES = frozenset(
    {"equivalent", "equal", "wider", "subsumes", "narrower", "specializes", "inexact", "unmatched"}
)
NEED_COMMENT = frozenset({"narrower", "inexact", "wider", "unmatched"})
GRADES = frozenset("AB")
NEEDED = {
    "systems.csv": ("key", "url", "name"),
    "concepts.csv": ("key", "kind", "text", "definition"),
    "codings.csv": ("concept", "equivalence", "author", "reviewer"),
    "hl7.csv": ("set", "system", "code", "display", "source"),
    "units.csv": ("key", "unit", "system", "code"),
    "absent.csv": ("reason", "code", "text"),
    "alerts.csv": ("concept", "severity", "category"),
    "formulas.csv": ("concept", "version", "text"),
    "extensions.csv": ("key", "text"),
    "profiles.csv": ("key", "type", "title", "description"),
    "profile-elements.csv": ("profile", "path", "min", "max"),
    "profile-invariants.csv": ("profile", "key", "severity", "human", "expression"),
    "questionnaire.csv": ("questionnaire", "type", "text"),
}
UNIQUE = {
    "systems.csv": ("key",), "concepts.csv": ("key",), "codings.csv": ("concept", "system", "code"),
    "hl7.csv": ("set", "code"), "units.csv": ("key",), "absent.csv": ("reason",), "alerts.csv": ("concept",),
    "formulas.csv": ("concept",), "extensions.csv": ("key",), "profiles.csv": ("key",),
    "profile-elements.csv": ("profile", "path"), "profile-invariants.csv": ("profile", "key"),
    "questionnaire.csv": ("questionnaire", "link_id"),
}  # fmt: skip


def faults_of(tables: Tables) -> list[Fault]:
    """Every fault of content, file by file and row by row."""
    forms = form_faults(tables.rows["questionnaire.csv"], {row["key"]: row for row in tables.rows["concepts.csv"]})
    return [*_form(tables), *_codings(tables), *_concepts(tables), *_links(tables), *_profiles(tables), *forms]


def _form(tables: Tables) -> Iterator[Fault]:
    for file, rows in tables.rows.items():
        seen: set[tuple[str, ...]] = set()
        for row in rows:
            for column in NEEDED[file]:
                if not row[column]:
                    yield row.fault(f"{column} is empty")
            key = tuple(row[column] for column in UNIQUE[file])
            if key in seen:
                yield row.fault(f"{' '.join(key)} stands twice")
            seen.add(key)
            if "key" in row and file != "profile-invariants.csv" and not KEBAB.fullmatch(row["key"]):
                yield row.fault(f"the key {row['key']!r} is not kebab-case")


def _codings(tables: Tables) -> Iterator[Fault]:
    systems = {row["key"]: row for row in tables.rows["systems.csv"]}
    concepts = {row["key"] for row in tables.rows["concepts.csv"]}
    for row in tables.rows["codings.csv"]:
        if row["concept"] not in concepts:
            yield row.fault(f"no concept {row['concept']!r}")
        if row["equivalence"] not in EQUIVALENCES:
            yield row.fault(f"equivalence {row['equivalence']!r} is none of {', '.join(sorted(EQUIVALENCES))}")
        if row["equivalence"] in NEED_COMMENT and not row["comment"]:
            yield row.fault(f"{row['equivalence']} needs a comment that says how the meanings differ")
        if row["equivalence"] == "unmatched":
            if any(row[column] for column in ("system", "code", "display", "grade", "gps", "source")):
                yield row.fault("an unmatched concept has no code")
        else:
            yield from _standard_code(row, systems)


def _standard_code(row: Row, systems: dict[str, Row]) -> Iterator[Fault]:
    system = systems.get(row["system"])
    if system is None:
        yield row.fault(f"no system {row['system']!r}")
    elif (holds := CHECKS.get(system["check_digit"])) and not holds(row["code"]):
        yield row.fault(f"the check digit of {row['code']!r} does not hold")
    for column in ("code", "display", "source"):
        if not row[column]:
            yield row.fault(f"{column} is empty")
    if row["grade"] not in GRADES:
        yield row.fault(f"grade {row['grade']!r} is not fit for use, only A and B are")
    if row["gps"] not in ("yes", "no"):
        yield row.fault("gps must be yes or no")


def _concepts(tables: Tables) -> Iterator[Fault]:
    matched: dict[str, list[str]] = {}
    for row in tables.rows["codings.csv"]:
        matched.setdefault(row["concept"], []).append(row["equivalence"])
    local: set[str] = set()
    for row in tables.rows["concepts.csv"]:
        found = matched.get(row["key"], [])
        if row["kind"] not in KINDS:
            yield row.fault(f"kind {row['kind']!r} is not known")
        if not found:
            yield row.fault(f"{row['key']} has no row in codings.csv, not even one that says unmatched")
        if "unmatched" in found and len(found) > 1:
            yield row.fault(f"{row['key']} is said to be unmatched and matched")
        if not row["code"] and found == ["unmatched"]:
            yield row.fault(f"{row['key']} has neither a local nor a standard code")
        if row["code"] and row["code"] in local:
            yield row.fault(f"the local code {row['code']!r} stands twice")
        local.add(row["code"])


def _links(tables: Tables) -> Iterator[Fault]:
    rows = tables.rows
    concepts = {row["key"] for row in rows["concepts.csv"]}
    systems = {row["key"] for row in rows["systems.csv"]}
    hl7 = {(row["set"], row["code"]) for row in rows["hl7.csv"]}
    for row in (*rows["alerts.csv"], *rows["formulas.csv"]):
        if row["concept"] not in concepts:
            yield row.fault(f"no concept {row['concept']!r}")
    for row in rows["alerts.csv"]:
        if ("flag-category", row["category"]) not in hl7:
            yield row.fault(f"no flag-category {row['category']!r} in hl7.csv")
        if f"severity-{row['severity']}" not in concepts:
            yield row.fault(f"no concept severity-{row['severity']}")
    for row in rows["absent.csv"]:
        if ("data-absent-reason", row["code"]) not in hl7:
            yield row.fault(f"no data-absent-reason {row['code']!r} in hl7.csv")
    for row in rows["units.csv"]:
        if row["system"] not in systems:
            yield row.fault(f"no system {row['system']!r}")
    for row in rows["systems.csv"]:
        if row["notice"] not in tables.notices:
            yield row.fault(f"no notices/{row['notice']}")
        if row["check_digit"] and row["check_digit"] not in CHECKS:
            yield row.fault(f"check_digit {row['check_digit']!r} is none of {', '.join(CHECKS)}")


def _profiles(tables: Tables) -> Iterator[Fault]:
    rows = tables.rows
    types = {row["key"]: row["type"] for row in rows["profiles.csv"]}
    patterns = {f"concept:{row['key']}" for row in rows["concepts.csv"]}
    patterns |= {f"unit:{row['key']}" for row in rows["units.csv"]}
    for row in (*rows["profile-elements.csv"], *rows["profile-invariants.csv"]):
        if row["profile"] not in types:
            yield row.fault(f"no profile {row['profile']!r}")
    for row in rows["profile-elements.csv"]:
        if not row["path"].startswith(types.get(row["profile"], "") + "."):
            yield row.fault(f"the path {row['path']!r} is not of the profile's type")
        if not row["min"].isdigit() or row["max"] not in ("*", "1"):
            yield row.fault("min must be a number, max 1 or *")
        if row["pattern"] and row["pattern"] not in patterns:
            yield row.fault(f"the pattern {row['pattern']!r} names no concept and no unit")
    for row in rows["profile-invariants.csv"]:
        if row["severity"] not in ("error", "warning"):
            yield row.fault(f"severity {row['severity']!r} is neither error nor warning")
