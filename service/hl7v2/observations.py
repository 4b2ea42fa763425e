"""OBX of Observations: identifier, value, units, range, flags, status, time, who and how. Chapter 7 of v2.5.1.

A standard code stands first and the own code beside it, also where the standard code says less ("wider"): many engines
look at the first alone. Standard codes that say more or something else are left out, since a receiver that reads one
code would take it for the whole truth.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.fhir.build.values import digits
from service.hl7v2.codes import V2Codes
from service.hl7v2.segments import components, escaped, lines_of, moment, segment, subcomponents
from service.terminology import Concept, Terminology

Tree = Mapping[str, Any]
_SAYS_ENOUGH = frozenset({"equal", "equivalent", "wider", "subsumes"})
_ABSENT = "absent"
LONGEST_ST = 199  # characters of data type ST, by v2.5.1
_FORMULA = re.compile(r"\((formula .*)\)$")


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """The words of both sides: mapping tables of FHIR and of v2, and the names that a hospital gives to its systems."""

    terms: Terminology
    codes: V2Codes
    authorities: Mapping[str, str] = field(default_factory=dict)  # identifier system -> name of the assigning authority

    def coded(self, concept: Tree) -> str:
        """A CodeableConcept as CE: two codings at most, and the text as original text where there is none."""
        codings = [each for each in concept.get("coding", ()) if self._system_name(each.get("system", ""))]
        standard = [each for each in codings if each["system"] != self.terms.local_system]
        own = [each for each in codings if each["system"] == self.terms.local_system]
        known = self._concept(own[0]["code"]) if own else None
        if known is not None:
            enough = {row["code"] for row in known.standard if row["equivalence"] in _SAYS_ENOUGH}
            standard = [each for each in standard if each["code"] in enough]
        chosen = [*standard, *own][:2]
        if not chosen:
            return components("", escaped(concept.get("text", "")))
        return components(*(part for each in chosen for part in self._coding(each)))

    def concept(self, key: str) -> str:
        """A concept of the tables as CE."""
        return self.coded(self.terms.concept(key))

    def unit(self, quantity: Tree) -> str:
        """The unit of a Quantity as CE, in UCUM."""
        name = self.codes.of("coding-system", "ucum")
        return components(escaped(quantity["code"]), escaped(quantity.get("unit", "")), name)

    def authority(self, system: str, separator: str = "^") -> str:
        """An identifier system as HD: the hospital's name for it where there is one, and the URI."""
        name = self.authorities.get(system, "")
        parts = (escaped(name), escaped(system), self.codes.of("universal-id", "uri")) if system else (escaped(name),)
        return subcomponents(*parts) if separator == "&" else components(*parts)

    def truth(self, value: bool) -> str:
        """Yes or no as CE, since OBX has no boolean."""
        code = self.codes.of("truth", "true" if value else "false")
        return components(code, "Yes" if value else "No", self.codes.of("truth", "system"))

    def ranks(self) -> dict[tuple[str, str], int]:
        """The place in concepts.csv of what stands first in an Observation's code, by system and code."""
        firsts = [self.terms.coding(key) for key in self.terms.concepts]
        return {(each["system"], each["code"]): place for place, each in reversed(list(enumerate(firsts)))}

    def _concept(self, code: str) -> Concept | None:
        return next((each for each in self.terms.concepts.values() if each.code == code), None)

    def _coding(self, coding: Tree) -> tuple[str, str, str]:
        return escaped(coding["code"]), escaped(coding.get("display", "")), self._system_name(coding["system"])

    def _system_name(self, url: str) -> str:
        key = next((key for key, each in self.terms.systems.items() if each == url), "")
        return self.codes.get("coding-system", key) or ""


def observation_segments(observations: Sequence[Tree], devices: Mapping[str, Tree], words: Vocabulary) -> list[str]:
    """OBX, each with its NTE, of every Observation and component that holds a value or the reason why it has none.

    Who charted it, by which method and on which device stands on the first OBX of an Observation. `devices`: the
    Devices that are referred to, by reference.
    """
    found: list[str] = []
    number = 0
    for place, observation in enumerate(observations, 1):
        origin = _origin(observation, devices, words)
        for sub_id, part in _parts(observation, place):
            number += 1
            fields = {1: str(number), 4: sub_id, **_result(part, observation, words), **origin}
            found += [segment("OBX", fields), *note_segments(_notes(part), words)]
            origin = {}
    return found


