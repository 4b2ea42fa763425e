"""`$translate` (http://hl7.org/fhir/R4/conceptmap-operation-translate.html) by the one map that is published here.

`result` is true where a match means something; `unmatched` is answered as a match without a concept, as the map says.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from service.fhir.operations.inputs import Inputs, Refused
from service.fhir.published import Published

Tree = dict[str, Any]
_MEANINGLESS = frozenset({"unmatched", "disjoint"})
KNOWN = frozenset(
    {"url", "conceptMapVersion", "code", "system", "version", "source", "coding", "codeableConcept", "target"}
    | {"targetsystem", "reverse"}
)
NO_MATCH = "the map has no such code, or no target of the kind that was asked for"
NOT_SERVED = ("conceptMap", "dependency")


class Coding(NamedTuple):
    """A code with its system."""

    system: str
    code: str


def translate(published: Published, asked: Inputs, map_id: str | None = None) -> Tree:
    """The Parameters that answer; `map_id` where one map is addressed. Raises Refused for what cannot be asked."""
    for name in asked.names:
        if name not in KNOWN:
            raise Refused(f"{name}: not supported here" if name in NOT_SERVED else f"{name}: no such parameter")
    if asked.text("reverse") not in (None, "false"):
        raise Refused("reverse: translations are given from own codes to standard ones only")
    concept_map = _concept_map(published, asked, map_id)
    codings = _codings(asked)
    if why := _out_of_scope(published, asked):
        return _answer([], why, concept_map["url"])
    wanted = _wanted(published, asked)
    matches = [match for coding in codings for match in _matches(concept_map, coding, wanted)]
    said = "; ".join(dict.fromkeys(match.said for match in matches if match.said))
    return _answer(matches, said if matches else NO_MATCH, concept_map["url"])


def _concept_map(published: Published, asked: Inputs, map_id: str | None) -> Tree:
    url, version = asked.text("url"), asked.text("conceptMapVersion")
    found = published.by_url("ConceptMap", url) if url else None
    if map_id is not None:
        addressed = published.artefact("ConceptMap", map_id)
        if url and found != addressed:
            raise Refused("url: is not that of the map that is addressed")
        found = addressed
    elif url is None:
        found = next(iter(published.all("ConceptMap")), None)
    if found is None or version not in (None, found.resource["version"]):
        raise Refused("this server has no such concept map", 404)
    return found.resource


def _codings(asked: Inputs) -> list[Coding]:
    given = [name for name in ("code", "coding", "codeableConcept") if asked.one(name) is not None]
    if len(given) != 1:
        raise Refused("give one of code (with system), coding and codeableConcept")
    if given == ["code"]:
        system = asked.text("system")
        if not system:
            raise Refused("system: needed beside code")
        return [Coding(system, asked.text("code") or "")]
    concept = asked.object("codeableConcept")
    codings = [asked.object("coding") or {}] if concept is None else concept.get("coding", [])
    found = [Coding(each["system"], each["code"]) for each in codings if {"system", "code"} <= each.keys()]
    if not found:
        raise Refused(f"{given[0]}: a system and a code are needed")
    return found


def _out_of_scope(published: Published, asked: Inputs) -> str:
    """Why the value sets that were named make a translation impossible; empty where they do not."""
    for name in ("source", "target"):
        value_set = asked.text(name)
        if value_set and _value_set(published, value_set) is None:
            return f"the {name} value set is none that this server maps"
    return ""


def _value_set(published: Published, named: str) -> Tree | None:
    """By canonical URL, by relative reference or by id."""
    found = published.by_url("ValueSet", named) or published.artefact("ValueSet", named.removeprefix("ValueSet/"))
    return found.resource if found else None


def _wanted(published: Published, asked: Inputs) -> "_Targets":
    value_set = _value_set(published, asked.text("target") or "")
    return _Targets(asked.text("targetsystem"), None if value_set is None else value_set["compose"]["include"])


class _Targets(NamedTuple):
    """Which targets are sought: of a system, of a value set, or any."""

    system: str | None
    include: Sequence[Tree] | None

    def hold(self, coding: Coding) -> bool:
        if self.system not in (None, coding.system):
            return False
        return self.include is None or any(_includes(part, coding) for part in self.include)


def _includes(part: Mapping[str, Any], coding: Coding) -> bool:
    listed: Collection[str] | None = [each["code"] for each in part["concept"]] if "concept" in part else None
    return part["system"] == coding.system and (listed is None or coding.code in listed)


class Match(NamedTuple):
    """One target of the map with how it compares, and what the map says of it."""

    equivalence: str
    concept: Tree | None
    said: str


def _matches(concept_map: Tree, coding: Coding, wanted: _Targets) -> Iterator[Match]:
    for group in concept_map["group"]:
        if group["source"] != coding.system:
            continue
        for element in group["element"]:
            if element["code"] == coding.code:
                for target in element["target"]:
                    if "code" not in target or wanted.hold(Coding(group["target"], target["code"])):
                        yield _match(group.get("target"), target)


def _match(system: str | None, target: Tree) -> Match:
    concept = None
    if "code" in target:
        concept = {"system": system, "code": target["code"], "display": target["display"]}
    return Match(target["equivalence"], concept, target.get("comment", ""))


def _answer(matches: Sequence[Match], message: str, map_url: str) -> Tree:
    meant = any(match.equivalence not in _MEANINGLESS for match in matches)
    parameters: list[Tree] = [{"name": "result", "valueBoolean": meant}]
    if message:
        parameters.append({"name": "message", "valueString": message})
    parameters += [_part(match, map_url) for match in matches]
    return {"resourceType": "Parameters", "parameter": parameters}


def _part(match: Match, map_url: str) -> Tree:
    parts: list[Tree] = [{"name": "equivalence", "valueCode": match.equivalence}]
    if match.concept:
        parts.append({"name": "concept", "valueCoding": match.concept})
    return {"name": "match", "part": [*parts, {"name": "source", "valueUri": map_url}]}
