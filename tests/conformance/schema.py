"""The official R4 JSON schema as an independent opinion (fhir.schema.json of R4 4.0.1, JSON Schema draft 6).

It knows structure and many code lists, not calendars, reference targets or constraints.
"""

import json
from functools import cache

import jsonschema_rs

from tests.conformance.npm import JSON_SCHEMA, package


@cache
def _validator() -> jsonschema_rs.Draft6Validator:
    text = (package(*JSON_SCHEMA) / "fhir.schema.json").read_text(encoding="utf-8")
    return jsonschema_rs.Draft6Validator(json.loads(text))


def official_schema_errors(resource_bytes: bytes) -> list[str]:
    """`path: message` for each violation. The path is a JSON pointer's parts joined by dots."""
    found = _validator().iter_errors(json.loads(resource_bytes))
    return [f"{'.'.join(str(step) for step in error.instance_path)}: {error.message[:300]}" for error in found]
