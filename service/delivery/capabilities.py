"""What another server says it takes (http://hl7.org/fhir/R4/capabilitystatement.html), held against what we send."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import orjson

from service.delivery.destination import SENDABLE, Destination
from service.delivery.faults import DeliveryFault, DestinationFault, Temporary
from service.delivery.judging import judge
from service.delivery.messages_way import peer_trust
from service.delivery.sign_in import sign_in_of, token_endpoint
from service.delivery.transport import MEDIA_TYPE, Transport
from service.hl7v2.mllp import reach

Tree = Mapping[str, Any]
R4 = ("4.0.", "4.0")
OWN_NAME = "closure-readings"  # as our own CapabilityStatement says it
IS_OURS = "it is this service, or another of its kind: what it derives it takes from nobody; send it the readings"
JSON = frozenset({"json", "application/fhir+json", "application/json"})


@dataclass(frozen=True, slots=True)
class Findings:
    """`notes`: what the server is; `problems`: what it will not accept; `proposal`: options that would fit, if any."""

    notes: Sequence[str]
    problems: Sequence[str]
    proposal: str


def read_capabilities(destination: Destination, timeout_s: float, clock: Callable[[], datetime]) -> Findings:
    """Ask the server and judge its statement; DeliveryFault where it cannot be had."""
    transport = Transport(destination, timeout_s)
    try:
        status, body = transport.get(f"{destination.url}/metadata", {"Accept": MEDIA_TYPE})
        judge(status, {}, body, clock())
        findings = findings_of(_statement(body), destination)
        return _with_sign_in(findings, destination, transport, clock)
    finally:
        transport.close()


def reach_peer(destination: Destination, timeout_s: float) -> Findings:
    """Whether the peer of messages can be connected to. MLLP has no way to ask what it takes, and nothing is sent."""
    host, port = destination.peer
    tls = peer_trust(destination)
    fault = reach(host, port, tls, timeout_s)
    if fault is not None:
        return Findings([], [f"{host}:{port} cannot be reached: {fault}"], "")
    line = "with TLS, its certificate is trusted" if tls else "without TLS"
    return Findings([f"{host}:{port} can be reached, {line}; what it takes shows with the first message"], [], "")


def findings_of(statement: Tree, destination: Destination) -> Findings:
    """What a CapabilityStatement says about what a destination would be sent. Nothing is asked of anybody."""
    server = next((each for each in _trees(statement, "rest") if each.get("mode") == "server"), {})
    offered = {str(each.get("type")): each for each in _trees(server, "resource")}
    software = statement.get("software", {})
    named = f"{software.get('name', 'a server')} {software.get('version', '')}".strip()
    notes = [f"{named}, FHIR {statement.get('fhirVersion', 'of unknown version')}"]
    problems = [*_of_server(statement, server)]
    refused: dict[str, list[str]] = {}
    for type_ in destination.sent_types:
        if why := _why_not(offered, type_, destination):
            refused.setdefault(why, []).append(type_)
    problems += [f"{', '.join(types)}: {why}" for why, types in refused.items()]
    if software.get("name") == OWN_NAME:
        return Findings(notes, [IS_OURS, *problems], "")
    return Findings(notes, problems, _proposal(offered, destination) if refused else "")


def _of_server(statement: Tree, server: Tree) -> list[str]:
    found = []
    version = str(statement.get("fhirVersion", ""))
    if not version.startswith(R4):
        found.append(f"it speaks FHIR {version or 'of unknown version'}, not R4")
    if not JSON & set(map(str, statement.get("format", ()))):
        found.append("it does not offer JSON")
    if "transaction" not in {each.get("code") for each in _trees(server, "interaction")}:
        found.append("it does not offer transactions")
    return found


def _why_not(offered: Mapping[str, Tree], type_: str, destination: Destination) -> str:
    """Why a type would be refused; empty where nothing speaks against it."""
    resource = offered.get(type_)
    if resource is None:
        return "is not offered"
    verbs = {each.get("code") for each in _trees(resource, "interaction")}
    if "update" not in verbs:
        return "update is not offered"
    if destination.assigns_ids:
        if "create" not in verbs:
            return "create is not offered"
        return "" if resource.get("conditionalCreate") is True else "conditional create is not offered"
    return "" if resource.get("updateCreate") is True else "our own ids are not taken (updateCreate)"


def _proposal(offered: Mapping[str, Tree], destination: Destination) -> str:
    """Options under which most types would be taken: the way of writing, and the types that go."""
    wishes = [replace(destination, writing=writing, types=()) for writing in ("put", "conditional")]
    taken = [[each for each in wish.sent_types if not _why_not(offered, each, wish)] for wish in wishes]
    best = max(range(len(wishes)), key=lambda place: len(taken[place]))  # the first, put, where both take as many
    if not taken[best]:
        return ""
    everything = len(taken[best]) == len(wishes[best].sent_types)
    types = "" if everything else "".join(f" --type {each}" for each in SENDABLE if each in taken[best])
    return f"--writing {wishes[best].writing}{types}"


def _with_sign_in(
    findings: Findings, destination: Destination, transport: Transport, clock: Callable[[], datetime]
) -> Findings:
    """Try the sign-in that is set; where none is, tell whether the server knows SMART."""
    problems, notes, proposal = list(findings.problems), list(findings.notes), findings.proposal
    try:
        if destination.sign_in == "none" and IS_OURS not in problems:
            endpoint = token_endpoint(destination, transport)
            notes.append(f"it has a token endpoint: {endpoint}")
            proposal = f"{proposal} --sign-in smart --client-id ID --secret-file FILE".strip()
        elif destination.sign_in != "none":
            sign_in_of(destination, transport, clock).headers()
            notes.append(
                f"sign-in {destination.sign_in} works" if destination.sign_in == "smart" else "token file read"
            )
    except DestinationFault as fault:
        problems.append(str(fault))
    except Temporary as fault:
        if destination.sign_in != "none":
            problems.append(f"sign-in: {fault}")
    return Findings(notes, problems, proposal)


def _statement(body: bytes) -> Tree:
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        found = None
    if not isinstance(found, dict) or found.get("resourceType") != "CapabilityStatement":
        raise DeliveryFault("/metadata is answered with no CapabilityStatement")
    return found


def _trees(value: Tree, key: str) -> list[Tree]:
    listed = value.get(key)
    return [each for each in listed if isinstance(each, dict)] if isinstance(listed, list) else []
