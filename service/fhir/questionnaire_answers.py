"""Answers of a form as an entry of the intake contract, each name with the FHIRPath of the answer it came from.

http://hl7.org/fhir/R4/questionnaireresponse.html. Nothing is judged here that the intake judges: a text where a number
is wanted, an unknown question, a missing one all go on as they are, and the intake names them; its pointers are
translated back by `Answers.expression`. Only what an entry has no place for is an issue of this module's own.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from service import strict_json
from service.fhir.build.questionnaire import questionnaire_url
from service.fhir.r4.issue import Issue
from service.terminology import Terminology
from service.terminology.forms import Form, Question

Tree = dict[str, Any]
Path = tuple[str | int, ...]
ROOT = "QuestionnaireResponse"
_ENTRY_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}", re.ASCII)
_ANSWERS: Mapping[str, tuple[str, ...]] = {
    "string": ("valueString",),
    "text": ("valueString",),
    "integer": ("valueInteger",),
    "decimal": ("valueDecimal", "valueInteger"),
    "boolean": ("valueBoolean",),
    "dateTime": ("valueDateTime",),
    "choice": ("valueCoding",),
}


@dataclass(slots=True)
class Answers:
    """What a response says: the entry, where each of its names was answered, and what has no place in an entry."""

    form: Form | None = None
    entry: Tree = field(default_factory=dict)
    course_id: str | None = None
    issues: list[Issue] = field(default_factory=list)
    places: dict[Path, str] = field(default_factory=dict)
    root: str = ROOT

    def expression(self, path: Path) -> str:
        """FHIRPath of a name of the entry: of its answer, or of the item that is missing."""
        known = next(path[:length] for length in range(len(path), -1, -1) if path[:length] in self.places)
        missing = path[len(known) : len(known) + 1]
        link_id = self._link_id((*known, *missing)) if missing else None
        return self.places[known] + (f".item.where(linkId='{link_id}')" if link_id else "")

    def _link_id(self, path: Path) -> str | None:
        questions: Sequence[Question] = self.form.items if self.form else ()
        found: str | None = None
        for name in path:
            if isinstance(name, str):
                question = next((each for each in questions if each.member == name), None)
                if question is None:
                    return None
                found, questions = question.link_id, question.items
        return found

    def add(self, code: str, expression: str, diagnostics: str) -> None:
        """Note an issue of the response itself."""
        self.issues.append(Issue("error", code, expression, diagnostics, "answers"))


def entry_id_of(response: Tree) -> str:
    """Id of the entry: the identifier's value where it can be one, else a digest of it, or of the answers."""
    value = response.get("identifier", {}).get("value")
    if isinstance(value, str) and _ENTRY_ID.fullmatch(value):
        return value
    named = ("identifier",) if value is not None else ("questionnaire", "authored", "author", "item")
    content = {name: response[name] for name in named if name in response}
    return f"form-{sha256(strict_json.canonical(content)).hexdigest()[:32]}"


def course_named(response: Tree, terms: Terminology) -> str | None:
    """The course_id that an item of the form names."""
    return read_answers(response, terms, None).course_id


def read_answers(response: Tree, terms: Terminology, performer: Tree | None, root: str = ROOT) -> Answers:
    """Everything that a response says; `performer` is who charted, where that could be told."""
    said = Answers(root=root, places={(): root})
    said.places |= {("performer",): f"{root}.author", ("entry_id",): f"{root}.identifier"}
    said.places |= {("kind",): f"{root}.questionnaire"}
    said.form = _form_of(response, terms, said)
    if response.get("status") != "completed":
        said.add(
            "value", f"{root}.status", "only completed forms are charted; a correction is an amendment of the entry"
        )
    if said.form is None:
        return said
    said.entry = {"kind": said.form.kind, "entry_id": entry_id_of(response)}
    if performer is not None:
        said.entry["performer"] = performer
    _take(response.get("item", ()), said.form.items, root, (), said.entry, said, terms)
    if "at" not in said.entry and "authored" in response:
        said.entry["at"] = response["authored"]
        said.places["at",] = f"{root}.authored"
    return said


