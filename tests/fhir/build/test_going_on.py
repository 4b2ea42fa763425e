"""What is kept from one entry to the next changes nothing: the same resources, the same bytes, made again or not."""

import copy
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings

from service.clinic.course import CourseFold, Step
from service.clinic.entries import Course
from service.clinic.standing import StandingEntry, standing
from service.fhir import wire
from service.fhir.build.identity import Built
from service.fhir.build.kept import Kept
from service.fhir.build.shared import Once, part
from service.fhir.build.withdrawal import withdrawn
from service.fhir.project import Context, Frame, project_course, project_entry, transaction_bundle, transaction_bytes
from service.intake.review import Known, review_course_file
from tests.fhir.build.course_of_nine import ALL, FRAME, NOW, OPEN, charted, course, find, projected
from tests.random_courses import course_files

BASE = "https://harbour-hospital.example/fhir"


def built_at_once(of: Course, entries: Sequence[StandingEntry], now: datetime, frame: Frame = FRAME) -> list[Built]:
    """The last entry and the course from a context that is made of all entries."""
    return built_with(Context(frame, of, entries), of, entries, now)


def built_with(context: Context, of: Course, entries: Sequence[StandingEntry], now: datetime) -> list[Built]:
    fold = CourseFold(of, FRAME.policy)
    for entry in entries:
        fold.apply(entry)
    last = project_entry(context, Step(entries[-1], fold)) if entries else []
    return last + project_course(context, of, fold, now)


def plain(built: Sequence[Built]) -> list[tuple[object, ...]]:
    return [(one.type, one.id, one.entry_id, one.role, wire.write(one.resource)) for one in built]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(course_files(corrections=False))
def test_a_context_taken_on_entry_by_entry_gives_what_one_of_all_entries_gives(document):
    reviewed = review_course_file(document, Known(), datetime(2027, 1, 1, tzinfo=UTC))
    of, entries = reviewed.course, standing([new.charted for new in reviewed.entries])
    context = Context(FRAME, of, ())
    for place in range(len(entries) + 1):
        if place:
            context = context.after(FRAME, entries[place - 1 : place])
        now = NOW + timedelta(hours=place)
        went_on = built_with(context, of, entries[:place], now)
        assert plain(went_on) == plain(built_at_once(of, entries[:place], now))
        assert [one.content for one in went_on] == [wire.write(one.resource) for one in went_on]


def test_what_an_earlier_context_gives_is_not_changed_by_going_on():
    stands = standing(charted(ALL))
    context = Context(FRAME, course(), stands[:3])
    before = plain(built_with(context, course(), stands[:3], NOW))
    built_with(context.after(FRAME, stands[3:]), course(), stands, NOW)
    assert plain(built_with(context, course(), stands[:3], NOW)) == before
    assert context.entries == tuple(stands[:3])


def kept_of(before: Sequence[Built], after: Sequence[Built]) -> set[str]:
    same = {id(one) for one in before}
    return {one.type for one in after if id(one) in same}


def test_resources_of_the_course_that_nothing_changed_are_the_very_same_ones():
    stands = standing(charted(OPEN))
    of = course()
    context = Context(FRAME, of, stands[:-1])
    before = built_with(context, of, stands[:-1], NOW)
    after = built_with(context.after(FRAME, stands[-1:]), of, stands, NOW)
    kept = kept_of(before, after)
    assert {"Patient", "Encounter", "BodyStructure", "Condition", "DeviceUseStatement", "Observation"} <= kept
    assert "DiagnosticReport" not in kept


def test_another_id_of_the_patient_makes_everything_anew():
    stands, of = standing(charted(OPEN)), course()
    context = Context(FRAME, of, stands[:-1])
    before = built_with(context, of, stands[:-1], NOW)
    other, who = copy.copy(FRAME), of.patient.identifier
    other.hospital_ids = {("Patient", who.system, who.value): "their-own"}
    after = built_with(context.after(other, stands[-1:]), of, stands, NOW)
    assert plain(after) == plain(built_at_once(of, stands, NOW, other))
    assert not kept_of(before, after)
    assert find(after, "patient")["id"] == "their-own"


def test_a_frame_with_the_same_ids_is_the_same_frame():
    again = copy.copy(FRAME)
    again.hospital_ids = {}
    assert FRAME.same_as(again)
    again.policy = copy.copy(FRAME.policy)
    assert not FRAME.same_as(again)


@pytest.mark.parametrize(
    ("earlier", "later"),
    [
        (Decimal("31.0"), Decimal("31.00")),
        (datetime(2026, 3, 1, 12, tzinfo=UTC), datetime.fromisoformat("2026-03-01T13:00:00+01:00")),
        (1, True),
    ],
)
def test_what_is_equal_but_shown_otherwise_is_built_again(earlier, later):
    kept, asked = Kept(), []

    def build() -> Built:
        asked.append(1)
        return Built("Flag", "f", None, "flag", {})

    first = kept.built("flag", (earlier, "a"), build)
    assert kept.built("flag", (earlier, "".join(["a"])), build) is first
    assert kept.built("flag", (later, "a"), build) is not first
    assert kept.built("flag", (later,), build) is not first
    assert len(asked) == 3


def test_what_was_kept_for_one_context_is_not_kept_for_the_one_before():
    earlier = Kept()
    later = Kept(earlier)
    made = later.built("plan", (), lambda: Built("CarePlan", "p", None, "plan", {}))
    assert earlier.built("plan", (), lambda: Built("CarePlan", "p", None, "plan", {})) is not made


def test_the_bytes_of_every_resource_are_those_of_its_tree():
    for one in projected(ALL):
        assert one.content == wire.write(one.resource)
        assert withdrawn(one).content == wire.write(withdrawn(one).resource)


@pytest.mark.parametrize("base", [BASE, 'https://odd.example/"quoted"\\and ü'])
def test_a_bundle_put_together_from_bytes_is_the_bundle_written_whole(base):
    built = projected(ALL)
    assert transaction_bytes(built, base) == wire.write(transaction_bundle(built, [], base))
    assert transaction_bytes([], base) == wire.write(transaction_bundle([], [], base))


def test_a_part_is_written_as_its_tree_is():
    tree = {"value": Decimal("31.50"), "unit": "µm"}
    shared = part(tree)
    assert wire.write({"valueQuantity": shared.written}) == wire.write({"valueQuantity": shared.tree})


def test_no_more_is_kept_than_was_said():
    asked: list[int] = []

    def double(number: int) -> int:
        asked.append(number)
        return 2 * number

    once = Once(double, most=3)
    assert [once[number] for number in (1, 2, 3, 1, 4, 1)] == [2, 4, 6, 2, 8, 2]
    assert asked == [1, 2, 3, 4, 1]
    assert len(once) <= 3
