"""ORU^R01 of one entry: MSH, PID, PV1, OBR and the OBX of its Observations. HL7 v2.5.1 chapters 2, 3 and 7.

A pure function of stored resources: no clock. The message says as its time when the newest of its Observations was
stored, and its control id is a digest of the rest of it. So the same content is the same message, a receiver that got
it twice can tell, and a correction is another message.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from service.hl7v2.observations import Vocabulary, note_segments, observation_segments, person
from service.hl7v2.segments import components, escaped, header, message, moment, repetitions, segment

Tree = Mapping[str, Any]
CONTROL_ID_LENGTH = 20  # of MSH-10, by v2.5.1
_DIGITS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True)
class Envelope:
    """Who sends to whom, as MSH names them, and how the hospital calls its identifier systems."""

    sending_facility: str
    sending_application: str = "CLOSURE-READINGS"
    receiving_application: str = ""
    receiving_facility: str = ""
    processing_id: str = "P"  # table 0103: P production, T training, D debugging
    authorities: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Charted:
    """What is told of one entry: its kind, its Observations, and whom and what they are about."""

    course_id: str
    entry_id: str
    kind: str
    observations: Sequence[Tree]
    patient: Tree
    notes: Sequence[str] = ()  # what was charted in words
    encounter: Tree | None = None
    wound: Tree | None = None  # the BodyStructure
    devices: Mapping[str, Tree] = field(default_factory=dict)  # Devices by the reference that Observations have


def oru_r01(charted: Charted, envelope: Envelope, words: Vocabulary) -> bytes:
    """The message, UTF-8. ValueError for an entry without Observations."""
    if not charted.observations:
        raise ValueError("the entry has no Observations")
    ranks = words.ranks()
    told = sorted((each for each in charted.observations if "hasMember" not in each), key=lambda o: _order(o, ranks))
    stored_at = moment(max(each["meta"]["lastUpdated"] for each in charted.observations))
    body = [
        _patient(charted.patient, words),
        _visit(charted.encounter, words),
        _request(charted, stored_at, words),
        *note_segments(charted.notes, words),
        *observation_segments(told, charted.devices, words),
    ]
    return message([_header(envelope, stored_at, body, words), *body])


def _header(envelope: Envelope, stored_at: str, body: Sequence[str], words: Vocabulary) -> str:
    of = words.codes.of
    fields = {
        3: escaped(envelope.sending_application),
        4: escaped(envelope.sending_facility),
        5: escaped(envelope.receiving_application),
        6: escaped(envelope.receiving_facility),
        7: stored_at,
        9: components(of("message", "type"), of("message", "event"), of("message", "structure")),
        11: escaped(envelope.processing_id),
        12: of("message", "version"),
        18: of("message", "character-set"),
    }
    named = "\r".join([header(fields), *body])
    fields[10] = sha256(named.encode()).hexdigest()[:CONTROL_ID_LENGTH].upper()
    return header(fields)


def _patient(patient: Tree, words: Vocabulary) -> str:
    kind = words.codes.of("identifier-type", "patient")
    return segment(
        "PID",
        {
            1: "1",
            3: _identifiers(patient, kind, words),
            5: _name(patient, words),
            7: moment(patient["birthDate"]) if "birthDate" in patient else "",
            8: words.codes.of("sex", patient["gender"]) if "gender" in patient else "",
        },
    )


def _name(patient: Tree, words: Vocabulary) -> str:
    """The first name as XPN; where no name was told, one of type unknown, since PID-5 must be there."""
    names = patient.get("name", ())
    if not names:
        return components(*[""] * 6, words.codes.of("name-type", "unknown"))
    given = [escaped(each) for each in names[0].get("given", ())]
    return components(escaped(names[0].get("family", "")), *given[:1], " ".join(given[1:]))


def _visit(encounter: Tree | None, words: Vocabulary) -> str:
    fields = {1: "1", 2: words.codes.of("patient-class", "unknown")}
    if encounter is not None:
        fields[19] = _identifiers(encounter, words.codes.of("identifier-type", "visit"), words, most=1)
    return segment("PV1", fields)


def _identifiers(resource: Tree, kind: str, words: Vocabulary, most: int | None = None) -> str:
    """Identifiers as CX."""
    return repetitions(
        components(escaped(each.get("value", "")), "", "", words.authority(each.get("system", ""), "&"), kind)
        for each in resource.get("identifier", ())[:most]
    )


def _request(charted: Charted, stored_at: str, words: Vocabulary) -> str:
    """OBR: the entry as an observation request that this service filled."""
    first = charted.observations[0]
    system = first["identifier"][0]["system"]
    performers = next((each["performer"] for each in charted.observations if "performer" in each), ())
    filler = components(escaped(f"{charted.course_id}/{charted.entry_id}"), words.authority(system))
    section = words.terms.hl7("report-category", "NRS")["coding"][0]["code"]
    return segment(
        "OBR",
        {
            1: "1",
            3: filler,
            4: words.concept(words.codes.of("service", charted.kind)),
            7: moment(first["effectiveDateTime"]),
            10: "~".join(person(each, words) for each in performers),
            13: escaped(_wound(charted.wound)),
            22: stored_at,
            24: section,
            25: words.codes.of("report-status", _status(charted.observations)),
        },
    )


def _wound(wound: Tree | None) -> str:
    """Which wound: a patient may have two courses at once."""
    if wound is None:
        return ""
    side = [each["text"] for each in wound.get("locationQualifier", ())]
    return " ".join([*side, wound["location"]["text"]])


def _status(observations: Sequence[Tree]) -> str:
    found = {each["status"] for each in observations}
    if found == {"entered-in-error"}:
        return "entered-in-error"
    return "final" if found == {"final"} else "corrected"


def _order(observation: Tree, ranks: Mapping[tuple[str, str], int]) -> tuple[int, str, list[tuple[int, int, str]]]:
    """By the concept's place in the tables, then by identifier with numbers as numbers: gap/30 before gap/150."""
    first = observation["code"]["coding"][0]
    parts = _DIGITS.split(observation["identifier"][0]["value"])
    natural = [(0, int(part), "") if part.isdigit() else (1, 0, part) for part in parts]
    return ranks.get((first["system"], first["code"]), len(ranks)), observation["effectiveDateTime"], natural
