"""The courses of the bench are ones that the intake takes, the largest too; a run would otherwise end after minutes."""

from tests.bench.__main__ import WHOLE
from tests.bench.readings import Ward, as_read, charted_of, course_of


def test_every_entry_of_the_largest_course_is_taken() -> None:
    sizes = WHOLE.pipeline
    document = as_read(Ward("largest", bands=sizes.largest_bands).document(sizes.largest_checks))
    assert course_of(document).course_id == "largest"
    assert len(charted_of(document)) == 1 + sizes.largest_checks


def test_the_same_seed_charts_the_same_course() -> None:
    assert Ward("one").document(3) == Ward("one").document(3)
    assert Ward("one").document(3) != Ward("one", seed=2).document(3)
