"""mappings/measures.toml: refused as a whole with every fault; what it names exists."""

import pytest

from service.registry.definitions import FILE, load_definitions
from service.terminology import TerminologyFault
from service.terminology.tables import folder_of_tables

TEXT = (folder_of_tables() / FILE).read_text()


def test_every_fault_is_told_at_once(terms, tmp_path):
    broken = TEXT.replace('["outcome-died"]', '["outcome-dead"]').replace('"skin-necrosis"', '"skin-black"')
    (tmp_path / FILE).write_text(broken.replace('open = "Still open"\n', ""))
    with pytest.raises(TerminologyFault) as refusal:
        load_definitions(terms, tmp_path)
    told = str(refusal.value)
    assert "outcome-dead" in told
    assert "skin-black" in told
    assert "'open' has no words" in told


def test_an_ending_that_the_report_is_about_cannot_be_renamed(terms, tmp_path):
    (tmp_path / FILE).write_text(TEXT.replace("\nclosed = [", "\nshut = ["))
    with pytest.raises(TerminologyFault, match="'closed' is needed"):
        load_definitions(terms, tmp_path)


def test_measures_name_columns_of_the_cohort(definitions, cohort):
    for measure in definitions.measures:
        assert {measure.numerator, measure.denominator} <= set(cohort.columns)
