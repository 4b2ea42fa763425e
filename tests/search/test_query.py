"""Rows 26 to 36 and 43 to 48: the query string (https://hl7.org/fhir/R4/search.html), by row number."""

from datetime import UTC, datetime
from decimal import Decimal
from urllib.parse import parse_qsl, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.search.criteria import (
    CodedQuantityCriterion,
    Cursor,
    DateCriterion,
    IdCriterion,
    IdentifierCriterion,
    Include,
    LogicalReferenceCriterion,
    MissingCriterion,
    NotCriterion,
    Order,
    PatientIdentifierCriterion,
    ReferenceCriterion,
    SearchError,
    Setting,
    Subset,
    TextCriterion,
    TokenCriterion,
    TokenTextCriterion,
    TokenValue,
)
from service.search.quantities import QuantityBound
from service.search.query import MAX_COUNT, MAX_COUNT_WITH_INCLUDES, parse

BASE = "https://closure.ward-seven.example/fhir"
SETTING = Setting(BASE, UTC, datetime(2024, 6, 1, tzinfo=UTC))


def query(type_: str, text: str, *, strict: bool = False):
    return parse(type_, parse_qsl(text, keep_blank_values=True), SETTING, strict=strict)


def only(type_: str, text: str):
    (criterion,) = query(type_, text).criteria
    return criterion


def refusal(type_: str, text: str, *, strict: bool = False) -> SearchError:
    with pytest.raises(SearchError) as caught:
        query(type_, text, strict=strict)
    return caught.value


def test_row_28_repeated_parameters_are_two_criteria_and_commas_are_alternatives():
    found = query("Observation", "code=a,b&code=c").criteria
    assert [criterion.values for criterion in found] == [
        (TokenValue(None, "a"), TokenValue(None, "b")),
        (TokenValue(None, "c"),),
    ]


def test_row_28_escapes():
    assert only("Observation", r"code=a\,b,c\|d,e\$f,g\\h").values == (
        TokenValue(None, "a,b"),
        TokenValue(None, "c|d"),
        TokenValue(None, "e$f"),
        TokenValue(None, "g\\h"),
    )
    assert only("Observation", r"code=urn:x\|y|z").values == (TokenValue("urn:x|y", "z"),)


def test_row_29_an_unknown_parameter_is_named_and_left_out():
    found = query("Observation", "patinet=1&code=a")
    assert found.ignored == ("patinet",)
    assert found.self_link(BASE) == f"{BASE}/Observation?code=a"


def test_row_29_strict_handling_refuses_an_unknown_parameter():
    assert refusal("Observation", "patinet=1", strict=True).parameter == "patinet"


def test_row_29_a_parameter_of_another_type_is_unknown():
    assert query("Patient", "code=a").ignored == ("code",)


def test_row_29_a_parameter_without_a_value_is_named_and_left_out():
    assert query("Observation", "code=").ignored == ("code",)


@pytest.mark.parametrize(
    "text",
    [
        *("code:in=x", "code:below=x", "code:of-type=x", "_id:exact=1", "_id:text=1", "identifier:text=x"),
        *("date:not=2024", "patient:=1", "subject:Group=1", "patient:exact=p-1", "value-quantity:not=1"),
        *("code-value-quantity:missing=true", "code-value-quantity:not=a$1", "code:contains=x", "_count:exact=1"),
        *("_include:iterate=Observation:patient", "_revinclude:iterate=Provenance:target"),
    ],
)
def test_row_30_an_unsupported_modifier_is_refused(text):
    assert "modifier" in refusal("Observation", text).reason


@pytest.mark.parametrize("name", ["patient", "patient:Patient", "subject:Patient"])
def test_row_39_a_patient_is_found_by_the_hospitals_number_alone(name):
    found = query("Observation", f"{name}.identifier=urn:mrn|1,2")
    assert found.criteria == (PatientIdentifierCriterion((TokenValue("urn:mrn", "1"), TokenValue(None, "2"))),)
    assert found.self_link(BASE) == f"{BASE}/Observation?{name}.identifier=urn:mrn%7C1,2"


@pytest.mark.parametrize(
    "text", ["patient.name=x", "subject.identifier=urn:x|1", "patient:Device.identifier=1", "encounter.identifier=1"]
)
def test_row_39_any_other_chain_is_refused_and_not_ignored(text):
    assert "chained" in refusal("Observation", text).reason


