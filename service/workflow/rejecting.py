"""The refusal of a write from outside: its HTTP status and every issue, in the words of OperationOutcome."""

from collections.abc import Iterable
from typing import Literal

from service.fhir.r4.issue import Issue

Status = Literal[400, 403, 404, 405, 409, 412, 422]

# Issue types of http://hl7.org/fhir/R4/valueset-issue-type.html by status, where nothing more precise is known.
_CODES: dict[int, str] = {
    400: "invalid", 403: "forbidden", 404: "not-found", 405: "not-supported", 409: "conflict", 412: "conflict",
    422: "business-rule",
}  # fmt: skip


class Rejected(ValueError):
    """A write of which nothing is kept. Diagnostics name elements and reasons, never what was sent about a patient."""

    def __init__(self, status: Status, issues: Iterable[Issue]) -> None:
        self.status = status
        self.issues = list(issues)
        super().__init__("; ".join(issue.diagnostics for issue in self.issues))


def rejected(status: Status, diagnostics: str, expression: str = "", code: str = "") -> Rejected:
    """A refusal with one issue."""
    return Rejected(status, [Issue("error", code or _CODES[status], expression, diagnostics, "write")])
