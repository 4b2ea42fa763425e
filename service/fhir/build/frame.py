"""What all resources of a site share: made once of its policy, the mapping tables and the software's version."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Any
from urllib.parse import quote

from service.clinic.force import BenchTable
from service.clinic.policy import Policy
from service.fhir.build.identity import identifier_system
from service.fhir.build.shared import Once, part
from service.fhir.build.shown import Shown
from service.terminology import Terminology

Tree = dict[str, Any]


class Frame:
    """Everything that depends on site, policy, mapping tables and software only: built once, shared by all courses."""

    def __init__(
        self, site: str, policy: Policy, terms: Terminology, software_version: str, bench: BenchTable | None = None
    ) -> None:
        self.site = site
        self.policy = policy
        self.bench = bench
        self.terms = terms
        self.software_version = software_version
        # (type, identifier system, identifier value) -> id, where a Patient or Encounter of the hospital has another id
        # than `identity.hospital_id` gives
        self.hospital_ids: Mapping[tuple[str, str, str], str] = {}
        self.sid = identifier_system(terms.base, site)
        self.source = f"{terms.base}/site/{quote(site, safe='')}/intake"
        tag = [{"system": f"{terms.base}/mapping-tables", "code": terms.version}]
        self.metas: Mapping[str, Tree] = {
            key: {"source": self.source, "profile": [profile.url], "tag": tag}
            for key, profile in terms.profiles.items()
        }
        self.derived_with = f"policy {policy.name}, version {policy.version}"
        if bench is not None:
            self.derived_with += f"; bench table {bench.name}, version {bench.version}"
        self.methods: Mapping[str, Tree] = {
            key: {"text": f"{formula.text} (formula {key}, version {formula.version}; {self.derived_with})"}
            for key, formula in terms.formulas.items()
        }
        self.exam = [terms.hl7("observation-category", "exam")]
        # The trees that the tables hold are shared by every resource that uses them: read, never written to.
        self.concepts: Mapping[str, Tree] = Once(terms.concept)
        self.extensions: Mapping[str, str] = Once(terms.extension)
        self._quantities: Once[str, Tree] = Once(lambda unit: {"value": None, **terms.unit(unit)})
        working_range = {
            "low": self.quantity(policy.stretch_low, "ratio"),
            "high": self.quantity(policy.stretch_high, "ratio"),
            "type": terms.hl7("reference-range", "recommended"),
        }
        self.working_range = part([working_range])
        self.band_target = [terms.coding("band-target")]
        self.shown = Shown(self)
        self.interpretations = {code: [terms.hl7("interpretation", code)] for code in ("L", "N", "H", "A")}

    def quantity(self, value: Decimal | int, unit: str) -> Tree:
        """A Quantity; the value leaves with the digits it has."""
        made = self._quantities[unit].copy()
        made["value"] = value
        return made

    def component(self, concept: str, value: Decimal | int, unit: str) -> Tree:
        """A component that holds a Quantity."""
        quantity = self._quantities[unit].copy()
        quantity["value"] = value
        return {"code": self.concepts[concept], "valueQuantity": quantity}

    def same_as(self, other: "Frame") -> bool:
        """Whether another frame gives the same resources of a course: it is this one, or this one with the same ids."""
        if self is other:
            return True
        mine, theirs = vars(self), vars(other)
        return self.hospital_ids == other.hospital_ids and all(
            mine[name] is theirs[name] for name in mine if name != "hospital_ids"
        )
