"""The second layer: what the library fhirkit-rs says about the same bytes (an independent reading of R4, in Rust)."""

from __future__ import annotations

from service.fhir.r4.issue import Issue


def library_issues(raw: bytes) -> list[Issue]:
    """The findings of fhirkit-rs as issues; its refusal to parse at all is one of them."""
    import fhirkit  # on first use: loading its library takes longer than all the tables, and the fast path needs none

    try:
        found = fhirkit.validate(raw)
    except (fhirkit.ParseError, ValueError) as refusal:
        return [Issue("error", "structure", "", str(refusal), "fhirkit-rs")]
    return [
        Issue("error" if i.severity == "error" else "warning", "structure", i.path, i.message, "fhirkit-rs")
        for i in found
    ]
