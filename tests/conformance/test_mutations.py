"""A seeded corpus of broken resources: official R4 examples, each broken in every way of `mutators.py`.

At least 99 of 100 must be refused, and the fast verdict must be the verdict of the whole check on every one. Run as
`python -m tests.conformance.test_mutations` it prints the table of docs/validation.md.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator
from copy import deepcopy
from functools import cache
from pathlib import Path
from random import Random
from typing import Any

import pytest

from service.fhir import wire
from service.fhir.validate import check_bytes, is_valid
from service.fhir.validate.fhirkit_layer import library_issues
from tests.conformance.faulty_examples import FAULTY
from tests.conformance.mutators import MUTATORS, facts_of
from tests.conformance.npm import EXAMPLES, package

SEED = 20240301
PER_TYPE = 8
LARGEST = 60_000  # bytes; a larger example adds time, not variety
TYPES = (
    "Patient Encounter Practitioner Organization BodyStructure Condition CarePlan Goal Procedure Device "
    "DeviceUseStatement Observation Task Flag DiagnosticReport Provenance AuditEvent Bundle OperationOutcome "
    "Parameters CapabilityStatement Questionnaire QuestionnaireResponse Measure MeasureReport Group Subscription Media "
    "DocumentReference"
)
LAYERS = ("bytes", "fhirkit-rs", "structure", "reference", "units", "invariant", "bundle", "extension")


def sound_examples() -> list[tuple[str, dict[str, Any]]]:
    """Name and content of the examples to break: up to eight of each type (32 Observations), drawn with the seed."""
    rng = Random(SEED)
    chosen: list[Path] = []
    for kind in TYPES.split():
        files = [f for f in sorted(package(*EXAMPLES).glob(f"{kind}-*.json")) if f.stat().st_size < LARGEST]
        sound = [f for f in files if f.stem not in FAULTY]
        chosen += rng.sample(sound, min(len(sound), 4 * PER_TYPE if kind == "Observation" else PER_TYPE))
    return [(f.stem, wire.read(f.read_bytes())) for f in chosen]


def mutants() -> Iterator[tuple[str, str, bytes]]:
    """Kind, example and bytes of every mutant; a kind that leaves an example as it was is passed over."""
    for name, example in sound_examples():
        whole = wire.write(example)
        for kind, break_it in MUTATORS.items():
            broken = break_it(Random(f"{SEED} {name} {kind}"), deepcopy(example), facts_of(example["resourceType"]))
            if broken is None:
                continue
            raw = broken if isinstance(broken, bytes) else wire.write(broken)
            if raw != whole:
                yield kind, name, raw


@cache
def verdicts() -> list[tuple[str, str, bytes, frozenset[str]]]:
    """Kind, example, bytes and the layers that refuse, for every mutant."""
    found = []
    for kind, name, raw in mutants():
        layers = {issue.layer for issue in check_bytes(raw) if issue.severity == "error"}
        # `check` leaves out what the library says of a place that the walk names too; its share is asked for by itself
        if any(issue.severity == "error" for issue in library_issues(raw)):
            layers.add("fhirkit-rs")
        found.append((kind, name, raw, frozenset(layers)))
    return found


def table() -> str:
    """Share of the mutants of each kind that each layer refuses, in per cent, as Markdown."""
    total: Counter[str] = Counter()
    caught: Counter[str] = Counter()
    by_layer: dict[str, Counter[str]] = defaultdict(Counter)
    for kind, _, _, layers in verdicts():
        for row in (kind, "all"):
            total[row] += 1
            caught[row] += bool(layers)
            by_layer[row].update(layers)
    lines = [f"| kind | mutants | refused | {' | '.join(LAYERS)} |", "| --- |" + " ---: |" * (2 + len(LAYERS))]
    for row in [*MUTATORS, "all"]:
        shares = " | ".join(f"{100 * by_layer[row][layer] / max(total[row], 1):.0f}" for layer in LAYERS)
        lines.append(f"| {row} | {total[row]} | {100 * caught[row] / max(total[row], 1):.1f} | {shares} |")
    return "\n".join(lines)


def test_no_example_to_be_broken_is_refused_before_it_is_broken():
    for name, example in sound_examples():
        assert [i for i in check_bytes(wire.write(example)) if i.severity == "error"] == [], name


def test_the_corpus_is_large_and_of_many_kinds():
    kinds = Counter(kind for kind, _, _, _ in verdicts())
    assert len(kinds) == len(MUTATORS) >= 15
    assert sum(kinds.values()) > 2000


def test_ninety_nine_of_a_hundred_broken_resources_are_refused():
    missed = [(kind, name) for kind, name, _, layers in verdicts() if not layers]
    print(table())
    print("missed:", missed)
    assert len(missed) <= 0.01 * len(verdicts()), missed


@pytest.mark.parametrize("kind", MUTATORS)
def test_each_kind_of_fault_is_refused_nearly_always(kind):
    of_kind = [layers for k, _, _, layers in verdicts() if k == kind]
    assert sum(1 for layers in of_kind if layers) >= 0.9 * len(of_kind)


def test_the_fast_verdict_is_the_verdict_of_the_whole_check_on_every_mutant():
    differing = []
    for kind, name, raw, layers in verdicts():
        try:
            resource = wire.read(raw)
        except wire.Unreadable:
            assert "bytes" in layers
            continue
        if is_valid(resource) is bool(layers):
            differing.append((kind, name, sorted(layers)))
    assert differing == []


if __name__ == "__main__":
    print(table())
