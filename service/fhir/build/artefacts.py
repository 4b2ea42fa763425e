"""What the service publishes about its own codes: CodeSystem, ValueSets, ConceptMap, StructureDefinitions.

http://hl7.org/fhir/R4/codesystem.html, http://hl7.org/fhir/R4/valueset.html, http://hl7.org/fhir/R4/conceptmap.html.
All of it is generated from the mapping tables, with the notices of the code systems whose codes appear.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from service.fhir.build.questionnaire import questionnaires
from service.fhir.build.structure import computer_name, extension_definition, profile_definition, published
from service.fhir.build.values import narrative
from service.terminology import Concept, Terminology

Tree = dict[str, Any]


def artefacts(terms: Terminology) -> list[Tree]:
    """Every artefact, in an order in which each refers only to those before it or to itself."""
    kinds = dict.fromkeys(concept.kind for concept in terms.concepts.values())
    return [
        code_system(terms),
        *(value_set(terms, kind) for kind in kinds),
        value_set(terms, None),
        concept_map(terms),
        *(extension_definition(terms, key) for key, row in terms.extension_rows.items() if not row["url"]),
        *(profile_definition(terms, profile) for profile in terms.profiles.values()),
        *questionnaires(terms),
    ]


def _head(terms: Terminology, resource_type: str, key: str, title: str, description: str, notice: str) -> Tree:
    built: Tree = {
        "resourceType": resource_type,
        "id": key,
        "text": narrative(f"{title}. {description}"),
        "url": f"{terms.base}/{resource_type}/{key}",
        "version": terms.canonical["version"],
        "name": computer_name(key),
        "title": title,
        **published(terms),
        "description": description,
    }
    return built | ({"copyright": notice} if notice else {})


def _notice(terms: Terminology, systems: Iterable[str]) -> str:
    """The notices of these code systems."""
    return " ".join(" ".join(terms.notices[f"{key}.txt"].split()) for key in dict.fromkeys(systems))


def code_system(terms: Terminology) -> Tree:
    """The project's own codes, complete, each with its definition."""
    local = [concept for concept in terms.concepts.values() if concept.code]
    description = "Concepts of gradual wound closure for which no standard code fits, and those sent beside one."
    return {
        **_head(terms, "CodeSystem", "closure", "Gradual wound closure", description, ""),
        "caseSensitive": True,
        "valueSet": f"{terms.base}/ValueSet/closure",
        "content": "complete",
        "count": len(local),
        "concept": [{"code": c.code, "display": c.text, "definition": c.definition} for c in local],
    }


def value_set(terms: Terminology, kind: str | None) -> Tree:
    """The concepts of one kind with the codes they are sent with; without a kind, all codes of our own."""
    if kind is None:
        description = "All codes of the project's own code system."
        head = _head(terms, "ValueSet", "closure", "Gradual wound closure: all own codes", description, "")
        return head | {"compose": {"include": [{"system": terms.local_system}]}}
    concepts = [concept for concept in terms.concepts.values() if concept.kind == kind]
    used = [row["system"] for concept in concepts for row in concept.standard]
    words = kind.replace("-", " ")
    head = _head(
        terms, "ValueSet", f"closure-{kind}", f"Gradual wound closure: {words}",
        f"Concepts of the kind {words} with the codes they are sent with.", _notice(terms, used),
    )  # fmt: skip
    return head | {"compose": {"include": _included(terms, concepts)}}


def _included(terms: Terminology, concepts: Sequence[Concept]) -> list[Tree]:
    by_system: dict[str, dict[str, str]] = {}
    for concept in concepts:
        if concept.code:
            by_system.setdefault(terms.local_system, {})[concept.code] = concept.text
        for row in concept.standard:
            by_system.setdefault(terms.systems[row["system"]], {}).setdefault(row["code"], row["display"])
    return [
        {"system": system, "concept": [{"code": code, "display": display} for code, display in codes.items()]}
        for system, codes in by_system.items()
    ]


def concept_map(terms: Terminology) -> Tree:
    """From our own codes to standard ones, with how the meanings compare; `unmatched` where there is none."""
    local = [concept for concept in terms.concepts.values() if concept.code]
    used = list(dict.fromkeys(row["system"] for concept in local for row in concept.standard))
    description = "How own codes compare with standard codes; wider means that the standard code says less."
    groups = [_group(terms, local, system) for system in used]
    unmatched = [_element(concept, [_unmatched(concept)]) for concept in local if not concept.standard]
    return {
        **_head(terms, "ConceptMap", "closure", "Own codes to standard codes", description, _notice(terms, used)),
        "sourceCanonical": f"{terms.base}/ValueSet/closure",
        "group": [*groups, {"source": terms.local_system, "element": unmatched}],
    }


def _group(terms: Terminology, local: Sequence[Concept], system: str) -> Tree:
    matched = ((concept, [row for row in concept.standard if row["system"] == system]) for concept in local)
    return {
        "source": terms.local_system,
        "target": terms.systems[system],
        "element": [_element(concept, [_target(row) for row in rows]) for concept, rows in matched if rows],
    }


def _element(concept: Concept, targets: list[Tree]) -> Tree:
    return {"code": concept.code, "display": concept.text, "target": targets}


def _target(row: dict[str, str]) -> Tree:
    target = {"code": row["code"], "display": row["display"], "equivalence": row["equivalence"]}
    return target | ({"comment": row["comment"]} if row["comment"] else {})


def _unmatched(concept: Concept) -> Tree:
    return {"equivalence": "unmatched", "comment": concept.comment}
