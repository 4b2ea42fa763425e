"""Every word of mappings/hl7v2.csv that names HL7 Terminology as its source stands in the published table."""

import json
import re

import pytest

from service.hl7v2.codes import COLUMNS, FILE, read_v2_codes
from service.terminology.apart import read_apart
from service.terminology.tables import TerminologyFault, folder_of_tables
from tests.conformance.npm import package

PUBLISHED = ("hl7.terminology.r4", "7.0.1")  # HL7 Terminology, published by HL7
SOURCE = re.compile(r"HL7 v2 table (\d{4}) \(hl7\.terminology\.r4 7\.0\.1\)")
KEY_IS_THE_CODE = ("acknowledgement", "error-condition")


def rows():
    return read_apart(FILE, COLUMNS, (), ("set", "key"))


def test_each_word_with_a_published_source_is_a_code_of_that_table():
    folder = package(*PUBLISHED)
    looked_at = 0
    for row in rows():
        found = SOURCE.match(row["source"])
        if found is None:
            assert re.search(r"from memory|project's own choice", row["source"]), row
            continue
        table = json.loads((folder / f"CodeSystem-v2-{found[1]}.json").read_text("utf-8"))
        code = row["key"] if row["set"] in KEY_IS_THE_CODE else row["value"]
        assert code in {concept["code"] for concept in table["concept"]}, row
        looked_at += 1
    assert looked_at > 30


def faulty(tmp_path, change):
    text = (folder_of_tables() / FILE).read_text("utf-8")
    assert change(text) != text
    (tmp_path / FILE).write_text(change(text), "utf-8")
    with pytest.raises(TerminologyFault) as refused:
        read_v2_codes(tmp_path)
    return str(refused.value)


def test_a_missing_word_is_named(tmp_path):
    assert "no row of sex other" in faulty(tmp_path, lambda text: re.sub(r"(?m)^sex,other,.*\n", "", text))


def test_a_second_row_of_the_same_word_is_named(tmp_path):
    assert "a second row of sex male" in faulty(tmp_path, lambda text: text + "sex,male,F,Male,somewhere\n")


def test_an_acknowledgement_has_one_of_three_meanings(tmp_path):
    assert "is none of" in faulty(
        tmp_path, lambda text: text.replace("acknowledgement,AE,refused", "acknowledgement,AE,maybe")
    )


def test_other_columns_and_cells_are_refused(tmp_path):
    assert "columns must be" in faulty(tmp_path, lambda text: text.replace("set,key", "key,set", 1))
    assert "has 4 cells" in faulty(tmp_path, lambda text: text + "sex,x,y,z\n")
    assert "source is empty" in faulty(tmp_path, lambda text: text + "sex,x,y,z,\n")


def test_a_folder_without_the_table_is_refused(tmp_path):
    with pytest.raises(TerminologyFault, match="cannot be read"):
        read_v2_codes(tmp_path)
