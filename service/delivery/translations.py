"""A site's own codes for another server: `mappings/sites/<site>/codes.csv`, read whole and refused whole.

Only codings of CodeableConcepts are translated. Nothing here is checked against a code system: each row says where it
comes from, and a clinical informaticist of the site answers for it.
"""

from collections.abc import Iterable, Sequence
from copy import deepcopy
from pathlib import Path
from typing import Any, NamedTuple

from service.site_files import CODES, folder_of_site
from service.terminology.apart import read_apart
from service.terminology.tables import Row, TerminologyFault

COLUMNS = ("destination", "system", "code", "their_system", "their_code", "their_display", "use", "source")
USES = ("first", "instead")
Tree = dict[str, Any]


class Translation(NamedTuple):
    """Their coding for one of ours: put before it, or in its place."""

    theirs: Tree
    instead: bool


class Translations:
    """What one destination wants to read instead of, or before, our own codings."""

    def __init__(self, rows: Iterable[Row] = ()) -> None:
        self._by_code = {
            (row["system"], row["code"]): Translation(
                {"system": row["their_system"], "code": row["their_code"]}
                | ({"display": row["their_display"]} if row["their_display"] else {}),
                row["use"] == "instead",
            )
            for row in rows
        }

    def __bool__(self) -> bool:
        return bool(self._by_code)

    def translated(self, resource: Tree) -> Tree:
        """A copy with their codings. One that lost a coding of ours claims no profile of ours any more."""
        if not self._by_code:
            return resource
        found = deepcopy(resource)
        if self._walk(found):
            found.get("meta", {}).pop("profile", None)
        return found

    def _walk(self, value: Any) -> bool:
        """Translate below a value; whether a coding was replaced."""
        if isinstance(value, list):
            return sum(map(self._walk, value)) > 0  # every one is walked, not up to the first
        if not isinstance(value, dict):
            return False
        replaced = False
        for key, member in value.items():
            if key == "coding" and isinstance(member, list):
                value[key], lost = self._codings(member)
                replaced = replaced or lost
            elif self._walk(member):
                replaced = True
        return replaced

    def _codings(self, ours: Sequence[Tree]) -> tuple[list[Tree], bool]:
        first: list[Tree] = []
        kept: list[Tree] = []
        replaced = False
        for coding in ours:
            found = self._by_code.get((coding.get("system", ""), coding.get("code", "")))
            if found is not None and found.theirs not in first:
                first.append(found.theirs)
            if found is not None and found.instead:
                replaced = True
            else:
                kept.append(coding)
        return [*first, *(each for each in kept if each not in first)], replaced


def read_translations(tables: Path, site: str, destination: str) -> Translations:
    """The rows of a site that are for one destination or for all of them.

    Raises TerminologyFault with every fault of the file.
    """
    folder = folder_of_site(tables, site)
    if not (folder / CODES).is_file():
        return Translations()
    needed = ("system", "code", "their_system", "their_code", "use", "source")
    rows = read_apart(CODES, COLUMNS, needed, ("destination", "system", "code"), folder)
    faults = [row.fault(f"use is {' or '.join(USES)}") for row in rows if row["use"] not in USES]
    faults += [
        row.fault(f"{column} is no URI")
        for row in rows
        for column in ("system", "their_system")
        if ":" not in row[column] or any(letter.isspace() for letter in row[column])
    ]
    if faults:
        raise TerminologyFault(faults)
    general = [row for row in rows if not row["destination"]]
    return Translations([*general, *(row for row in rows if row["destination"] == destination)])
