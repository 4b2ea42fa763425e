"""What is read at once and what the library judges are one contract: what both accept has equal values."""

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec import Struct
from pydantic import ValidationError

from service import strict_json
from service.clinic.entries import Course, members_of
from service.clinic.layout import WoundToFit
from service.intake.members import RECORDS, read_entry
from service.intake.models import model_of, record_of
from service.intake.sure import surely
from tests.bench.readings import Ward, as_read
from tests.hostile.mutations import damaged

EXAMPLES = sorted((Path(__file__).parents[2] / "examples").glob("[0-9][0-9]-*/course*.json"))
DAMAGED = 1500
INSTALLATION = as_read(Ward("one").installation())


def sent() -> Iterator[tuple[type[Struct], Any]]:
    """Every course and entry of the examples, every kind of entry among them, and a wound to be fitted."""
    documents = [strict_json.read(path.read_bytes()) for path in EXAMPLES]
    for document in [*documents, as_read(Ward("one").document(2))]:
        yield Course, document["course"]
        for entry in document["entries"]:
            yield RECORDS[entry["kind"]], entry
    yield WoundToFit, strict_json.read(b'{"length_mm": 160, "max_gap_mm": 42.5, "setback_mm": 12}')


def judged(record: type[Struct], document: Any) -> Any:
    """What the library reads; None where it refuses."""
    try:
        return record_of(model_of(record).model_validate(document))
    except ValidationError:
        return None


def has_null(value: Any) -> bool:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return value is None or any(map(has_null, inner))


def test_every_kind_of_entry_stands_in_an_example() -> None:
    assert {record for record, _ in sent()} == {Course, WoundToFit, *RECORDS.values()}


def test_what_is_in_order_is_read_without_the_library() -> None:
    for record, document in sent():
        found = surely(record, document)
        assert found is not None, document
        assert repr(found) == repr(judged(record, document))  # text, so that 20 and 20.0 are told apart


def test_what_is_read_at_once_the_library_reads_alike_and_what_it_refuses_is_not_read_at_once() -> None:
    chance = random.Random(9)
    whole = list(sent())
    accepted = refused = 0
    for _ in range(DAMAGED):
        record, document = chance.choice(whole)
        try:
            document = strict_json.read(damaged(chance, document))
        except strict_json.Unreadable:
            continue
        found, expected = surely(record, document), judged(record, document)
        if found is not None:
            assert repr(found) == repr(expected), document
        elif expected is not None:
            # written otherwise than a sender in order would: a null for what is absent
            assert has_null(document), document
        accepted += found is not None
        refused += expected is None
    assert accepted > 100
    assert refused > 500


@pytest.mark.parametrize(
    ("member", "written"),
    [
        ("anchors_per_side", "20.0"), ("anchors_per_side", "2e1"), ("setback_mm", "1.20e1"), ("setback_mm", "12"),
        ("entry_id", '"a"'), ("entry_id", f'"{"a" * 64}"'), ("note", '"caf\\u00e9\\n\\t\\ud83d\\ude00"'),
        ("at", '"2026-03-02t11:00:00.1234567z"'), ("at", '"2026-03-02T11:00:00-00:00"'),
    ],
)  # fmt: skip
def test_values_at_the_edge_of_the_contract_are_read(member: str, written: str) -> None:
    document = INSTALLATION | {member: strict_json.read(written.encode())}
    found = surely(RECORDS["installation"], document)
    assert found is not None
    assert repr(found) == repr(judged(RECORDS["installation"], document))


@pytest.mark.parametrize(
    ("member", "written"),
    [
        ("anchors_per_side", "20.5"), ("anchors_per_side", "true"), ("anchors_per_side", '"20"'),
        ("anchors_per_side", "101"), ("anchors_per_side", "0"), ("setback_mm", "30.0001"), ("setback_mm", '"12"'),
        ("setback_mm", "false"), ("entry_id", '""'), ("entry_id", f'"{"a" * 65}"'), ("entry_id", '"a\\n"'),
        ("entry_id", '"\\u0660"'), ("note", '" \\t"'), ("note", '"a\\u0007"'), ("note", f'"{"a" * 2001}"'),
        ("note", "null"), ("at", '"2026-03-02T11:00:00"'), ("at", '"2026-02-30T11:00:00Z"'),
        ("at", '"0001-01-01T00:00:00Z"'), ("gaps", "[]"), ("gaps", "{}"), ("kind", '"check"'), ("colour", '"red"'),
    ],
)  # fmt: skip
def test_what_the_contract_does_not_take_has_a_fault_and_is_not_read_at_once(member: str, written: str) -> None:
    document = INSTALLATION | {member: strict_json.read(written.encode())}
    assert surely(RECORDS["installation"], document) is None
    if member != "kind":  # the kind says which record is read
        faults = read_entry(document)
        assert isinstance(faults, list)
        assert {fault.path[0] for fault in faults} == {member}


def test_what_was_read_says_what_was_sent() -> None:
    for record, document in sent():
        if record is not WoundToFit:
            again = members_of(surely(record, document))
            assert repr(surely(record, again)) == repr(surely(record, document))
            assert again.keys() == document.keys()


def test_a_record_cannot_be_changed_and_equals_its_like() -> None:
    one, other = (surely(RECORDS["installation"], INSTALLATION) for _ in range(2))
    assert one == other
    assert one.performer == other.performer
    assert hash(one.performer) == hash(other.performer)
    with pytest.raises(AttributeError):
        one.note = "changed"
