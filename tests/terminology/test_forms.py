"""The table of forms is refused whole, fault by fault, and is no part of the version of the tables."""

import shutil

import pytest

from service.terminology import TerminologyFault, load
from service.terminology.tables import folder_of_tables


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(folder_of_tables(), tmp_path / "mappings")
    return tmp_path / "mappings"


def add(folder, *rows):
    with (folder / "questionnaire.csv").open("a", encoding="utf-8") as table:
        table.writelines(f"{row}\n" for row in rows)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("closure-check,new,sound,no,no,Text,new,,", "type 'sound' is not known"),
        ("other,new,string,no,no,Text,new,,", "no row says what the form 'other' is"),
        ("closure-check,note.new,string,no,no,Text,new,,", "'note' is no group"),
        ("closure-check,new,string,maybe,no,Text,new,,", "must be yes or no"),
        ("closure-check,new,string,no,no,Text,new,nothing,", "no concept 'nothing'"),
        ("closure-check,new,choice,no,no,Text,new,,a=nothing", "no concept 'nothing'"),
        ("closure-check,new,choice,no,no,Text,new,,", "a choice has options"),
        ("closure-check,note,text,no,no,Note,note,,", "stands twice"),
        ("closure-check,new,text,no,no,,new,,", "text is empty"),
    ],
)
def test_a_faulty_row_is_refused_with_file_and_row(folder, row, why):
    add(folder, row)
    with pytest.raises(TerminologyFault) as refusal:
        load(folder)
    (fault,) = refusal.value.faults
    assert fault.file == "questionnaire.csv"
    assert why in fault.why


def test_a_question_more_is_no_other_version_of_the_tables(folder):
    before = load(folder)
    add(folder, "closure-check,odour,string,no,no,Odour,odour,,")
    after = load(folder)
    assert after.version == before.version
    assert len(after.forms["closure-check"].items) == len(before.forms["closure-check"].items) + 1
