"""`validate`: any FHIR R4 JSON or NDJSON file, an OperationOutcome a file on standard output."""

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from service.config import settings_from
from service.fhir.profiles import profile_rules
from service.fhir.r4.issue import Issue
from service.fhir.validate import operation_outcome
from service.fhir.validate.files import Opinion, check_file
from service.fhir.wire import write
from service.terminology import load


def validate_files(files: Sequence[Path], with_second_opinion: bool) -> int:
    """0 when no file has an error; the profiles of the mapping tables are checked where a resource claims them."""
    another: Opinion | None = None
    if with_second_opinion:
        from service.fhir.validate.second_opinion import second_opinion

        another = second_opinion
    rules = profile_rules(load(settings_from().mappings))
    faulty = False
    for path in files:
        issues: list[Issue] = []
        for place, found in check_file(path, rules, another):
            line = place.removeprefix(str(path))
            issues += (
                [replace(one, diagnostics=f"line {line[1:]}: {one.diagnostics}") for one in found] if line else found
            )
        faulty = faulty or any(issue.severity == "error" for issue in issues)
        sys.stdout.buffer.write(write(operation_outcome(issues)) + b"\n")
    return 1 if faulty else 0
