"""One error shape for each side: OperationOutcome below /fhir, problem documents elsewhere."""

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api.outcomes import answer_outcome
from service.api.problems import answer_problem, problem


async def answer(request: Request, fault: Exception) -> Response:
    """The answer to whatever a route or the door raises."""
    if request.url.path == "/fhir" or request.url.path.startswith("/fhir/"):
        outcome: Response = await answer_outcome(request, fault)
        return outcome
    if isinstance(fault, HTTPException):
        told = problem(fault.status_code, str(fault.detail))
        told.headers.update(fault.headers or {})
        return told
    return await answer_problem(request, fault)
