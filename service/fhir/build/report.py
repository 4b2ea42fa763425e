"""DiagnosticReport (http://hl7.org/fhir/R4/diagnosticreport.html): the progress of one course."""

from collections.abc import Sequence
from typing import Any

from service.clinic.caution import CAUTION
from service.clinic.quantities import present
from service.clinic.summary import Summary
from service.fhir.build.context import REPORT, Context
from service.fhir.build.identity import Built
from service.fhir.build.presented import presented_form
from service.fhir.build.values import cm, digits, paragraphs, percent, time_text
from service.fhir.build.wound import site_text

Tree = dict[str, Any]


def progress_report(context: Context, summary: Summary, results: Sequence[Tree], until: str) -> Built:
    """One report a course: partial while it is open, final at its outcome. `until` is the time of the latest entry."""
    frame = context.frame
    own = context.names.ids[REPORT]
    conclusion = " ".join(sentences(context, summary))
    built: Tree = {
        "resourceType": "DiagnosticReport",
        "id": own,
        "meta": frame.metas["closure-progress"],
        "text": paragraphs([conclusion, CAUTION]),
        "identifier": context.names.identifier(REPORT),
        "basedOn": context.plan,
        "status": "final" if summary.outcome is not None else "partial",
        "category": [frame.terms.hl7("report-category", "NRS")],
        "code": frame.concepts["closure-progress"],
        "subject": context.subject,
    }
    if context.encounter is not None:
        built["encounter"] = context.encounter
    built["effectivePeriod"] = {"start": time_text(context.course.opened_at), "end": until}
    if results:
        built["result"] = results
    built["conclusion"] = f"{conclusion} {CAUTION}"
    built["presentedForm"] = presented_form(own, with_trend=summary.gap is not None)
    return Built("DiagnosticReport", own, None, REPORT, built)


def sentences(context: Context, summary: Summary) -> list[str]:
    """The course in a few sentences, each with its numbers."""
    said = [f"Gradual closure of a wound of the {site_text(context)}, {summary.state}."]
    if (gap := summary.gap) is not None:
        said.append(f"Widest gap {digits(cm(gap.max_gap_mm))} cm at {time_text(gap.at)}.")
        if gap.closure_fraction is not None:
            said.append(f"{digits(percent(gap.closure_fraction))} % of the first gap closed.")
        if summary.gap_absent_reason is not None:
            said.append(f"The latest check measured no gaps: {summary.gap_absent_reason}")
    if summary.rate.mm_per_day is not None:
        said.append(f"Closure rate {digits(cm(present(summary.rate.mm_per_day)))} cm/d.")
    if summary.outcome is not None:
        outcome = context.frame.concepts[f"outcome-{summary.outcome.result}"]
        said.append(f"Outcome: {outcome['text'].lower()}.")
    return said
