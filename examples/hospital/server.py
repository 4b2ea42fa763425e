"""Ask the server: signed in, with time limits, waiting when it says so, its reason shown when it refuses."""

import os
import time
from collections.abc import Iterator
from typing import Any

import requests
from answers import reason, seconds_to_wait
from sign_in import WITHIN_S, SignIn

TRIES = 5
LATER = (429, 502, 503, 504)


class Server:
    """One FHIR server; `base` is the address of its FHIR API."""

    def __init__(self) -> None:
        self.base = os.environ["READINGS_BASE"]
        self.session = requests.Session()
        self.session.auth = SignIn()
        self.session.headers["Accept"] = "application/fhir+json"

    def request(self, method: str, url: str, **more: Any) -> requests.Response:
        """Send what may be sent twice; `url` is below the base, or a link that the server gave."""
        whole = url if url.startswith(f"{self.base}/") else f"{self.base}/{url}"
        for attempt in range(1, TRIES + 1):
            try:
                answer = self.session.request(method, whole, timeout=WITHIN_S, allow_redirects=False, **more)
            except (requests.ConnectionError, requests.Timeout) as fault:
                if attempt == TRIES:
                    raise SystemExit(f"{whole}: no answer, {type(fault).__name__}") from fault
                time.sleep(2**attempt)
                continue
            if answer.status_code not in LATER or attempt == TRIES:
                break
            time.sleep(seconds_to_wait(answer, 2.0**attempt))
        if answer.status_code >= 300:
            raise SystemExit(f"{method} {whole} was answered {answer.status_code}: {reason(answer)}")
        return answer

    def search(self, type_: str, **parameters: Any) -> Iterator[dict[str, Any]]:
        """Every resource that a search finds, page by page; a warning of the server is an error of ours."""
        answer = self.request("GET", type_, params=parameters, headers={"Prefer": "handling=strict"})
        while True:
            page = answer.json()
            yield from (row["resource"] for row in page.get("entry", ()) if row["search"]["mode"] != "outcome")
            following = [link["url"] for link in page["link"] if link["relation"] == "next"]
            if not following:
                return
            answer = self.request("GET", following[0])
