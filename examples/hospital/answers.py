"""What a server says beside its answer: when to come again, and why it refused."""

from datetime import UTC, datetime
from email.utils import parsedate_to_datetime

import requests

LONGEST_WAIT_S = 300.0


def seconds_to_wait(answer: requests.Response, otherwise: float) -> float:
    """Retry-After is a number of seconds or a date (RFC 9110 10.2.3)."""
    told = answer.headers.get("Retry-After", "")
    if told.isdecimal():
        wait = float(told)
    elif told:
        wait = (parsedate_to_datetime(told) - datetime.now(UTC)).total_seconds()
    else:
        wait = otherwise
    return min(max(wait, 0.0), LONGEST_WAIT_S)


def reason(answer: requests.Response) -> str:
    """The words of an OperationOutcome, else what came."""
    try:
        return "; ".join(f"{row['code']}: {row.get('diagnostics', '')}" for row in answer.json()["issue"])
    except (ValueError, KeyError, TypeError):
        return answer.text[:500]