def test_row_37_includes():
    asked = "_include=Observation:device&_include=Observation:subject:Patient&_revinclude=Provenance:target"
    assert query("Observation", asked).includes == (
        Include("Observation", "device"),
        Include("Observation", "subject", "Patient"),
        Include("Provenance", "target", None, True),
    )
    assert query("Observation", asked + "&_count=1000").count == MAX_COUNT_WITH_INCLUDES == 200
    link = query("Observation", asked).next_link(BASE, Cursor(1, 2))
    assert (
        parse("Observation", parse_qsl(urlsplit(link).query), SETTING).includes == query("Observation", asked).includes
    )


@pytest.mark.parametrize(
    "text",
    [
        *("_include=*", "_include=Observation:*", "_include=Observation", "_include=", "_include=Observation:code"),
        *("_include=Task:focus", "_include=Observation:subject:Group", "_revinclude=Flag:encounter"),
        *("_revinclude=Provenance:target:Task", "_revinclude=*", "_revinclude=Spoon:target"),
    ],
)
def test_row_37_what_cannot_be_included_is_refused(text):
    assert refusal("Observation", text).parameter == text.partition("=")[0]


def test_row_38_summaries_and_elements():
    assert query("Observation", "_summary=true").subset == Subset("true")
    assert query("Observation", "_summary=false").subset == Subset()
    assert query("Observation", "_elements=status,code&_elements=value").subset == Subset(
        None, ("status", "code", "value")
    )
    nested = query("Observation", "_elements=status,component.code")
    assert (nested.subset.elements, nested.ignored) == (("status",), ("_elements",))
    assert nested.self_link(BASE) == f"{BASE}/Observation?_elements=status"


@pytest.mark.parametrize(
    "text",
    [
        *(
            "_summary=some",
            "_summary=true&_summary=text",
            "_summary=count&_summary=true",
            "_summary=true&_elements=code",
        ),
        "_summary=text&_include=Observation:patient",
    ],
)
def test_row_38_what_cannot_be_summarised_is_refused(text):
    assert refusal("Observation", text).parameter in ("_summary", "_elements")


def test_row_51_missing():
    assert only("Observation", "device:missing=true") == MissingCriterion("device", "terms", True)
    assert only("Observation", "date:missing=false") == MissingCriterion("date", "date", False)
    assert "true or false" in refusal("Observation", "device:missing=yes").reason


def test_row_46_not_and_text():
    assert only("Observation", "code:not=a,s|b") == NotCriterion(
        TokenCriterion("code", "code_set", (TokenValue(None, "a"), TokenValue("s", "b")))
    )
    assert only("Observation", "category:text=Vital Sí") == TokenTextCriterion("category", "token_set", ("vital si",))


def test_row_48_an_identifier_of_a_reference():
    assert only("Observation", "performer:identifier=urn:staff|s-1,s-2") == LogicalReferenceCriterion(
        "performer", (TokenValue("urn:staff", "s-1"), TokenValue(None, "s-2"))
    )
    assert "value" in refusal("Observation", "performer:identifier=urn:staff|").reason


def test_row_49_exact_and_contained_strings():
    assert only("Patient", "family:exact=MÜLler") == TextCriterion("family", ("MÜLler",), "exact")
    assert only("Patient", "given:contains=Ö,b") == TextCriterion("given", ("o", "b"), "contains")


def test_row_45_forms_of_a_quantity():
    assert only("Observation", "value-quantity=gt5.4|http://unitsofmeasure.org|mm").bounds == (
        QuantityBound("gt", Decimal("5.4"), Decimal("5.4"), "http://unitsofmeasure.org", "mm"),
    )
    assert only("Observation", "value-quantity=1||mm,2").bounds == (
        QuantityBound("eq", Decimal("0.5"), Decimal("1.5"), None, "mm"),
        QuantityBound("eq", Decimal("1.5"), Decimal("2.5")),
    )


@pytest.mark.parametrize(
    "value", ["", "mm", "1|mm", "1|a|b|c", "1,", "1.", ".5", "0x1", "1e", "NaN", "Infinity", "٣", "1e999", "ge", "== 1"]
)
def test_row_44_what_is_no_quantity_is_refused_without_repeating_it(value):
    for name in ("value-quantity", "component-value-quantity", "combo-value-quantity"):
        found = query("Observation", f"{name}=") if not value else refusal("Observation", f"{name}={value}")
        assert value not in str(found) if value else found.ignored == (name,)


