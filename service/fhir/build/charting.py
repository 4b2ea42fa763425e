"""What all resources of one entry share: its names, its time, who charted it, the status of its Observations."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from service.clinic.entries import BandReading, Check, ClinicalEntry, Installation, InstalledBand, Performer, Reset
from service.fhir.build.context import Context
from service.fhir.build.values import time_text, words

Tree = dict[str, Any]


class Charting:
    """One entry of a course as its resources speak of it."""

    __slots__ = ("_charted", "_computed", "at", "bands", "content", "context", "frame", "marks", "names", "part_of",
                 "performer", "status")  # fmt: skip

    def __init__(self, context: Context, content: ClinicalEntry, status: str, part_of: str | None = None) -> None:
        self.context = context
        self.frame = context.frame
        self.content = content
        self.names = context.names_of(content.entry_id)
        self.at = time_text(content.at)
        self.performer = [performer_reference(content.performer)]
        self.status = status
        self.bands = context.bands_for(content)
        self.marks = _marks_read(content)
        self.part_of = [self.names.reference("Procedure", part_of)] if part_of else None
        self._charted: dict[str, Tree] = {}
        self._computed: dict[str, Tree] = {}

    def observation(self, profile: str, computed: bool) -> Tree:
        """A new Observation of a profile with all that those of this entry have in common, up to its performer.

        Its id, text, identifier and code are still to be put in, in the place that they have here. A measure
        (`computed`) has no performer: nobody charted it, and Provenance names the software.
        """
        made = self._computed if computed else self._charted
        found = made.get(profile)
        if found is None:
            found = made[profile] = self._in_common(profile, computed)
        return found.copy()

    def _in_common(self, profile: str, computed: bool) -> Tree:
        context = self.context
        part_of = {} if self.part_of is None else {"partOf": self.part_of}
        encounter = {} if context.encounter is None else {"encounter": context.encounter}
        performer = {} if computed else {"performer": self.performer}
        return {
            "resourceType": "Observation",
            "id": None,
            "meta": self.frame.metas[profile],
            "text": None,
            "identifier": None,
            "basedOn": context.plan,
            **part_of,
            "status": self.status,
            "category": self.frame.exam,
            "code": None,
            "subject": context.subject,
            **encounter,
            "effectiveDateTime": self.at,
            **performer,
        }


def _marks_read(content: ClinicalEntry) -> Mapping[int, tuple[Decimal, Decimal | None]]:
    """Mark and tail of every band that the entry read."""
    if isinstance(content, Reset):
        return {setting.band: (setting.mark_mm_after, setting.tail_mm) for setting in content.bands}
    if isinstance(content, Installation | Check):
        listed: Sequence[BandReading | InstalledBand] = content.bands or ()
        return {reading.band: (reading.mark_mm, reading.tail_mm) for reading in listed}
    return {}


def performer_reference(performer: Performer) -> Tree:
    """Who charted, as a logical reference: the hospital knows the person, this service only the identifier."""
    reference: Tree = {"identifier": {"system": performer.identifier.system, "value": performer.identifier.value}}
    if performer.display is not None:
        reference["display"] = words(performer.display)
    return reference
