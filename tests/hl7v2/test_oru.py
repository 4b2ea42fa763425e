"""ORU^R01 as others read it: hl7apy (tables of v2.5.1), python-hl7, and the course files counted by hand."""

import json
import re
from contextlib import suppress
from decimal import Decimal

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message

from service.hl7v2.gathering import NothingToTell
from tests.hl7v2.conftest import AWKWARD, EXAMPLES, entries_of, fields_of

# Table 0396 as hl7apy has it for v2.5.1 lacks two names that HL7 Terminology 7.0.1 has; see test_published_tables.py.
KNOWN_WARNING = re.compile(r"Warning: Value (UCUM|SCT) not in table HL70396 in element (OBX|OBR)_\d+\.C[EX]_\d+")
COURSE, CHECK = "lower-leg-0302", "e04"


def check_of_file():
    document = json.loads(next(EXAMPLES.glob("01*/course.json")).read_text("utf-8"), parse_float=Decimal)
    return next(each for each in document["entries"] if each["entry_id"] == CHECK)


def valued(message, code):
    """OBX-5 of every result of a code, as numbers."""
    return [Decimal(each[5]) for each in fields_of(message, "OBX") if code in each[3].split("^")]


def shape_of(message):
    """Which fields and types a message has; hl7apy is slow, and two messages of one shape are sound alike."""
    return message.count("NTE|") > 0, frozenset(
        (x[2], x[3].split("^")[0], x[7] != "", x[11]) for x in fields_of(message, "OBX")
    )


def test_hl7apy_finds_every_shape_of_message_of_the_examples_sound(workflow, told, tmp_path):
    shapes = {}
    for course_id, entry_id in entries_of(workflow):
        with suppress(NothingToTell):
            message = told(course_id, entry_id)
            shapes.setdefault(shape_of(message), message)
    assert len(shapes) > 30
    report = tmp_path / "report.txt"
    for message in shapes.values():
        parsed = parse_message(message, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True)
        assert parsed.validate(report_file=str(report)), message
        told_of = report.read_text("utf-8").splitlines()
        assert [line for line in told_of if not KNOWN_WARNING.fullmatch(line)] == [], message
        assert parsed.children[1].name == "ORU_R01_PATIENT_RESULT"


def test_hl7apy_would_refuse_what_is_no_message(told):
    message = told(COURSE, CHECK)
    for broken in (message.replace("|2.5.1|", "|2.5.1||||X^Y^Z|", 1), message.replace("OBR|1|", "ZZZ|1|")):
        with pytest.raises(Exception):  # noqa: B017, PT011 - hl7apy raises several kinds; any of them will do
            parse_message(broken, validation_level=VALIDATION_LEVEL.STRICT, find_groups=True).validate()


def test_the_readings_of_the_course_file_stand_in_the_message(told):
    message, check = told(COURSE, CHECK), check_of_file()
    assert valued(message, "gap-width") == [each["gap_mm"] / Decimal(10) for each in check["gaps"]]
    assert valued(message, "band-mark") == [each["mark_mm"] for each in check["bands"]]
    assert valued(message, "band-tail") == [each["tail_mm"] / Decimal(10) for each in check["bands"]]
    assert valued(message, "72514-3") == [check["pain_0_10"]]
    assert valued(message, "39125-0") == [max(each["gap_mm"] for each in check["gaps"]) / Decimal(10)]
    stretch = [each["mark_mm"] / Decimal(10) for each in check["bands"]]  # every band's mark at rest is 10 mm
    assert valued(message, "band-stretch-ratio") == stretch


def test_the_stations_stand_below_their_gap_in_the_sub_ids(told):
    results = fields_of(told(COURSE, CHECK), "OBX")
    gaps = [each[4] for each in results if each[3].startswith("gap-width^")]
    stations = {each[4]: each[5] for each in results if each[3].startswith("station^")}
    assert [stations[f"{each}.1"] for each in gaps] == ["3.0", "6.0", "9.0", "12.0", "15.0"]
    assert len({each[4] for each in results}) == len(results)


def test_loinc_stands_first_and_the_own_code_beside_it(told):
    by_code = {each[3].split("^")[0]: each[3] for each in fields_of(told(COURSE, CHECK), "OBX")}
    assert by_code["39125-0"] == "39125-0^Width of Wound^LN^widest-gap^Widest gap^L"
    assert by_code["89260-4"] == "89260-4^Area of wound^LN^open-area^Open area^L"
    assert by_code["gap-width"] == "gap-width^Gap width^L"


def test_units_are_ucum_and_digits_are_those_that_were_read(told):
    results = {each[4]: each for each in fields_of(told(COURSE, CHECK), "OBX")}
    assert (results["1"][5], results["1"][6]) == ("2.5", "cm^cm^UCUM")
    units = {each[6] for each in results.values()}
    assert {"1^ratio^UCUM", "cm2^cm2^UCUM", "cm/d^cm/d^UCUM", "{score}^score^UCUM", "%^%^UCUM"} <= units


def test_range_and_flag_come_from_the_observation(told):
    stretch = [each for each in fields_of(told(COURSE, CHECK), "OBX") if each[3].startswith("band-stretch-ratio^")]
    assert {(each[7], each[8]) for each in stretch} == {("1.5-2.0", "N")}
    high = [
        each
        for each in fields_of(told("thigh-0407", "e03"), "OBX")
        if each[3].startswith("band-stretch-ratio^") and each[8] == "H"
    ]
    assert high, "the reset of example 03 lets out a band that was read above its range"
    low_only = [each[7] for each in fields_of(told("lower-leg-0302", "e05"), "OBX") if each[3].startswith("delta")]
    assert low_only == [">=30"]


