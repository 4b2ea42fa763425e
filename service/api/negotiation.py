"""What a client accepts and already has: media types, versions, handling of unknown parameters (http.html)."""

from collections.abc import Iterable
from datetime import UTC
from email.utils import parsedate_to_datetime

from starlette.exceptions import HTTPException
from starlette.requests import Request

from service.search.dates import microseconds

_JSON = frozenset({"application/fhir+json", "application/json", "text/json", "application/*", "text/*", "*/*"})
_FORMATS = frozenset({"json", "application/json", "application/fhir+json", "text/json"})
_SECOND = 1_000_000


def require_json(request: Request) -> None:
    """Raise 406 for a client that takes no FHIR JSON; `_format` in the URL goes before Accept (#mime-type)."""
    asked = request.query_params.get("_format")
    if asked is not None:
        # A plus sign that was not escaped arrives as a blank.
        if asked.strip().replace(" ", "+").partition(";")[0] not in _FORMATS:
            raise HTTPException(406, "only FHIR JSON is served: _format is json or application/fhir+json")
        return
    accepted = request.headers.getlist("accept")
    if accepted and not any(_takes_json(each) for each in ",".join(accepted).split(",")):
        raise HTTPException(406, "only FHIR JSON is served: accept application/fhir+json")


def strict(request: Request) -> bool:
    """Whether `Prefer: handling=strict` asks that unknown parameters be refused (search.html#errors)."""
    wishes = ",".join(request.headers.getlist("prefer")).replace(";", ",").split(",")
    return any("".join(wish.split()).lower() == "handling=strict" for wish in wishes)


def has_version(request: Request, etag: str, last_updated: int) -> bool:
    """Whether the client's copy is this version (#cread). If-None-Match goes before If-Modified-Since (RFC 9110)."""
    known = request.headers.getlist("if-none-match")
    if known:
        return _names(known, etag)
    since = request.headers.get("if-modified-since")
    if not since:
        return False
    try:
        at = parsedate_to_datetime(since)
    except ValueError:
        return False  # not a date: the header is to be ignored
    at = at if at.tzinfo else at.replace(tzinfo=UTC)
    return last_updated // _SECOND <= microseconds(at) // _SECOND


def _takes_json(text: str) -> bool:
    media_type, *parameters = (part.strip().lower() for part in text.split(";"))
    refused = any(part.replace(" ", "") in {"q=0", "q=0.0", "q=0.00", "q=0.000"} for part in parameters)
    return media_type in _JSON and not refused


def _names(known: Iterable[str], etag: str) -> bool:
    tags = [tag.strip() for each in known for tag in each.split(",")]
    return "*" in tags or etag.removeprefix("W/") in {tag.removeprefix("W/") for tag in tags}
