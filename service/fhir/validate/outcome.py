"""Issues as an OperationOutcome (http://hl7.org/fhir/R4/operationoutcome.html)."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.fhir.r4.issue import Issue


def operation_outcome(issues: Iterable[Issue]) -> dict[str, Any]:
    """All issues in their order. Without any, one `informational` issue, since an OperationOutcome may not be empty."""
    listed = [_issue(issue) for issue in issues]
    return {"resourceType": "OperationOutcome", "issue": listed or [_ALL_WELL]}


_ALL_WELL = {"severity": "information", "code": "informational", "diagnostics": "No issue found."}


def _issue(issue: Issue) -> dict[str, Any]:
    told: dict[str, Any] = {"severity": issue.severity, "code": issue.code, "diagnostics": issue.diagnostics}
    if issue.expression:
        told["expression"] = [issue.expression]
    return told
