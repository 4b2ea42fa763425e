"""The mapping tables: read once, checked whole, refused whole with every fault named by file and row."""

import shutil
import time
from decimal import Decimal
from pathlib import Path

import pytest

from service.terminology import TerminologyFault, load
from service.terminology.tables import folder_of_tables

TERMS = load()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return shutil.copytree(folder_of_tables(), tmp_path / "mappings")


def append(folder: Path, file: str, line: str) -> int:
    """Add a row; its number as the refusal names it."""
    path = folder / file
    path.write_text(path.read_text() + line + "\n")
    return len(path.read_text().splitlines())


def refusal(folder: Path) -> str:
    with pytest.raises(TerminologyFault) as raised:
        load(folder)
    return str(raised.value)


def test_a_copy_of_the_tables_loads_to_the_same_version(folder):
    assert load(folder).version == TERMS.version


def test_another_word_in_a_table_is_another_version(folder):
    path = folder / "concepts.csv"
    path.write_text(path.read_text().replace("Gap width", "Width of the gap", 1))
    assert load(folder).version != TERMS.version


def test_line_ends_of_another_system_are_no_change(folder):
    for path in folder.glob("*.csv"):
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    assert load(folder).version == TERMS.version


def test_all_faults_are_named_at_once_with_file_and_row(folder):
    wrong_digit = append(folder, "codings.csv", "gap-width,snomed-ct,81121007,Fasciotomy,wider,A,yes,page,x,a,b")
    grade_c = append(folder, "codings.csv", "skin-erosion,loinc,39123-5,Wound status,equivalent,C,no,page,,a,b")
    stranger = append(folder, "absent.csv", "sun-spots,blamed,the sun")
    lonely = append(folder, "concepts.csv", "lonely,finding,lonely,Lonely,No row in codings.")
    said = refusal(folder)
    assert f"codings.csv row {wrong_digit}: the check digit of '81121007' does not hold" in said
    assert f"codings.csv row {grade_c}: grade 'C'" in said
    assert f"absent.csv row {stranger}: no data-absent-reason 'blamed'" in said
    assert f"concepts.csv row {lonely}: lonely has no row in codings.csv" in said


@pytest.mark.parametrize(
    ("file", "line", "why"),
    [
        ("concepts.csv", "gap-width,measurement,gw,Gap,Again.", "gap-width stands twice"),
        ("concepts.csv", "Gap_Width,measurement,gw,Gap,Shape.", "is not kebab-case"),
        ("concepts.csv", "short,measurement", "has 2 cells, expected 5"),
        ("concepts.csv", "blank,measurement,x, Blank,Blank.", "blanks around the text of text"),
        ("codings.csv", "station,loinc,39126-8,Length of Wound,alike,A,no,page,,a,b", "equivalence 'alike'"),
        ("codings.csv", "station,loinc,39126-8,Length of Wound,wider,A,no,page,,a,b", "wider needs a comment"),
        ("codings.csv", "station,icd,39126-8,Length of Wound,equal,A,no,page,,a,b", "no system 'icd'"),
        ("codings.csv", "gap-width,loinc,39126-8,Length of Wound,equal,A,no,page,,a,b", "unmatched and matched"),
        ("units.csv", "inch,in,imperial,[in_i],nothing", "no system 'imperial'"),
        ("profile-elements.csv", "gap-width,Patient.name,1,1,,", "is not of the profile's type"),
        ("profile-elements.csv", "gap-width,Observation.issued,1,1,concept:none,", "names no concept and no unit"),
        ("alerts.csv", "gap-width,extreme,safety", "no concept severity-extreme"),
    ],
)
def test_a_malformed_row_is_refused_at_start(folder, file, line, why):
    row = append(folder, file, line)
    said = refusal(folder)
    assert why in said
    assert f"{file} row {row}" in said or why == "unmatched and matched"


def test_a_missing_table_and_a_wrong_head_are_named_together(folder):
    (folder / "units.csv").unlink()
    path = folder / "hl7.csv"
    path.write_text(path.read_text().replace("set,system", "sets,system", 1))
    said = refusal(folder)
    assert "units.csv: is missing" in said
    assert "hl7.csv row 1: the columns must be set,system,code,display,source" in said


def test_a_base_with_a_slash_at_its_end_is_refused(folder):
    path = folder / "canonical.toml"
    path.write_text(path.read_text().replace('/fhir"', '/fhir/"', 1))
    assert "canonical.toml: base must be an absolute URL without a slash" in refusal(folder)


def test_there_is_no_default_code():
    for ask in (TERMS.concept, TERMS.coding, TERMS.unit, TERMS.profile, TERMS.extension):
        with pytest.raises(KeyError):
            ask("no-such-thing")
    with pytest.raises(KeyError):
        TERMS.hl7("observation-category", "imaging")


def test_a_reason_without_a_row_leaves_as_words_without_a_code():
    assert TERMS.absent("nobody-knows") == {"text": "nobody-knows"}


def test_a_standard_code_that_means_the_same_comes_first_and_a_wider_one_last():
    assert [c["code"] for c in TERMS.concept("open-area")["coding"]] == ["89260-4", "open-area"]
    assert [c["code"] for c in TERMS.concept("widest-gap")["coding"]] == ["widest-gap", "39125-0"]


def test_sub_trees_are_built_once():
    assert TERMS.concept("gap-width") is TERMS.concept("gap-width")


def test_a_quantity_keeps_its_digits():
    assert str(TERMS.quantity(Decimal("31.00"), "mm")["value"]) == "31.00"


def test_the_object_is_frozen():
    with pytest.raises(AttributeError):
        TERMS.base = "elsewhere"


def test_every_concept_says_who_wrote_it_and_who_reviewed_it():
    for concept in TERMS.concepts.values():
        assert concept.definition
        assert concept.standard or concept.comment
        assert all(row["author"] and row["reviewer"] and row["source"] for row in concept.standard)


def test_the_tables_load_in_less_than_20_ms():
    def once() -> float:
        start = time.perf_counter()
        load()
        return time.perf_counter() - start

    assert min(once() for _ in range(10)) < 0.020


def test_notices_stand_for_every_code_system_in_use():
    for name in ("loinc.txt", "snomed-ct.txt", "ucum.txt", "hl7.txt"):
        assert len(TERMS.notices[name]) > 100
