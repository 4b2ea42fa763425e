"""One finding about a resource, in the words of OperationOutcome.issue (http://hl7.org/fhir/R4/operationoutcome.html)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Severity = Literal["error", "warning", "information"]


@dataclass(frozen=True, slots=True)
class Issue:
    """What is wrong, where, and which layer of the check saw it.

    `code` is an IssueType code, `expression` a FHIRPath such as `Observation.component[0].valueQuantity`.
    """

    severity: Severity
    code: str
    expression: str
    diagnostics: str
    layer: str
