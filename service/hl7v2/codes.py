"""The words of HL7 v2 that stand in `mappings/hl7v2.csv`, by set and key."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from service.terminology.apart import read_apart
from service.terminology.tables import Fault, TerminologyFault

FILE = "hl7v2.csv"
COLUMNS = ("set", "key", "value", "text", "source")
_NEEDED: Mapping[str, tuple[str, ...]] = {
    "message": ("version", "type", "event", "structure", "character-set"),
    "coding-system": ("loinc", "snomed-ct", "ucum", "local"),
    "universal-id": ("uri",),
    "identifier-type": ("patient", "visit"),
    "name-type": ("unknown",),
    "sex": ("female", "male", "other", "unknown"),
    "patient-class": ("unknown",),
    "observation-status": ("final", "corrected", "entered-in-error", "absent"),
    "report-status": ("final", "corrected", "entered-in-error"),
    "comment-source": ("filler",),
    "truth": ("true", "false", "system"),
    "service": ("check",),
    "acknowledgement": ("AA", "AE", "AR"),
}
ACCEPTED, REFUSED, TEMPORARY = "accepted", "refused", "temporary"


@dataclass(frozen=True, slots=True)
class V2Codes:
    """Everything that the table says."""

    values: Mapping[tuple[str, str], str]

    def of(self, name: str, key: str) -> str:
        """The word of a set. Raises KeyError for a key that the table does not have."""
        return self.values[name, key]

    def get(self, name: str, key: str) -> str | None:
        """The word of a set, or None."""
        return self.values.get((name, key))


def read_v2_codes(folder: Path | None = None) -> V2Codes:
    """Read the table of a mappings folder, None for the one shipped. Raises TerminologyFault with every fault."""
    rows = read_apart(FILE, COLUMNS, ("set", "key", "value", "source"), ("set", "key"), folder)
    values = {(row["set"], row["key"]): row["value"] for row in rows}
    faults = [
        Fault(FILE, 0, f"no row of {name} {key}")
        for name, keys in _NEEDED.items()
        for key in keys
        if (name, key) not in values
    ]
    faults += [
        row.fault(f"{row['value']!r} is none of {ACCEPTED}, {REFUSED}, {TEMPORARY}")
        for row in rows
        if row["set"] in ("acknowledgement", "error-condition") and row["value"] not in (ACCEPTED, REFUSED, TEMPORARY)
    ]
    if faults:
        raise TerminologyFault(faults)
    return V2Codes(values)
