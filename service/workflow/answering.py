"""A QuestionnaireResponse becomes an entry by the rules of the intake, and stays beside it as it was sent.

The entry's id is the identifier of the response (entry_id_of), its course the item `course_id` or the CarePlan that the
response is based on, who charted its author. The same answers again change nothing; other answers under the same
identifier are a conflict; every fault is named by a FHIRPath into the response.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.fhir.build.identity import hospital_id
from service.fhir.questionnaire_answers import Answers, course_named, entry_id_of, read_answers
from service.fhir.r4.issue import Issue
from service.intake.faults import Fault, Refused
from service.store import CourseRow
from service.store.receiving import Held, held, identified
from service.store.writing import WriteUnit
from service.workflow import UnknownCourse, Workflow, identities
from service.workflow.incoming import Asked, Settled
from service.workflow.rejecting import Rejected

Tree = dict[str, Any]
TYPE = "QuestionnaireResponse"


@dataclass(frozen=True, slots=True)
class Answering:
    """Charting of answers for one site."""

    workflow: Workflow

    def settle(self, unit: WriteUnit, asked: Asked) -> Settled:
        """The response's id: the same for the same entry of the same course."""
        course_id = self._course_id(unit, asked.resource) or ""
        id_ = hospital_id(unit.site, TYPE, course_id, entry_id_of(asked.resource))
        before = held(unit, [(TYPE, id_)]).get((TYPE, id_))
        row = unit.course(course_id) if course_id else None
        return Settled(asked, id_, before, writes=before is None, patient=row.patient_id if row else None)

    def chart(self, unit: WriteUnit, settled: Sequence[Settled]) -> None:
        """Record the entries, course by course; Rejected with every fault of every response."""
        said = [(self._read(unit, one), one) for one in settled]
        issues = [issue for answers, one in said for issue in self._faults(unit, answers, one)]
        of_course: dict[str, list[Answers]] = {}
        for answers, _ in said:
            if answers.course_id is not None and answers.entry:
                of_course.setdefault(answers.course_id, []).append(answers)
        for course_id, listed in of_course.items():
            issues += [_issue(fault, listed) for fault in self._record(unit, course_id, listed)]
        if issues:
            raise Rejected(409 if all(issue.code == "conflict" for issue in issues) else 422, issues)

    def _record(self, unit: WriteUnit, course_id: str, listed: Sequence[Answers]) -> Sequence[Fault]:
        try:
            entries = [answers.entry for answers in listed]
            self.workflow.record_entries_within(unit, course_id, entries, unit.now)
        except Refused as refusal:
            return refusal.faults
        except UnknownCourse:
            return [Fault((place, "course_id"), "no such course at this site") for place in range(len(listed))]
        return ()

    def _read(self, unit: WriteUnit, one: Settled) -> Answers:
        """What was sent, with its links to other entries of a transaction answered."""
        response = one.resource
        answers = read_answers(response, self.workflow.site.frame.terms, _performer(unit, response), one.asked.place)
        planned = self._planned_course(unit, response)
        if answers.course_id is not None and planned is not None and planned != answers.course_id:
            answers.add("value", answers.expression(("course_id",)), "is not the course of the CarePlan in basedOn")
        answers.course_id = answers.course_id or planned
        if answers.course_id is None and answers.form is not None:
            answers.add(
                "required", answers.root, "names no course: answer course_id, or refer to its CarePlan in basedOn"
            )
        return answers

    def _faults(self, unit: WriteUnit, answers: Answers, one: Settled) -> list[Issue]:
        row = unit.course(answers.course_id) if answers.course_id else None
        subject = one.resource.get("subject")
        if row is not None and subject is not None and not _same_patient(subject, row, self.workflow):
            answers.add("business-rule", f"{answers.root}.subject", "is not the patient of the course")
        return answers.issues

    def _course_id(self, unit: WriteUnit, response: Tree) -> str | None:
        return course_named(response, self.workflow.site.frame.terms) or self._planned_course(unit, response)

    def _planned_course(self, unit: WriteUnit, response: Tree) -> str | None:
        """The course whose CarePlan, by reference or identifier, the response is based on."""
        for based_on in response.get("basedOn", ()):
            for plan in self._plans(unit, based_on):
                if plan.course_id is not None:
                    return plan.course_id
        return None

    def _plans(self, unit: WriteUnit, based_on: Tree) -> Sequence[Held]:
        literal = self._relative(based_on)
        if literal.startswith("CarePlan/"):
            key = ("CarePlan", literal.partition("/")[2].partition("/")[0])
            return list(held(unit, [key]).values())
        identifier = based_on.get("identifier", {})
        return identified(unit, "CarePlan", identifier.get("system", ""), identifier.get("value", ""))

    def _relative(self, reference: Tree) -> str:
        return str(reference.get("reference", "")).removeprefix(f"{self.workflow.settings.fhir_base}/")


def _performer(unit: WriteUnit, response: Tree) -> Tree | None:
    """Who charted: the author's identifier, or that of the author's resource here."""
    author = response.get("author", {})
    identifier = author.get("identifier")
    if identifier is None and "reference" in author:
        type_, _, id_ = author["reference"].rpartition("/")
        key = (type_.rpartition("/")[2], id_)
        stored = held(unit, [key]).get(key)
        named = identities.first_identifier(stored.body) if stored else None
        identifier = {"system": named[0], "value": named[1]} if named else None
    if identifier is None:
        return None
    kept = {name: identifier[name] for name in ("system", "value") if name in identifier}
    return {"identifier": kept} | ({"display": author["display"]} if "display" in author else {})


def _same_patient(subject: Tree, row: CourseRow, workflow: Workflow) -> bool:
    literal = str(subject.get("reference", "")).removeprefix(f"{workflow.settings.fhir_base}/")
    if literal and literal.partition("/_history/")[0] != f"Patient/{row.patient_id}":
        return False
    identifier = subject.get("identifier")
    if identifier is None:
        return bool(literal)
    named = (identifier.get("system"), identifier.get("value"))
    return bool(literal) or named == (row.patient_system, row.patient_value)


def _issue(fault: Fault, listed: Sequence[Answers]) -> Issue:
    place, *path = fault.path
    answers = listed[place if isinstance(place, int) else 0]
    code = "conflict" if fault.conflict else "business-rule"
    return Issue("error", code, answers.expression(tuple(path)), fault.detail, "intake")
