"""What left the house, in the audit record: an AuditEvent for each Bundle that a destination answered.

The event is that of a transaction with this service as its client (`service.fhir.build.audit_event`); its agents are
told the other way round: the data goes from here to there.
"""

from datetime import datetime

from service.delivery.destination import Destination
from service.delivery.gathering import Outgoing, Parcel
from service.fhir.build.audit_event import KINDS, URI, Access, audit_event, outcome_of
from service.projection import Site
from service.search.dates import microseconds
from service.store.audit import AuditRow, event_id

KIND = "transaction"


def disclosed(
    site: Site,
    destination: Destination,
    parcel: Parcel,
    sent: list[Outgoing],
    status: int,
    request_id: str,
    at: datetime,
) -> AuditRow:
    """The event of one answered Bundle; it names every version that was in it."""
    data = tuple(f"{one.key[0]}/{one.key[1]}/_history/{one.version}" for one in sent)
    access = Access(KIND, at, request_id, status, "", destination.url, data=data, patient=parcel.patient)
    own = event_id(microseconds(at))
    event = audit_event(site.frame, own, access)
    here, there = event["agent"][1], event["agent"][0]
    source, target = there["type"], here["type"]
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
    return AuditRow(own, parcel.patient, KINDS[KIND].action, outcome_of(status), request_id, sound.content)
