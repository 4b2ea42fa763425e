"""What a request to an operation brings: inputs of its URL, a Parameters resource, or a resource as the body."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from starlette.exceptions import HTTPException
from starlette.requests import Request

from service import strict_json
from service.api.bodies import read_body
from service.api.negotiation import strict
from service.api.routing import media_type
from service.fhir import wire
from service.fhir.operations.inputs import Inputs, inputs_of
from service.fhir.validate import check

_FHIR_JSON = frozenset({"application/fhir+json", "application/json", "text/json"})


class Told(NamedTuple):
    """What came with a request: the inputs, and the resource where the body was one."""

    inputs: Inputs
    resource: dict[str, Any] | None


async def told_by(request: Request) -> Told:
    """Inputs of the URL, then those of the body; a body that is no Parameters resource is the resource itself."""
    pairs = Inputs(request.query_params.multi_items())
    if request.method != "POST":
        return Told(pairs, None)
    try:
        raw = await read_body(request)
    except strict_json.TooLarge as fault:
        raise HTTPException(413, str(fault)) from fault
    if not raw:
        return Told(pairs, None)
    if media_type(request) not in _FHIR_JSON:
        raise HTTPException(415, "send the body as application/fhir+json")
    try:
        body = wire.read(raw)
    except wire.Unreadable as fault:
        raise HTTPException(400, str(fault)) from fault
    if body.get("resourceType") != "Parameters":
        return Told(pairs, body)
    if faults := [issue for issue in check(body | {"parameter": _plain_parts(body)}) if issue.severity == "error"]:
        raise HTTPException(400, f"{faults[0].expression}: {faults[0].diagnostics}")
    return Told(pairs + inputs_of(body), None)


def _plain_parts(parameters: Mapping[str, Any]) -> Any:
    """The parameters without the resources in them: those are judged by the operation."""
    listed = parameters.get("parameter", [])
    if not isinstance(listed, list):
        return listed
    return [
        {"name": one.get("name"), "valueBoolean": True} if isinstance(one, dict) and "resource" in one else one
        for one in listed
    ]


def require_names(inputs: Inputs, known: Sequence[str], request: Request) -> None:
    """With `Prefer: handling=strict` an input that the operation does not have is refused."""
    unknown = [name for name in inputs.names if name not in known]
    if unknown and strict(request):
        raise HTTPException(400, f"{unknown[0]}: no parameter of this operation")
