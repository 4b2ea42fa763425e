"""AuditEvent (http://hl7.org/fhir/R4/auditevent.html): one access of one client, seen by the server.

The shape is that of IHE Basic Audit Log Patterns 1.1.4 (Read, Query, Create, Update and their Patient forms: action,
agents with their network, entities). Its profiles are not claimed: they ask for codings of an entity's type that are
not among this project's verified codes, so the request id is told apart by the system of its identifier instead.
"""

from base64 import b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from http import HTTPStatus
from ipaddress import ip_address
from typing import Any, NamedTuple

from service.fhir.build.frame import Frame

Tree = dict[str, Any]

IP_ADDRESS, MACHINE_NAME, URI = "2", "1", "5"  # http://hl7.org/fhir/R4/valueset-network-type.html
SUCCESS, MINOR_FAILURE, SERIOUS_FAILURE = "0", "4", "8"  # http://hl7.org/fhir/R4/valueset-audit-event-outcome.html
ANONYMOUS = "anonymous client"


class Kind(NamedTuple):
    """How one kind of access is coded: AuditEvent.type, its subtype where it is a RESTful one, and the action."""

    type: str
    subtype: str | None
    action: str


REST, IMPORT, PATIENT_RECORD, QUERY = "rest", "110107", "110110", "110112"
KINDS: Mapping[str, Kind] = {
    "read": Kind(REST, "read", "R"),
    "vread": Kind(REST, "vread", "R"),
    "history-instance": Kind(REST, "history-instance", "R"),
    "history-system": Kind(REST, "history-system", "E"),
    "search-type": Kind(REST, "search-type", "E"),
    "search-system": Kind(REST, "search-system", "E"),
    "create": Kind(REST, "create", "C"),
    "update": Kind(REST, "update", "U"),
    "patch": Kind(REST, "patch", "U"),
    "delete": Kind(REST, "delete", "D"),
    "transaction": Kind(REST, "transaction", "E"),
    "batch": Kind(REST, "batch", "E"),
    "operation": Kind(REST, "operation", "E"),
    "import": Kind(IMPORT, None, "C"),
    "preview": Kind(IMPORT, None, "E"),
    "patient-record": Kind(PATIENT_RECORD, None, "R"),
    "query": Kind(QUERY, None, "E"),
}


@dataclass(frozen=True, slots=True)
class Access:
    """What a client asked and how it was answered. `data`: references to what the access was about."""

    kind: str
    at: datetime
    request_id: str
    status: int
    client: str  # network address, empty where it is not known
    server: str  # public base
    who: str = ""  # id of a signed-in client, empty for an anonymous one
    request: str = ""  # request line of a query as received, form of a search included
    cleaned: str = ""  # the same as it was understood: the self link
    data: tuple[str, ...] = ()
    patient: str = ""  # id of the Patient


def audit_event(frame: Frame, own: str, access: Access) -> Tree:
    """AuditEvent of an access to the data of one patient, or of none."""
    kind = KINDS[access.kind]
    moment = access.at.isoformat(timespec="milliseconds")
    built: Tree = {
        "resourceType": "AuditEvent",
        "id": own,
        "meta": {"versionId": "1", "lastUpdated": moment},
        "type": _coding(frame, "audit-type", kind.type),
    }
    if kind.subtype:
        built["subtype"] = [_coding(frame, "audit-interaction", kind.subtype)]
    built["action"] = kind.action
    built["recorded"] = moment
    built["outcome"] = outcome_of(access.status)
    if access.status >= HTTPStatus.BAD_REQUEST:
        built["outcomeDesc"] = f"HTTP {access.status}"
    built["agent"] = _agents(frame, access, reading=kind.action == "R")
    built["source"] = {
        "site": frame.site,
        "observer": _software(frame),
        "type": [_coding(frame, "audit-source", "4")],
    }
    built["entity"] = list(_entities(frame, access))
    return built


def outcome_of(status: int) -> str:
    """Code of AuditEvent.outcome for a status: a refusal is a minor failure, a fault of the server a serious one."""
    if status < HTTPStatus.BAD_REQUEST:
        return SUCCESS
    return MINOR_FAILURE if status < HTTPStatus.INTERNAL_SERVER_ERROR else SERIOUS_FAILURE


def _agents(frame: Frame, access: Access, reading: bool) -> list[Tree]:
    """Client and server. Of a read the client is where the data goes; in all else it is the source of the message."""
    client_role, server_role = ("110152", "110153") if reading else ("110153", "110152")
    client: Tree = {
        "type": frame.terms.hl7("audit-agent", client_role),
        "who": _client(frame, access.who),
        "requestor": True,
    }
    if access.client:
        client["network"] = {"address": access.client, "type": _network_type(access.client)}
    server: Tree = {
        "type": frame.terms.hl7("audit-agent", server_role),
        "who": _software(frame),
        "requestor": False,
        "network": {"address": access.server, "type": URI},
    }
    return [client, server]


def _client(frame: Frame, who: str) -> Tree:
    if not who:
        return {"display": ANONYMOUS}
    return {"identifier": {"system": f"{frame.terms.base}/sid/client", "value": who}}


def _network_type(address: str) -> str:
    try:
        ip_address(address)
    except ValueError:
        return MACHINE_NAME
    return IP_ADDRESS


def _software(frame: Frame) -> Tree:
    version = frame.software_version
    return {
        "identifier": {"system": f"{frame.terms.base}/software", "value": f"closure-readings/{version}"},
        "display": f"closure-readings {version}",
    }


def _entities(frame: Frame, access: Access) -> list[Tree]:
    """The request id always; the data, the query and the patient where the access had them."""
    identifier = {"system": f"{frame.terms.base}/sid/request", "value": access.request_id}
    found: list[Tree] = [{"what": {"identifier": identifier}}]
    data_role = _coding(frame, "audit-role", "4")
    found += [{"what": {"reference": reference}, "role": data_role} for reference in access.data]
    if access.request:
        query: Tree = {"role": _coding(frame, "audit-role", "24")}
        if access.cleaned:
            query["description"] = access.cleaned
        found.append({**query, "query": b64encode(access.request.encode()).decode()})
    if access.patient:
        found.append({"what": {"reference": f"Patient/{access.patient}"}, "role": _coding(frame, "audit-role", "1")})
    return found


def _coding(frame: Frame, name: str, code: str) -> Tree:
    found: Tree = frame.terms.hl7(name, code)["coding"][0]
    return found
