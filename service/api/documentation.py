"""What the OpenAPI document says of the intake side: schemas of the contract, an example document, the answers."""

from pathlib import Path
from typing import Any

from pydantic.json_schema import models_json_schema

from service import strict_json
from service.clinic import entries

EXAMPLE: dict[str, Any] = strict_json.read(Path(__file__).with_name("example-course.json").read_bytes())
KINDS = ("Installation", "Check", "Reset", "Removal", "Reconciliation", "Outcome", "Amendment", "Retraction")
STATUS = {
    200: "Done; nothing changed where the document repeats what was charted",
    201: "Recorded and on disk",
    400: "No JSON that every reader understands alike: not UTF-8, duplicate names, NaN, too deep, a number too large",
    404: "No such course at this site",
    409: "The same id was charted with other content",
    413: "Over 1 MiB",
    415: "Not application/json",
    422: "Breaks the contract; `errors` names every fault with a pointer into the document",
}


def schemas() -> dict[str, Any]:
    """The contract's models as JSON Schema for `components.schemas`."""
    models = [(getattr(entries, name), "validation") for name in ("Course", *KINDS)]
    _, definitions = models_json_schema(models, ref_template="#/components/schemas/{model}")  # type: ignore[arg-type]  # pydantic wants literal modes
    named: dict[str, Any] = definitions["$defs"]
    return named | {
        "Entry": {"oneOf": [_schema(name) for name in KINDS]},
        "CourseFile": {
            "type": "object",
            "required": ["course", "entries"],
            "additionalProperties": False,
            "properties": {"course": _schema("Course"), "entries": {"type": "array", "items": _schema("Entry")}},
        },
        "CourseView": {"type": "object", "required": ["course_id", "state"], "properties": _VIEW_MEMBERS},
        "Problem": {
            "type": "object",
            "description": "RFC 9457 problem document",
            "properties": {
                "type": {"type": "string"},
                "title": {"type": "string"},
                "status": {"type": "integer"},
                "detail": {"type": "string"},
                "errors": {
                    "type": "array",
                    "items": {
                        "type": "object",
                        "properties": {"pointer": {"type": "string"}, "detail": {"type": "string"}},
                    },
                },
            },
        },
    }


def answers(success: dict[str, Any] | None, *statuses: int) -> dict[int | str, dict[str, Any]]:
    """The `responses` of a route: its successes with their schema, its refusals as problem documents."""
    fhir = {"application/fhir+json": {"schema": {"type": "object"}}}
    good = fhir if success is None else {"application/json": success}
    bad = {"application/problem+json": {"schema": _schema("Problem"), "example": PROBLEM}}
    return {status: {"description": STATUS[status], "content": good if status < 300 else bad} for status in statuses}


def _schema(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _body(schema: dict[str, Any], examples: dict[str, Any]) -> dict[str, Any]:
    named = {name: {"value": value} for name, value in examples.items()}
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema, "examples": named}}}}


_LISTS = {name: {"type": "array", "items": {"type": "object"}} for name in ("bands", "alerts", "entries")}
_OBJECTS = {name: {"type": "object"} for name in ("links", "latest", "next_reset", "counts")}
_VIEW_MEMBERS: dict[str, Any] = {
    "course_id": {"type": "string"},
    "state": {"enum": ["open", "closed"]},
    **_OBJECTS,
    **_LISTS,
}
PROBLEM = {
    "type": "about:blank",
    "title": "Unprocessable Entity",
    "status": 422,
    "detail": "1 fault(s); nothing of the document was stored",
    "errors": [{"pointer": "/entries/0/bands/2/station_mm", "detail": "lies beyond the wound's length of 160 mm"}],
}
VIEW = {"schema": _schema("CourseView")}
COURSES_PAGE = {
    "schema": {
        "type": "object",
        "properties": {"courses": {"type": "array", "items": _schema("CourseView")}, "next_cursor": {"type": "string"}},
    }
}
DUE_BOARD = {"schema": {"type": "object", "properties": {"due": {"type": "array", "items": {"type": "object"}}}}}
COURSE_FILE = _body(_schema("CourseFile"), {"installation and a first check": EXAMPLE})
ENTRIES = _body(
    {"oneOf": [_schema("Entry"), {"type": "array", "items": _schema("Entry")}]},
    {"one check": EXAMPLE["entries"][1], "a list": [EXAMPLE["entries"][1]]},
)