def _form_of(response: Tree, terms: Terminology, said: Answers) -> Form | None:
    named = str(response.get("questionnaire", "")).partition("|")[0]
    found = next((form for key, form in terms.forms.items() if questionnaire_url(terms, key) == named), None)
    if found is None:
        said.add("not-found", f"{said.root}.questionnaire", "is no Questionnaire of this service")
    return found


def _take(
    items: Sequence[Tree],
    questions: Sequence[Question],
    parent: str,
    path: Path,
    into: Tree,
    said: Answers,
    terms: Terminology,
) -> None:
    """Put the answers of one level into its object of the entry."""
    by_link = {question.link_id: question for question in questions}
    for place, item in enumerate(items):
        expression = f"{parent}.item[{place}]"
        question = by_link.get(item["linkId"])
        if question is None:
            said.add("not-found", f"{expression}.linkId", "is no question of this form at this place")
        elif question.type == "group":
            _take_group(item, question, expression, path, into, said, terms)
        else:
            _take_answers(item, question, expression, path, into, said, terms)


def _take_group(
    item: Tree, question: Question, expression: str, path: Path, into: Tree, said: Answers, terms: Terminology
) -> None:
    if not question.repeats and question.member in into:
        said.add("duplicate", expression, "this group is answered twice")
        return
    group: Tree = {}
    if question.repeats:
        here: Path = (*path, question.member, len(into.setdefault(question.member, [])))
        into[question.member].append(group)
        said.places.setdefault((*path, question.member), expression)
    else:
        here = (*path, question.member)
        into[question.member] = group
    said.places[here] = expression
    _take(item.get("item", ()), question.items, expression, here, group, said, terms)


def _take_answers(
    item: Tree, question: Question, expression: str, path: Path, into: Tree, said: Answers, terms: Terminology
) -> None:
    if item.get("item"):
        said.add("structure", f"{expression}.item", "this question has no questions beneath it")
    answers = list(_values(item, question, expression, said, terms))
    if not answers:
        return
    if question.repeats:
        listed = into.setdefault(question.member, [])
        for value, place in answers:
            said.places[*path, question.member, len(listed)] = place
            listed.append(value)
        said.places.setdefault((*path, question.member), expression)
        return
    if len(answers) > 1 or (question.member and question.member in into):
        said.add("duplicate", expression, "this question takes one answer")
        return
    value, place = answers[0]
    if question.member:
        into[question.member] = value
        said.places[*path, question.member] = place
    elif said.course_id is None and isinstance(value, str):
        said.course_id = value
        said.places["course_id",] = place


def _values(
    item: Tree, question: Question, expression: str, said: Answers, terms: Terminology
) -> Iterator[tuple[Any, str]]:
    for place, answer in enumerate(item.get("answer", ())):
        here = f"{expression}.answer[{place}]"
        if answer.get("item"):
            said.add("structure", f"{here}.item", "this question has no questions beneath it")
        key = next((key for key in answer if key.startswith("value")), None)
        if key is None:
            continue
        if key not in _ANSWERS[question.type]:
            wanted = " or ".join(each.removeprefix("value") for each in _ANSWERS[question.type])
            said.add("value", f"{here}.value", f"an answer of the type {wanted} is wanted")
            continue
        yield (_chosen(answer[key], question, terms) if key == "valueCoding" else answer[key]), f"{here}.value"


def _chosen(coding: Tree, question: Question, terms: Terminology) -> Any:
    """The intake's word for a coding; a coding that is no option goes on as its code, which the intake refuses."""
    for value, concept in question.options:
        for known in terms.concept(concept)["coding"]:
            if (known["system"], known["code"]) == (coding.get("system"), coding.get("code")):
                return value
    return f"{coding.get('system', '')}|{coding.get('code', '')}"
