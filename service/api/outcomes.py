"""Every error of the FHIR side as an OperationOutcome, whatever layer it comes from (http.html#Status-Codes).

Error tree and its statuses:
  HTTPException its own, SearchError 400, strict_json.TooLarge 413, StoreUnavailableError 503, anything else 500.
Diagnostics name parameters, types and reasons, never a value of a request or of a resource.
"""

from collections.abc import Mapping

import orjson
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.api.fault_log import log_fault
from service.search.criteria import SearchError
from service.store.errors import StoreError, StoreUnavailableError

MEDIA_TYPE = "application/fhir+json; charset=utf-8"

# Issue types of http://hl7.org/fhir/R4/valueset-issue-type.html by status.
_ISSUE_CODES = {
    400: "invalid",
    401: "login",
    403: "forbidden",
    404: "not-found",
    405: "not-supported",
    406: "not-supported",
    408: "timeout",
    409: "conflict",
    410: "deleted",
    412: "conflict",
    413: "too-long",
    414: "too-long",
    415: "not-supported",
    422: "processing",
    429: "throttled",
    503: "transient",
}
_RETRY_AFTER_S = "5"


def outcome(severity: str, code: str, diagnostics: str) -> bytes:
    """An OperationOutcome with one issue, as bytes."""
    issue = {"severity": severity, "code": code, "diagnostics": diagnostics}
    return orjson.dumps({"resourceType": "OperationOutcome", "issue": [issue]})


def refused(status: int, diagnostics: str, headers: Mapping[str, str] | None = None) -> Response:
    """The answer to a request that is not served, with the status and issue code that belong together."""
    code = _ISSUE_CODES.get(status, "exception" if status >= 500 else "invalid")
    return Response(
        outcome("error", code, diagnostics),
        status,
        headers={"Cache-Control": "no-store", **(headers or {})},
        media_type=MEDIA_TYPE,
    )


def outcome_for(fault: Exception) -> Response:
    """The OperationOutcome of an error of the tree above."""
    match fault:
        case HTTPException():
            return refused(fault.status_code, str(fault.detail), fault.headers)
        case SearchError():
            return refused(400, str(fault))
        case strict_json.TooLarge():
            return refused(413, str(fault))
        case StoreUnavailableError():
            return refused(503, str(fault), {"Retry-After": _RETRY_AFTER_S})
        case StoreError():
            return refused(500, str(fault))
        case _:
            return refused(500, "the service met a fault of its own; the request changed nothing")


async def answer_outcome(request: Request, fault: Exception) -> Response:
    """Exception handler of the paths below /fhir."""
    answer = outcome_for(fault)
    if answer.status_code >= 500:
        log_fault(request, answer.status_code, fault)
    return answer
