"""What left the house, in the audit record: an AuditEvent for each Bundle or message that a destination answered.

The event of a Bundle is that of a transaction with this service as its client (`service.fhir.build.audit_event`), that
of a message the reading of a patient's record; its agents are told anew: the data goes from here to there.
"""

from datetime import datetime

from service.delivery.destination import Destination
from service.delivery.ways import Turn
from service.fhir.build.audit_event import KINDS, URI, Access, audit_event, outcome_of
from service.projection import Site
from service.search.dates import microseconds
from service.store.audit import AuditRow, event_id

BUNDLE, MESSAGE = "transaction", "patient-record"


def disclosed(site: Site, destination: Destination, turn: Turn, status: int, request_id: str, at: datetime) -> AuditRow:
    """The event of one answer; it names every version that was sent."""
    kind = MESSAGE if destination.by_message else BUNDLE
    data = tuple(turn.told)
    access = Access(kind, at, request_id, status, "", destination.url, data=data, patient=turn.patient)
    own = event_id(microseconds(at))
    event = audit_event(site.frame, own, access)
    if destination.by_message and "outcomeDesc" in event:
        event["outcomeDesc"] = "acknowledged as refused"  # there is no HTTP whose status could be told
    there, here = event["agent"]
    first, second = there["type"], here["type"]
    source, target = (second, first) if KINDS[kind].action == "R" else (first, second)
    event["agent"] = [
        {"type": source, "who": here["who"], "requestor": True},
        {
            "type": target,
            "who": {"display": f"destination {destination.name}"},
            "requestor": False,
            "network": {"address": destination.url, "type": URI},
        },
    ]
    sound = site.sound(None, event)
    return AuditRow(own, turn.patient, KINDS[kind].action, outcome_of(status), request_id, sound.content)
