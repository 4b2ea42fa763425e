"""Which resource types a hospital may write and how: one table for the routes, the CapabilityStatement and the docs."""

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Writable:
    """What may be done with one type. Deletion is offered for none, patches neither.

    `one_by_identifier`: a resource of this type is what its business identifiers name, so that two of them with one
    identifier are refused. `becomes_readings`: the resource is stored and its answers are charted as an entry.
    """

    update: bool = True  # PUT, conditional PUT and PUT with an id of the sender's choice
    one_by_identifier: bool = False
    becomes_readings: bool = False

    @property
    def interactions(self) -> tuple[str, ...]:
        """Codes of http://hl7.org/fhir/R4/valueset-type-restful-interaction.html beside the reading ones."""
        return ("create", "update") if self.update else ("create",)


WRITABLE: Mapping[str, Writable] = {
    "Patient": Writable(one_by_identifier=True),
    "Encounter": Writable(one_by_identifier=True),
    "Practitioner": Writable(),
    "Organization": Writable(),
    "Observation": Writable(),
    "QuestionnaireResponse": Writable(update=False, becomes_readings=True),
}
SYSTEM_INTERACTIONS = ("transaction", "batch")
