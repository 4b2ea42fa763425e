"""Sending by FHIR: the resources of a course as one transaction Bundle over HTTP."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import orjson

from service.delivery.answers import Became, read_answer
from service.delivery.bundle import condition, ordered, remote_id, transaction
from service.delivery.destination import Destination
from service.delivery.faults import Refused, Temporary
from service.delivery.gathering import Outgoing, Parcel, Prepare, gather
from service.delivery.judging import LONGEST_WORDS, judge
from service.delivery.sign_in import SignIn, sign_in_of
from service.delivery.translations import Translations, read_translations
from service.delivery.transport import Transport
from service.delivery.ways import Answered
from service.fhir import wire
from service.fhir.validate import check, is_valid
from service.store import Reading

NOT_SENT = 0  # in place of a status


class ResourcesWay:
    """Bundles to a FHIR server."""

    def __init__(
        self,
        destination: Destination,
        tables: Path,
        clock: Callable[[], datetime],
        timeout_s: float,
        prepare: Prepare,
    ) -> None:
        """DestinationFault or TerminologyFault where the settings cannot be used."""
        self._destination = destination
        self._translations: Translations = read_translations(tables, destination.site, destination.name)
        self._clock = clock
        self._prepare = prepare
        self._transport = Transport(destination, timeout_s)
        self._sign_in: SignIn = sign_in_of(destination, self._transport, clock)

    def gather(self, reading: Reading, patient: str) -> Parcel | None:
        """The waiting writes of one course as it stands now."""
        return gather(reading, self._destination, patient, self._prepare)

    def send(self, turn: Parcel, request_id: str) -> Answered:
        """One transaction; what was there before without our knowing what it says is written over next time."""
        sent = ordered(turn)
        bundle = transaction(turn, self._destination, self._translations)
        _check(bundle)
        headers = {"X-Request-Id": request_id} | self._sign_in.headers()
        answer = self._transport.post(self._destination.url, wire.write(bundle), headers)
        if answer.status == 401:
            self._sign_in.refused()
        judge(answer.status, answer.headers, answer.body, self._clock())
        ids = [remote_id(one, self._destination) for one in sent]
        became = [self._named(each, one) for each, one in zip(read_answer(answer.body, sent, ids), sent, strict=True)]
        return Answered([each.row for each in became], all(each.settled for each in became), answer.status)

    def close(self) -> None:
        """Close the connection."""
        self._transport.close()

    def _named(self, became: Became, one: Outgoing) -> Became:
        """With the id that the server gave, looked up where the answer did not say it."""
        if became.row.remote_id:
            return became
        url = f"{self._destination.url}/{one.key[0]}?{condition(one.resource)}"
        status, body = self._transport.get(url, {"Accept": "application/fhir+json", **self._sign_in.headers()})
        judge(status, {}, body, self._clock())
        found = _ids(body)
        if len(found) != 1:
            told = f"the answer names no id, and a search by identifier finds {len(found)} of type {one.key[0]}"
            raise Refused(told, told, status)
        return became._replace(row=became.row._replace(remote_id=found[0]))


def _check(bundle: dict[str, Any]) -> None:
    """Nothing unsound leaves the house: Refused with what is wrong, as if the other server had said so."""
    resources = [entry["resource"] for entry in bundle["entry"]]
    errors = [issue for each in resources if not is_valid(each) for issue in check(each) if issue.severity == "error"]
    if errors:
        words = "; ".join(f"{issue.code} at {issue.expression}: {issue.diagnostics}" for issue in errors)
        raise Refused("our own Bundle is not sound R4", f"not sent, not sound R4: {words}"[:LONGEST_WORDS], NOT_SENT)


def _ids(body: bytes) -> list[str]:
    """Ids of the resources that a search found."""
    try:
        found = orjson.loads(body)
        entries = found.get("entry", [])
        return [each["resource"]["id"] for each in entries if each.get("search", {}).get("mode", "match") == "match"]
    except (orjson.JSONDecodeError, AttributeError, KeyError, TypeError) as fault:
        raise Temporary("a success without the answer to a search") from fault
