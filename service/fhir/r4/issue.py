"""One finding about a resource, in the words of OperationOutcome.issue (http://hl7.org/fhir/R4/operationoutcome.html)."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

Severity = Literal["error", "warning", "information"]


class Issue(Struct, frozen=True):
    """What is wrong, where, and which layer of the check saw it.

    `code` is an IssueType code, `expression` a FHIRPath such as `Observation.component[0].valueQuantity`.
    """

    severity: Severity
    code: str
    expression: str
    diagnostics: str
    layer: str