def test_row_50_composites():
    found = only("Observation", r"component-code-value-quantity=urn:s|st$le20||mm,a\$b$1")
    assert found == CodedQuantityCriterion(
        "component",
        (
            (TokenValue("urn:s", "st"), QuantityBound("le", Decimal(20), Decimal(20), None, "mm")),
            (TokenValue(None, "a$b"), QuantityBound("eq", Decimal("0.5"), Decimal("1.5"))),
        ),
    )
    for bad in ("gap", "gap$", "$1", "gap$1$2", "gap$x"):
        assert refusal("Observation", f"code-value-quantity={bad}").parameter == "code-value-quantity"


def test_row_31_the_self_link_carries_what_was_used_as_it_was_asked():
    asked = "patient=Patient/p-1&code=urn:s%7C39125-0,x&date=ge2024-01-01T10:00:00%2B01:00&_sort=-date&_count=5"
    link = query("Observation", asked).self_link(BASE)
    assert parse_qsl(urlsplit(link).query) == parse_qsl(asked)
    assert link.startswith(f"{BASE}/Observation?")
    assert " " not in link
    assert "|" not in link


@given(
    st.lists(
        st.tuples(
            st.sampled_from(
                [
                    "code",
                    "category:not",
                    "status",
                    "identifier",
                    "_id",
                    "nonsense",
                    "_sort",
                    "_total",
                    "_elements",
                    "code-value-quantity",
                    "value-quantity",
                    "_include",
                    "_summary",
                    "device:missing",
                ]
            ),
            st.sampled_from(
                [
                    "a",
                    "a,b",
                    "s|c",
                    "|c",
                    "s|",
                    r"a\,b",
                    "-date",
                    "_id",
                    "none",
                    "é ü",
                    "a&b=c",
                    "+",
                    "%41",
                    "ge1.50||mm",
                    r"a\$b$2",
                    "Observation:device",
                    "true",
                    "data",
                ]
            ),
        ),
        max_size=6,
    )
)
def test_row_31_parsing_the_self_link_gives_the_same_query(pairs):
    try:
        first = parse("Observation", pairs, SETTING)
    except SearchError:
        return
    again = parse("Observation", parse_qsl(urlsplit(first.self_link(BASE)).query), SETTING)
    assert (again.criteria, again.order, again.count) == (first.criteria, first.order, first.count)
    assert (again.includes, again.subset) == (first.includes, first.subset)
    assert again.used == first.used
    assert again.ignored == ()


def test_row_33_count():
    assert query("Observation", "_count=7").count == 7
    assert query("Observation", "").count == 50
    assert query("Observation", "_count=99999").count == MAX_COUNT == 1000
    assert query("Observation", "_count=99999").self_link(BASE).endswith("_count=1000")
    assert query("Observation", "_count=0").count_only
    assert query("Observation", "_summary=count").count_only
    for bad in ("-1", "x", "1.5", "", "٥"):
        assert refusal("Observation", f"_count={bad}").parameter == "_count"
    assert "twice" in refusal("Observation", "_count=1&_count=2").reason


def test_row_34_the_next_link_keeps_every_criterion_and_the_cursor_comes_back():
    first = query("Observation", "patient=p-1&code=a&_sort=-date&_count=5")
    link = first.next_link(BASE, Cursor(1_700_000_000_000_000, 42))
    second = parse("Observation", parse_qsl(urlsplit(link).query), SETTING)
    assert second.cursor == Cursor(1_700_000_000_000_000, 42)
    assert (second.criteria, second.order, second.count) == (first.criteria, first.order, first.count)
    third = second.next_link(BASE, Cursor(1, 43))
    assert third.count("_cursor=") == 1


def test_row_34_a_cursor_of_another_search_or_a_broken_one_is_refused():
    link = query("Observation", "code=a").next_link(BASE, Cursor(1, 2))
    cursor = dict(parse_qsl(urlsplit(link).query))["_cursor"]
    assert query("Observation", f"code=a&_count=3&_cursor={cursor}").cursor == Cursor(1, 2)
    for bad in (f"code=b&_cursor={cursor}", f"code=a&_cursor={cursor}x", "code=a&_cursor=%00", "code=a&_cursor=bnVsbA"):
        assert refusal("Observation", bad).parameter == "_cursor"


