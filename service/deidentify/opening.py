"""From tables, mode and key to a de-identifier of one site."""

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

from service.deidentify.cells import Cells
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.resources import Deidentifier, Tree
from service.deidentify.rules import RESEARCH, read_rules
from service.deidentify.vocabulary import read_vocabulary
from service.fhir.validate import ProfileRules
from service.terminology import Terminology


class Opened:
    """The tables of one mode, read once; a de-identifier is made of them for each site of a release."""

    def __init__(
        self, mode: str, terms: Terminology, profile_rules: ProfileRules, folder: Path | None, now: datetime
    ) -> None:
        """Raises TerminologyFault for tables that are not sound. `folder`: the mappings, None for those shipped."""
        self.mode = mode
        self.rules = read_rules(mode, folder)
        self.vocabulary = read_vocabulary(terms, folder)
        self._profile_rules = profile_rules
        self._now = now

    @property
    def needs_cells(self) -> bool:
        """Whether small cells are guarded, so that the patients of the whole population must be counted first."""
        return self.mode == RESEARCH

    def deidentifier(self, names: Pseudonyms, cells: Cells | None = None) -> Deidentifier:
        """Of one site, with the pseudonyms it has for the registry."""
        return Deidentifier(self.rules, self.vocabulary, names, self._now, self._profile_rules, cells)

    def cells(self, names: Pseudonyms, patients: Iterable[Tree]) -> Cells | None:
        """Cells of the Patients that there are; None in a mode that guards none."""
        if not self.needs_cells:
            return None
        return Cells(self.deidentifier(names).cells(patients))
