"""Questionnaire (http://hl7.org/fhir/R4/questionnaire.html): the forms of mappings/questionnaire.csv.

An EHR shows the form; what it sends back as QuestionnaireResponse becomes an entry by the rules of the intake. The
linkIds are those of the table and stay: a form that was filled in under an earlier version can still be read.
"""

from typing import Any

from service.fhir.build.structure import computer_name, published
from service.fhir.build.values import narrative
from service.terminology import Terminology
from service.terminology.forms import Form, Question

Tree = dict[str, Any]
CAUTION = (
    "Lengths are in millimetres. What is charted here supports decisions made under local protocol by licensed staff; "
    "it does not replace looking at the wound."
)


def questionnaires(terms: Terminology) -> list[Tree]:
    """Every form, in the order of the table."""
    return [questionnaire(terms, form) for form in terms.forms.values()]


def questionnaire_url(terms: Terminology, key: str) -> str:
    """Canonical URL of a form."""
    return f"{terms.base}/Questionnaire/{key}"


def questionnaire(terms: Terminology, form: Form) -> Tree:
    """One form; its answers are about the Patient of a course."""
    return {
        "resourceType": "Questionnaire",
        "id": form.key,
        "text": narrative(f"{form.title}. {CAUTION}"),
        "url": questionnaire_url(terms, form.key),
        "version": terms.canonical["version"],
        "name": computer_name(form.key),
        "title": form.title,
        "status": published(terms)["status"],
        "experimental": False,
        "subjectType": ["Patient"],
        **{key: value for key, value in published(terms).items() if key not in ("status", "experimental")},
        "description": CAUTION,
        **({"copyright": notices} if (notices := _notices(terms, form)) else {}),
        "code": terms.concept(form.concept)["coding"],
        "item": [_item(terms, question) for question in form.items],
    }


def _notices(terms: Terminology, form: Form) -> str:
    """What the owners of the code systems ask to be said where their codes appear."""
    concepts = [form.concept, *(concept for question in form.items for concept in _concepts(question))]
    systems = dict.fromkeys(row["system"] for key in concepts for row in terms.concepts[key].standard)
    return " ".join(" ".join(terms.notices[f"{system}.txt"].split()) for system in systems)


def _concepts(question: Question) -> list[str]:
    inner = [concept for item in question.items for concept in _concepts(item)]
    return [*filter(None, [question.concept]), *(concept for _, concept in question.options), *inner]


def _item(terms: Terminology, question: Question) -> Tree:
    built: Tree = {"linkId": question.link_id}
    if question.concept:
        built["code"] = terms.concept(question.concept)["coding"]
    built |= {"text": question.text, "type": question.type, "required": question.required, "repeats": question.repeats}
    if question.options:
        built["answerOption"] = [{"valueCoding": option_coding(terms, concept)} for _, concept in question.options]
    if question.items:
        built["item"] = [_item(terms, inner) for inner in question.items]
    return built


def option_coding(terms: Terminology, concept: str) -> Tree:
    """The coding that a form offers for a concept: our own code where there is one."""
    codings: list[Tree] = terms.concept(concept)["coding"]
    return next((coding for coding in codings if coding["system"] == terms.local_system), codings[0])