def note_segments(texts: Iterable[str], words: Vocabulary) -> list[str]:
    """NTE, one for each line of the texts."""
    source = words.codes.of("comment-source", "filler")
    lines = [line for text in texts for line in lines_of(text) if line.strip()]
    return [segment("NTE", {1: str(number), 2: source, 3: escaped(line)}) for number, line in enumerate(lines, 1)]


def person(reference: Tree, words: Vocabulary) -> str:
    """A logical reference to who charted as XCN; the name as it was charted, whole, in the place of the family name."""
    identifier = reference.get("identifier", {})
    system, display = identifier.get("system", ""), escaped(reference.get("display", "")[:LONGEST_ST])
    authority = words.authority(system, "&") if system else ""
    return components(escaped(identifier.get("value", "")), display, *[""] * 6, authority)


def _parts(observation: Tree, place: int) -> Iterator[tuple[str, Tree]]:
    """The Observation itself where it says something, then its components, with their sub-ids."""
    if _value_name(observation) or "dataAbsentReason" in observation:
        yield str(place), observation
    for number, component in enumerate(observation.get("component", ()), 1):
        yield f"{place}.{number}", component


def _result(part: Tree, observation: Tree, words: Vocabulary) -> dict[int, str]:
    status = observation["status"]
    if status != "entered-in-error" and "dataAbsentReason" in part:
        status = _ABSENT
    fields = {3: words.coded(part["code"]), **_value(part, words), 11: words.codes.of("observation-status", status)}
    fields[7] = _range(part.get("referenceRange", ()))
    fields[8] = "~".join(each["coding"][0]["code"] for each in part.get("interpretation", ()))
    fields[14] = moment(observation["effectiveDateTime"])
    return fields


def _origin(observation: Tree, devices: Mapping[str, Tree], words: Vocabulary) -> dict[int, str]:
    """Fields 16 to 18: who, by which method, on which device; the device by its identifier, which names the band."""
    fields = {16: "~".join(person(each, words) for each in observation.get("performer", ()))}
    if "method" in observation:
        fields[17] = components("", escaped(_method(observation["method"]["text"])))
    device = devices.get(observation.get("device", {}).get("reference", ""))
    if device is not None:
        named = device["identifier"][0]
        fields[18] = components(escaped(named["value"]), words.authority(named["system"]))
    return fields


def _method(text: str) -> str:
    """Which formula, policy and versions; the formula's own words (docs/metrics.md) are longer than ST may be."""
    found = _FORMULA.search(text)
    return (found[1] if found else text)[:LONGEST_ST]


def _value(part: Tree, words: Vocabulary) -> dict[int, str]:
    """Fields 2, 5 and 6; none where the value is absent."""
    match _value_name(part):
        case "valueQuantity":
            quantity = part["valueQuantity"]
            return {2: "NM", 5: digits(quantity["value"]), 6: words.unit(quantity)}
        case "valueInteger":
            return {2: "NM", 5: str(part["valueInteger"])}
        case "valueCodeableConcept":
            return {2: "CE", 5: words.coded(part["valueCodeableConcept"])}
        case "valueBoolean":
            return {2: "CE", 5: words.truth(part["valueBoolean"])}
        case "valueDateTime":
            return {2: "TS", 5: moment(part["valueDateTime"])}
        case "valueString":
            return {2: "TX", 5: escaped(part["valueString"])}
        case None:
            return {}
        case other:
            raise ValueError(f"{other} has no place in an OBX yet")


def _value_name(part: Tree) -> str | None:
    return next((name for name in part if name.startswith("value")), None)


def _range(ranges: Sequence[Tree]) -> str:
    """Numeric range as text: `1.5-2.0`; `>=30` where there is no upper limit, since FHIR's limits belong to it."""
    if not ranges:
        return ""
    low, high = (ranges[0].get(side, {}).get("value") for side in ("low", "high"))
    if low is not None and high is not None:
        return f"{digits(low)}-{digits(high)}"
    return f">={digits(low)}" if low is not None else f"<={digits(high)}" if high is not None else ""


def _notes(part: Tree) -> list[str]:
    absent = part.get("dataAbsentReason", {})
    said = [absent["text"]] if "text" in absent else [each["display"] for each in absent.get("coding", ())[:1]]
    return [*said, *(each["text"] for each in part.get("note", ()))]
