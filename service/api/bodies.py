"""Request bodies read up to a limit, before anything looks into them."""

from starlette.requests import Request

from service import strict_json
from service.api.problems import WrongMediaType


async def read_body(request: Request, largest: int = strict_json.LARGEST_DOCUMENT) -> bytes:
    """The body's bytes; raises `TooLarge` as soon as it is over `largest`, declared or not."""
    too_large = strict_json.TooLarge(f"the body is larger than the {largest} bytes allowed")
    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared) > largest:
        raise too_large
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > largest:
            raise too_large
    return bytes(body)


async def read_json_body(request: Request) -> bytes:
    """The body of a request that must be application/json."""
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type != "application/json":
        raise WrongMediaType("send the document as application/json")
    return await read_body(request)