def test_row_36_sort():
    assert query("Observation", "_sort=date").order == Order("date")
    assert query("Observation", "_sort=-date").order == Order("date", descending=True)
    assert query("Observation", "_sort=-_lastUpdated").order == Order("last_updated", descending=True)
    assert query("Patient", "_sort=_id").order == Order("id")
    assert query("Task", "_sort=authored-on").order == Order("date")


def test_row_36_an_unknown_sort_key_is_ignored_unless_strict():
    found = query("Observation", "_sort=value,date")
    assert (found.order, found.ignored) == (Order("date"), ("_sort=value",))
    assert found.self_link(BASE) == f"{BASE}/Observation?_sort=date"
    assert refusal("Observation", "_sort=value", strict=True)


def test_row_43_a_malformed_date_is_refused_without_repeating_it():
    fault = refusal("Observation", "date=1959-03-04-of-a-patient")
    assert fault.parameter == "date"
    assert "1959" not in str(fault)


def test_row_43_an_escaped_colon_is_a_colon():
    assert only("Observation", "date=2024-01-01T10%3A00Z") == only("Observation", "date=2024-01-01T10:00Z")


def test_dates_go_by_their_slot():
    assert isinstance(only("Observation", "date=2024"), DateCriterion)
    assert only("Observation", "value-date=2024").slot == "other_date"
    assert only("Observation", "_lastUpdated=gt2024").slot == "last_updated"


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("a", TokenValue(None, "a")),
        ("s|a", TokenValue("s", "a")),
        ("|a", TokenValue("", "a")),
        ("s|", TokenValue("s", None)),
    ],
)
def test_row_46_forms_of_a_token(text, value):
    assert only("Observation", f"code={text}").values == (value,)


@pytest.mark.parametrize("text", ["|", "a|b|c", "a,"])
def test_row_46_what_is_no_token_is_refused(text):
    assert refusal("Observation", f"code={text}").parameter == "code"


def test_row_46_case_counts():
    assert TokenValue(None, "A").holds("", "A")
    assert not TokenValue(None, "a").holds("", "A")


def test_row_47_an_identifier_is_whole():
    assert only("Patient", "identifier=urn:mrn|12") == IdentifierCriterion((TokenValue("urn:mrn", "12"),))


@pytest.mark.parametrize("text", ["p-1", "Patient/p-1", f"{BASE}/Patient/p-1"])
def test_row_48_forms_of_a_reference_are_equivalent(text):
    assert only("Observation", f"patient={text}") == ReferenceCriterion("patient", ("p-1",), ())


def test_row_48_subject_names_the_patient_too():
    assert only("Observation", "subject=Patient/p-1") == ReferenceCriterion("subject", ("p-1",), ())
    assert only("Observation", "subject:Patient=p-1") == ReferenceCriterion("subject", ("p-1",), ())
    assert only("Observation", "subject=Device/d-1") == ReferenceCriterion("subject", (), ("Device/d-1",))


def test_row_48_a_foreign_url_stands_for_itself():
    assert only("Observation", "patient=https://other.example/fhir/Patient/1").others == (
        "https://other.example/fhir/Patient/1",
    )


def test_row_48_a_bare_id_that_may_be_of_several_types_is_refused():
    assert "Type/id" in refusal("Observation", "subject=p-1").reason
    assert "Type/id" in refusal("Observation", "has-member=o-1").reason  # of a QuestionnaireResponse too
    assert only("Observation", "has-member:Observation=o-1").others == ("Observation/o-1",)
    assert only("Observation", "device=d-1").others == ("Device/d-1",)


@pytest.mark.parametrize(
    "text", ["patient=Device/d-1", "patient=a b", "has-member=Patient/1", "subject:Patient=Device/1"]
)
def test_row_48_a_reference_that_cannot_be_is_refused(text):
    assert refusal("Observation", text)


def test_row_49_a_string_is_folded():
    assert only("Patient", "family=MÜLler") == TextCriterion("family", ("muller",))


def test_ids_are_literal():
    assert only("Patient", "_id=a,B") == IdCriterion(("a", "B"))


def test_codes_of_components_are_searched_beside_the_code():
    assert only("Observation", "combo-code=x") == TokenCriterion("combo-code", "code_set", (TokenValue(None, "x"),))


def test_a_query_of_unreasonable_length_is_refused():
    assert refusal("Observation", "code=" + "a," * 5000 + "a")


def test_an_unknown_type_has_no_parameters():
    with pytest.raises(KeyError):
        query("Spoon", "")