def test_a_corrected_entry_says_so_and_a_retracted_one_is_posted_as_wrong(told):
    corrected, retracted = told("thigh-0407", "e04"), told("lower-leg-0328", "e07")
    assert {each[11] for each in fields_of(corrected, "OBX")} <= {"C", "X", "W"}
    assert "C" in {each[11] for each in fields_of(corrected, "OBX")}
    assert fields_of(corrected, "OBR")[0][25] == "C"
    assert {each[11] for each in fields_of(retracted, "OBX")} == {"W"}
    assert fields_of(retracted, "OBR")[0][25] == "C"
    assert {each[11] for each in fields_of(told(COURSE, "e02"), "OBX")} <= {"F", "X"}


def test_what_was_not_measured_has_no_value_and_its_reason_beside_it(told):
    message = told("flank-0622", "e04")
    lines = message.split("\r")
    absent = [place for place, line in enumerate(lines) if line.startswith("OBX|") and line.split("|")[11] == "X"]
    assert absent
    for place in absent:
        assert lines[place].split("|")[2] == lines[place].split("|")[5] == ""
        assert lines[place + 1].startswith("NTE|1|L|")


def test_awkward_words_are_escaped_and_come_back_whole(told):
    message = told("alder-1", "ch-1")
    parsed = hl7.parse(message)
    note = [parsed.unescape(str(each[3])) for each in parsed.segments("NTE")][:3]
    assert note == AWKWARD.split("\n")
    assert parsed.unescape(str(parsed.segment("PID")[3][0][0])) == "AB^1|2"
    performer = parsed.segment("OBR")[10][0]
    assert [parsed.unescape(str(each)) for each in performer[:2]] == ["s|1^8", "A. & B. ~ C"]
    assert parsed.unescape(str(parsed.segment("OBR")[3][0][0])) == "alder-1/ch-1"


def test_a_patient_without_a_name_has_one_of_type_unknown(told):
    message = told("alder-1", "ch-1")
    assert fields_of(message, "PID")[0][5] == "^^^^^^U"
    parse_message(message, validation_level=VALIDATION_LEVEL.STRICT).validate()


def test_times_keep_their_zone_over_the_clock_change(told):
    document = json.loads(next(EXAMPLES.glob("07*/course.json")).read_text("utf-8"))
    for each in document["entries"]:
        if each["kind"] == "check":
            charted = each["at"]
            sent = fields_of(told("lower-leg-0328", each["entry_id"]), "OBR")[0][7]
            assert sent == charted[:19].replace("-", "").replace(":", "").replace("T", "") + charted[19:].replace(
                ":", ""
            )
    assert fields_of(told("alder-1", "ch-1"), "OBR")[0][7] == "20260303080000.2500+0100"


def test_the_same_content_is_the_same_message_and_another_one_has_another_control_id(workflow, told):
    assert told(COURSE, CHECK) == told(COURSE, CHECK)
    ids = [fields_of(told(*each), "MSH")[0][10] for each in entries_of(workflow)[:12]]
    assert len(set(ids)) == len(ids)
    assert {len(each) for each in ids} == {20}
    other = fields_of(told(COURSE, CHECK, receiving_application="CHART"), "MSH")[0]
    assert (other[5], other[10] == fields_of(told(COURSE, CHECK), "MSH")[0][10]) == ("CHART", False)


def test_header_patient_and_visit_are_those_of_the_course(told):
    message = told(COURSE, CHECK, processing_id="T")
    head, patient, visit = (fields_of(message, name)[0] for name in ("MSH", "PID", "PV1"))
    assert [head[place] for place in (9, 11, 12, 18)] == ["ORU^R01^ORU_R01", "T", "2.5.1", "UNICODE UTF-8"]
    assert patient[3] == "T100231^^^&https://tarnfels.example/patient-number&URI^PI"
    assert [patient[place] for place in (5, 7, 8)] == ["Haskett^Jorin", "19880417", "M"]
    assert (visit[2], visit[19]) == ("U", "A88120^^^&https://tarnfels.example/stay-number&URI^VN")
    assert fields_of(message, "OBR")[0][4].startswith("39135-9^Wound assessment panel^LN^closure-check^")
    assert fields_of(message, "OBR")[0][13] == "Left Lower leg"


def test_a_band_is_named_by_the_identifier_of_its_device(told):
    named = {each[18].split("^")[0] for each in fields_of(told(COURSE, CHECK), "OBX") if each.get(18)}
    assert named == {f"lower-leg-0302/e01/band/{number}" for number in range(1, 7)}


def test_note_of_a_removal_is_told_as_well(told):
    lines = [each[3] for each in fields_of(told("upper-arm-0420", "e09"), "NTE")]
    assert lines[0].startswith("One dressing out. The pack charted yesterday")


@pytest.mark.parametrize(
    ("course_id", "entry_id", "why"),
    [("nobody", "e01", "no such course"), (COURSE, "e99", "no entry"), ("thigh-0407", "e05", "a correction")],
)
def test_what_cannot_be_told_is_refused_with_the_reason(told, course_id, entry_id, why):
    with pytest.raises(NothingToTell, match=why):
        told(course_id, entry_id)


def test_a_hospital_may_name_its_identifier_systems(workflow, words, told):
    from service.hl7v2.gathering import charted_entry
    from service.hl7v2.observations import Vocabulary
    from service.hl7v2.oru import Envelope, oru_r01

    with workflow.store.read("demo") as reading:
        charted = charted_entry(reading, COURSE, CHECK)
    named = Vocabulary(words.terms, words.codes, {"https://tarnfels.example/patient-number": "TARNFELS"})
    message = oru_r01(charted, Envelope("demo"), named).decode()
    assert fields_of(message, "PID")[0][3] == "T100231^^^TARNFELS&https://tarnfels.example/patient-number&URI^PI"
