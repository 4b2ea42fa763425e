"""`$translate` by the published map (http://hl7.org/fhir/R4/conceptmap-operation-translate.html)."""

import pytest

from service.fhir.build.artefacts import artefacts
from service.fhir.operations.inputs import Inputs, Refused, inputs_of
from service.fhir.operations.translating import translate
from service.fhir.published import Published
from service.fhir.validate import check
from service.terminology import load

TERMS = load()
PUBLISHED = Published(artefacts(TERMS))
MAP = f"{TERMS.base}/ConceptMap/closure"
OWN = {concept.code: concept for concept in TERMS.concepts.values() if concept.code}


def asked(*pairs, **named):
    return Inputs([*pairs, *named.items()])


def own(code, **named):
    return translate(PUBLISHED, asked(code=code, system=TERMS.local_system, **named))


def part(answer, name):
    return [parameter for parameter in answer["parameter"] if parameter["name"] == name]


def result(answer):
    return part(answer, "result")[0]["valueBoolean"]


def matches(answer):
    return [
        {inner["name"]: next(v for k, v in inner.items() if k != "name") for inner in match["part"]}
        for match in part(answer, "match")
    ]


@pytest.mark.parametrize("code", sorted(OWN))
def test_every_own_code_is_translated_as_the_tables_say(code):
    answer = own(code)
    assert check(answer) == []
    expected = [
        (row["equivalence"], TERMS.systems[row["system"]], row["code"], row["display"]) for row in OWN[code].standard
    ]
    found = [
        (match["equivalence"], match["concept"]["system"], match["concept"]["code"], match["concept"]["display"])
        for match in matches(answer)
        if "concept" in match
    ]
    assert sorted(found) == sorted(expected)
    assert result(answer) == bool(expected)
    assert {match["source"] for match in matches(answer)} == {MAP}


def test_a_code_without_a_standard_one_has_no_result_and_the_reason():
    (code,) = [code for code in sorted(OWN) if not OWN[code].standard][:1]
    answer = own(code)
    assert result(answer) is False
    assert [match["equivalence"] for match in matches(answer)] == ["unmatched"]
    assert part(answer, "message")[0]["valueString"] == OWN[code].comment


def test_an_unknown_code_has_no_result_and_a_message():
    answer = own("no-such-code")
    assert (result(answer), matches(answer)) == (False, [])
    assert part(answer, "message")[0]["valueString"]


def mapped(equivalence):
    return next(c for c in OWN.values() if any(row["equivalence"] == equivalence for row in c.standard))


def test_a_wider_target_comes_with_the_words_that_say_how_it_differs():
    concept = mapped("wider")
    row = next(row for row in concept.standard if row["equivalence"] == "wider")
    assert row["comment"] in part(own(concept.code), "message")[0]["valueString"]


def test_a_coding_and_a_concept_are_translated_like_a_code():
    code = mapped("equivalent").code
    coding = {"system": TERMS.local_system, "code": code}
    for given in (("coding", coding), ("codeableConcept", {"coding": [coding, {"system": "urn:x", "code": "y"}]})):
        assert translate(PUBLISHED, asked(given)) == own(code)


def test_a_target_system_and_a_target_value_set_narrow_the_matches():
    concept = mapped("equivalent")
    row = next(row for row in concept.standard if row["equivalence"] == "equivalent")
    assert result(own(concept.code, targetsystem=TERMS.systems[row["system"]]))
    assert not result(own(concept.code, targetsystem="urn:elsewhere"))
    assert result(own(concept.code, target=f"{TERMS.base}/ValueSet/closure-{concept.kind}"))
    assert result(own(concept.code, target=f"ValueSet/closure-{concept.kind}", source="closure"))
    assert not result(own(concept.code, target=f"{TERMS.base}/ValueSet/closure"))  # own codes alone
    unknown = own(concept.code, target="https://elsewhere.example/ValueSet/x")
    assert not result(unknown)
    assert "target" in part(unknown, "message")[0]["valueString"]


def test_the_map_is_named_by_url_with_or_without_version_or_by_id():
    code = mapped("equivalent").code
    version = TERMS.canonical["version"]
    assert own(code, url=MAP) == own(code, url=f"{MAP}|{version}") == own(code, conceptMapVersion=version) == own(code)
    by_id = translate(PUBLISHED, asked(code=code, system=TERMS.local_system), "closure")
    assert by_id == own(code)


@pytest.mark.parametrize(
    ("named", "status"),
    [
        ({"url": "https://elsewhere.example/ConceptMap/x"}, 404),
        ({"url": f"{MAP}|0.0.1"}, 404),
        ({"conceptMapVersion": "0.0.1"}, 404),
        ({"reverse": "true"}, 400),
        ({"coding": {"system": "s", "code": "c"}}, 400),  # beside code
        ({"dependency": [{"name": "element", "valueUri": "urn:x"}]}, 400),
        ({"conceptMap": {"resourceType": "ConceptMap"}}, 400),
        ({"kode": "x"}, 400),
    ],
)
def test_what_cannot_be_asked_is_refused(named, status):
    with pytest.raises(Refused) as refusal:
        own("gap-width", **named)
    assert refusal.value.status == status


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"code": "gap-width"},  # without a system
        {"coding": "gap-width"},  # text of a URL where an object is wanted
        {"coding": {"code": "gap-width"}},
        {"codeableConcept": {"text": "gap width"}},
    ],
)
def test_a_question_without_a_code_and_its_system_is_refused(given):
    with pytest.raises(Refused):
        translate(PUBLISHED, asked(**given))


def test_inputs_of_a_parameters_resource_are_those_of_a_url():
    parameters = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "code", "valueCode": "gap-width"},
            {"name": "reverse", "valueBoolean": False},
            {"name": "max", "valuePositiveInt": 3},
            {"name": "resource", "resource": {"resourceType": "Patient"}},
        ],
    }
    assert inputs_of(parameters).pairs == (
        ("code", "gap-width"),
        ("reverse", "false"),
        ("max", "3"),
        ("resource", {"resourceType": "Patient"}),
    )
    with pytest.raises(Refused):
        Inputs([("max", "1"), ("max", "2")]).text("max")
