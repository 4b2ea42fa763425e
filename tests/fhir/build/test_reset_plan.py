"""The plan of an open reset as it leaves in Task.input: order of work, hold, and a plan that leaves too little tail."""

from tests.fhir.build.course_of_nine import CHECK_1, INSTALLATION, find, projected


def inputs(check, tails=("80", "75", "82")):
    bands = [{**band, "tail_mm": tail} for band, tail in zip(INSTALLATION["bands"], tails, strict=True)]
    built = projected(({**INSTALLATION, "bands": bands}, check))
    return [target["type"]["text"] for target in find(built, "reset-task", "i1")["input"]]


def reading(*marks, skin=("intact",)):
    bands = [{"band": number, "mark_mm": mark} for number, mark in enumerate(marks, start=1)]
    return {**CHECK_1, "bands": bands, "skin": list(skin)}


def test_targets_stand_in_order_of_work_from_the_middle_outwards():
    # The wound is 200 mm long; band 2 lies at 100 mm, bands 1 and 3 at 50 and 150.
    assert [text[:6] for text in inputs(reading("17", "18", "17"))] == ["Band 2", "Band 1", "Band 3"]


def test_a_plan_that_leaves_too_little_tail_says_so_beside_its_target():
    # By hand: gaps at the bands 36, 31, 33, so b = 5/36, band 2 (ξ = 0, narrowest) has q = 31/36 and target 1.908333,
    # a mark of 19.0; span 31 + 24 = 55 mm; 55 x (1/2.0 - 1/1.9) = -1.447368; 50 - 1.447368 = 48.552632 mm of tail.
    middle, first, last = inputs(reading("16", "20.0", "16"), tails=("80", "50", "82"))
    assert middle == ("Band 2: target stretch ratio 1.908333, mark 19 mm, leaves a tail of 48.552632 mm, under 50 mm")
    assert "leaves" not in first + last


def test_on_hold_every_target_says_so():
    held = inputs(reading("17", "18", "17", skin=("blister",)))
    assert all("hold, surgeon to review" in text for text in held)
    assert not any("hold" in text for text in inputs(reading("17", "18", "17")))
