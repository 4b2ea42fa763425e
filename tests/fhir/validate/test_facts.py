"""Spot checks of the tables against the pages of the specification, read by hand."""

import subprocess
import sys

import pytest

from service.fhir.r4 import codes, codings, constraints, elements, resource_types, tabled_types


@pytest.mark.parametrize(
    ("path", "name", "minimum", "repeats", "types"),
    [
        # http://hl7.org/fhir/R4/observation.html, procedure.html, task.html, bundle.html, datatypes.html#Timing
        ("Observation", "status", 1, False, {"code"}),
        ("Observation", "category", 0, True, {"CodeableConcept"}),
        ("Observation", "effective[x]", 0, False, {"dateTime", "Period", "Timing", "instant"}),
        ("Observation.component", "code", 1, False, {"CodeableConcept"}),
        ("Procedure", "subject", 1, False, {"Reference"}),
        ("Task", "intent", 1, False, {"code"}),
        ("Bundle", "type", 1, False, {"code"}),
        ("Timing.repeat", "dayOfWeek", 0, True, {"code"}),
        ("Extension", "url", 1, False, {"uri"}),
    ],
)
def test_an_element_has_the_cardinality_and_types_of_its_page(path, name, minimum, repeats, types):
    element = elements(path)[name]
    assert (element.minimum, element.repeats, set(element.types)) == (minimum, repeats, types)


def test_reference_targets_and_content_references_are_kept():
    assert elements("Observation")["subject"].types["Reference"] == {"Patient", "Group", "Device", "Location"}
    assert elements("Observation")["focus"].types["Reference"] == frozenset()
    assert elements("Observation.component")["referenceRange"].same_as == "Observation.referenceRange"


def test_codes_of_a_required_binding_are_those_of_the_page():
    # http://hl7.org/fhir/R4/valueset-observation-status.html, valueset-condition-clinical.html
    assert codes("observation-status") == {
        "registered", "preliminary", "final", "amended", "corrected", "cancelled", "entered-in-error", "unknown",
    }  # fmt: skip
    assert ("http://terminology.hl7.org/CodeSystem/condition-clinical", "resolved") in codings("condition-clinical")


def test_r4_has_146_concrete_resource_types():
    # http://hl7.org/fhir/R4/resourcelist.html
    assert len(resource_types()) == 146
    assert tabled_types() < resource_types()


def test_the_wording_of_a_constraint_is_the_published_one():
    assert constraints()["obs-6"]["human"] == (
        "dataAbsentReason SHALL only be present if Observation.value[x] is not present"
    )


def test_the_start_reads_no_table_that_is_not_asked_for():
    program = (
        "import service.fhir.r4 as r4, service.fhir.validate as v\n"
        "assert 'fhirkit' not in __import__('sys').modules\n"
        "assert r4._resource.cache_info().currsize == 0\n"
        "assert v.is_valid({'resourceType': 'Flag', 'status': 'active', 'code': {'text': 'x'},"
        " 'subject': {'reference': 'Patient/1'}})\n"
        "assert r4._resource.cache_info().currsize == 1\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, timeout=60)
