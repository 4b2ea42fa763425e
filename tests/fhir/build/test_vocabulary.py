"""Every word that the clinic or the contract can say has its concept, and nothing stands in the tables for nothing."""

import typing
from pathlib import Path

import pytest

from service.clinic import alerts, force, forecast, gap, rate, resets
from service.clinic.entries import Check, Outcome, Removal, SkinSign, Wound
from service.fhir.build.procedure import CLOSURE_CONCEPT
from service.intake.models import model_of
from service.terminology.tables import folder_of_tables, read_tables
from tests.fhir.build.course_of_nine import TERMS

SOURCES = "\n".join(
    file.read_text() for file in (Path(__file__).resolve().parents[3] / "service" / "fhir").glob("**/*.py")
)


def words(model, field):
    annotation = model_of(model).model_fields[field].annotation
    plain = [part for part in typing.get_args(annotation) if typing.get_origin(part) is typing.Literal] or [annotation]
    return typing.get_args(plain[0])


@pytest.mark.parametrize(
    "key",
    [
        *(f"alert-{code}" for code in alerts.KINDS),
        *(f"severity-{severity}" for severity in alerts.SEVERITIES),
        *(f"due-{reason}" for reason in resets.REASONS),
        *(f"skin-{sign}" for sign in typing.get_args(SkinSign)),
        *(f"site-{site}" for site in words(Wound, "body_site")),
        *(f"{cause}-wound" for cause in words(Wound, "cause")),
        *words(Wound, "laterality"),
        *words(Check, "device_status"),
        *(f"removal-{reason}" for reason in words(Removal, "reason")),
        *(f"outcome-{result}" for result in words(Outcome, "result")),
        *CLOSURE_CONCEPT.values(),
    ],
)
def test_every_word_has_its_concept(key):
    assert TERMS.concept(key)["coding"]


def test_severity_and_existence_of_every_alert_are_those_of_the_clinic():
    listed = {concept.removeprefix("alert-"): severity for concept, (severity, _) in TERMS.alerts.items()}
    assert listed == {code: kind.severity for code, kind in alerts.KINDS.items()}


@pytest.mark.parametrize("module", [force, forecast, gap, rate], ids=lambda module: module.__name__)
def test_every_reason_that_the_clinic_gives_for_a_missing_value_has_its_row(module):
    no_reasons = {"PROFILE", "ELLIPSE_ESTIMATE"}
    reasons = {name: value for name, value in vars(module).items()
               if name.isupper() and isinstance(value, str) and name not in no_reasons}  # fmt: skip
    assert reasons
    for reason in reasons.values():
        assert "coding" in TERMS.absent(reason), reason


def test_every_hl7_code_unit_and_reason_in_the_tables_is_used():
    rows = read_tables(folder_of_tables()).rows
    reasons = {row["code"] for row in rows["absent.csv"]} | {row["category"] for row in rows["alerts.csv"]}
    for row in rows["hl7.csv"]:
        assert f'"{row["code"]}"' in SOURCES or row["code"] in reasons | {"entered-in-error"}, row
    for row in rows["units.csv"]:
        assert f'"{row["key"]}"' in SOURCES, row


def test_every_concept_in_the_tables_is_used():
    spoken = ("alert-", "severity-", "due-", "skin-", "site-", "removal-", "outcome-", "items-", "closable-within-",
              "gap-closure-rate-")  # fmt: skip
    by_word = {"in-place", "partly-in-place", "dislodged", "removed", "left", "right", "midline",
               "fasciotomy-wound", "trauma-wound", "surgical-dehiscence-wound", "other-wound"}  # fmt: skip
    for key in TERMS.concepts:
        assert f'"{key}"' in SOURCES or key.startswith(spoken) or key in by_word, key
