"""Temporary or final: the one place that decides what an answer means for what was sent.

408, 429 and 5xx wait and are tried again, as is every fault of the transport (`service.delivery.transport`). 401 does
too: it is about our own sign-in and not about a course, so that no course is held for it. A success that is no answer
of a FHIR server (the page of a proxy, say) has stored nothing and is tried again. Everything else is final; the other
server's words are kept for a person.
"""

from collections.abc import Mapping
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from typing import Any

import orjson

from service.delivery.faults import Refused, Temporary

LONGEST_WORDS = 4000  # characters of the other server's answer that are kept
LONGEST_AFTER_S = 3600.0  # a longer Retry-After is taken for a mistake
_OF_ONE_REQUEST = frozenset({HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.INTERNAL_SERVER_ERROR})
_WAIT = frozenset({HTTPStatus.UNAUTHORIZED, HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.TOO_MANY_REQUESTS})


def judge(status: int, headers: Mapping[str, str], body: bytes, now: datetime) -> None:
    """Return where the answer is a success; raise Temporary or Refused otherwise."""
    if 200 <= status < 300:
        return
    if status in _WAIT or status >= 500:
        after_s = retry_after_s(headers.get("retry-after"), now)
        raise Temporary(f"HTTP {status}", whole_server=status not in _OF_ONE_REQUEST, after_s=after_s)
    raise Refused(*_told(status, body), status)


def refused_entry(place: int, status: int, outcome: Any) -> Refused:
    """The refusal of one entry inside an answer that called itself a success: not all of it was stored."""
    told, words = _told(status, orjson.dumps(outcome) if outcome else b"")
    return Refused(f"entry {place}: {told}", f"entry {place}: {words}", status)


def retry_after_s(given: str | None, now: datetime) -> float | None:
    """Seconds that Retry-After asks for, in either of its forms (RFC 9110 10.2.3); None for none or nonsense."""
    text = (given or "").strip()
    if text.isascii() and text.isdecimal():
        return min(float(text[:12]), LONGEST_AFTER_S)
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    seconds = ((at if at.tzinfo else at.replace(tzinfo=UTC)) - now).total_seconds()
    return min(max(seconds, 0.0), LONGEST_AFTER_S)


def _told(status: int, body: bytes) -> tuple[str, str]:
    """For logs: status and issue codes. For a person: the words of the OperationOutcome, else the body as it came."""
    issues = _issues(body)
    codes = ", ".join(dict.fromkeys(_code(issue) for issue in issues))
    words = "; ".join(_words(issue) for issue in issues) or body.decode("utf-8", "replace").strip()
    told = f"HTTP {status} ({codes})" if codes else f"HTTP {status}"
    return told, f"HTTP {status}: {words}"[:LONGEST_WORDS].replace("\x00", "")


def _issues(body: bytes) -> list[dict[str, Any]]:
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        return []
    if not isinstance(found, dict) or found.get("resourceType") != "OperationOutcome":
        return []
    issues = found.get("issue")
    return [each for each in issues if isinstance(each, dict)] if isinstance(issues, list) else []


def _code(issue: Mapping[str, Any]) -> str:
    """The issue's code where it looks like one: what goes to a log is never a sentence."""
    code = issue.get("code")
    return code if isinstance(code, str) and len(code) <= 32 and code.replace("-", "").isalpha() else "issue"


def _words(issue: Mapping[str, Any]) -> str:
    details = issue.get("details")
    said = [issue.get("severity"), issue.get("code"), issue.get("diagnostics")]
    said.append(details.get("text") if isinstance(details, dict) else None)
    places = issue.get("expression") or issue.get("location")
    if isinstance(places, list):
        said += [f"at {place}" for place in places]
    return " ".join(str(each) for each in said if each)
