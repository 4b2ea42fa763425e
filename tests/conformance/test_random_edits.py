"""Seeded random edits of official examples: the fast verdict never departs from the whole check, and neither crashes.

Where the mutators break one thing in a known way, these edits hit any place with any value; many leave it sound.
"""

from copy import deepcopy
from decimal import Decimal
from random import Random
from typing import Any

import pytest

from service.fhir.validate import check, is_valid
from tests.conformance.test_mutations import SEED, sound_examples

VALUES: list[Any] = [
    None, "", [], {}, 1, 0, -1, True, False, 1.5, Decimal("1.0"), Decimal("NaN"), 10**12, "x", " x", "x ", "a b",
    "\u00a0x", "\x00", "#", "#a", "a" * 70, "2024-02-30", "2024-01-01", "2024-01-01T00:00:00Z", "Patient/1",
    "Patient/1/", "/Patient/1", "http://x/Patient/1", "urn:uuid:1", "urn:oid:1.2", "mm", "mmHg", "final", "active",
    [1], ["x"], [None], [{}], ["system", "code"], {"id": "a"}, {"x": 1}, {"reference": "Patient/1"},
    {"reference": "Library/1"}, {"code": "mm"}, {"value": 1}, {"coding": []},
    {"coding": [{"system": "a", "code": "b"}]},
    {"text": "a"}, {"extension": [{"url": "http://x", "valueCode": "a"}]},
]  # fmt: skip
KEYS = (
    "id extension code system value status reference type valueString valueQuantity _status meta contained text "
    "display unit start end resourceType url period _value modifierExtension identifier note"
)
EDITS = 3000


def _containers(node: Any) -> list[Any]:
    if not isinstance(node, (dict, list)):
        return []
    children = node.values() if isinstance(node, dict) else node
    return [node, *(inner for child in children for inner in _containers(child))]


def _edit_object(rng: Random, node: dict[str, Any]) -> None:
    key = rng.choice(list(node) or ["id"])
    chance = rng.random()
    if chance < 0.4:
        node[key] = deepcopy(rng.choice(VALUES))
    elif chance < 0.7:
        node[rng.choice(KEYS.split())] = deepcopy(rng.choice(VALUES))
    elif chance < 0.85:
        node.pop(key, None)
    else:
        node[key] = [node.get(key)]


def _edit(rng: Random, resource: dict[str, Any]) -> None:
    node = rng.choice(_containers(resource))
    if isinstance(node, dict):
        _edit_object(rng, node)
    elif rng.random() < 0.5 and node:
        node[rng.randrange(len(node))] = deepcopy(rng.choice(VALUES))
    else:
        node.append(deepcopy(rng.choice(node or VALUES)))


@pytest.mark.parametrize("round_", range(3))
def test_after_any_edit_the_fast_verdict_is_that_of_the_whole_check(round_):
    rng = Random(SEED + round_)
    examples = [example for _, example in sound_examples()]
    sound = 0
    for _ in range(EDITS):
        resource = deepcopy(rng.choice(examples))
        for _ in range(rng.randint(1, 2)):
            _edit(rng, resource)
        errors = [issue for issue in check(resource) if issue.severity == "error"]
        assert is_valid(resource) is (not errors), errors[:3]
        sound += not errors
    assert 0 < sound < EDITS / 2
