"""Refusals of the intake side: RFC 9457 problem documents, one shape for every error.

Error tree and its statuses:
  strict_json.TooLarge 413, strict_json.Unreadable 400, WrongMediaType 415, BadQuery 422,
  intake.Refused 422 or 409, workflow.UnknownCourse 404, StoreUnavailableError 503, anything else 500.
"""

from collections.abc import Iterable
from http import HTTPStatus

from starlette.requests import Request
from starlette.responses import Response

from service import strict_json
from service.api.fault_log import log_fault
from service.intake.faults import Refused
from service.store.errors import StoreError, StoreUnavailableError
from service.workflow import UnknownCourse

MEDIA_TYPE = "application/problem+json"


class WrongMediaType(ValueError):
    """The body is not sent as application/json."""


class BadQuery(ValueError):
    """A query parameter that cannot be understood; holds its name."""

    def __init__(self, name: str, detail: str) -> None:
        super().__init__(detail)
        self.name = name


def problem(status: int, detail: str, errors: Iterable[dict[str, str]] = ()) -> Response:
    """A problem document with its `errors`, each a pointer (or query parameter) and a detail."""
    title = HTTPStatus(status).phrase
    body = {"type": "about:blank", "title": title, "status": status, "detail": detail, "errors": list(errors)}
    return Response(strict_json.write(body), status, media_type=MEDIA_TYPE)


def problem_for(fault: Exception) -> Response:
    """The problem document of an error of the tree above."""
    match fault:
        case strict_json.TooLarge():
            return problem(413, str(fault))
        case strict_json.Unreadable():
            return problem(400, str(fault), [{"pointer": "", "detail": str(fault)}])
        case WrongMediaType():
            return problem(415, str(fault))
        case BadQuery():
            return problem(422, str(fault), [{"parameter": fault.name, "detail": str(fault)}])
        case Refused():
            errors = [{"pointer": found.pointer, "detail": found.detail} for found in fault.faults]
            return problem(fault.status, f"{len(errors)} fault(s); nothing of the document was stored", errors)
        case UnknownCourse():
            return problem(404, "no such course at this site")
        case StoreUnavailableError():
            return problem(503, str(fault))
        case StoreError():
            return problem(500, str(fault))
    return problem(500, "the service failed; nothing of the document was stored")


async def answer_problem(request: Request, fault: Exception) -> Response:
    """Exception handler of the intake side; what is unexpected is logged by its type, without its text."""
    answer = problem_for(fault)
    if answer.status_code >= HTTPStatus.INTERNAL_SERVER_ERROR:
        log_fault(request, answer.status_code, fault)
    return answer
