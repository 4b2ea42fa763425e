"""What the OpenAPI document says of the intake side: schemas of the contract, an example document, the answers."""

import json
from pathlib import Path
from typing import Any

from pydantic.json_schema import models_json_schema

from service import strict_json
from service.clinic import entries
from service.clinic.layout import WoundToFit, plan_for
from service.clinic.layout_words import plan_view
from service.clinic.policy import default_policy
from service.intake.models import model_of
from service.intake.planning import review_wound

EXAMPLE: dict[str, Any] = json.loads(Path(__file__).with_name("example-course.json").read_bytes())
KINDS = ("Installation", "Check", "Reset", "Removal", "Reconciliation", "Outcome", "Amendment", "Retraction")
STATUS = {
    401: "No valid token was shown",
    403: "The token does not cover the request",
    429: "Too many requests; wait as long as Retry-After says",
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
    contract = [*(getattr(entries, name) for name in ("Course", *KINDS)), WoundToFit]
    models = [(model_of(record), "validation") for record in contract]
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
        "LayoutPlan": {"type": "object", "required": ["bands", "cautions"], "properties": _PLAN_MEMBERS},
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


SECURITY = {
    "token": {"type": "http", "scheme": "bearer", "description": "A token of POST /auth/token, see docs/access.md"}
}


def behind_the_door(paths: dict[str, Any]) -> None:
    """Let every operation say that it needs a token and what happens without one."""
    problem_document = answers(None, 401, 403, 429)
    for path, operations in paths.items():
        for operation in operations.values():
            operation["security"] = [{"token": []}]
            if not path.startswith("/fhir"):  # there every refusal is documented as 4XX
                told = {str(status): answer for status, answer in problem_document.items()}
                operation["responses"] = told | operation["responses"]


def _schema(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _body(schema: dict[str, Any], examples: dict[str, Any]) -> dict[str, Any]:
    named = {name: {"value": value} for name, value in examples.items()}
    return {"requestBody": {"required": True, "content": {"application/json": {"schema": schema, "examples": named}}}}


def _member(value: Any) -> dict[str, str]:
    """The JSON type of a member as an example shows it."""
    if isinstance(value, dict):
        return {"type": "object"}
    if isinstance(value, list):
        return {"type": "array"}
    return {"type": "string"} if isinstance(value, str) else {"type": "number"}


_LISTS = {name: {"type": "array", "items": {"type": "object"}} for name in ("bands", "alerts", "entries")}
_OBJECTS = {name: {"type": "object"} for name in ("links", "latest", "next_reset", "reset_plan", "counts", "policy")}
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


def _parameter(name: str, description: str, schema: dict[str, Any], example: Any) -> dict[str, Any]:
    return {"name": name, "in": "query", "description": description, "schema": schema, "example": example}


COURSES_QUERY = {
    "parameters": [
        _parameter("state", "Open or closed courses only", {"enum": ["open", "closed"]}, "open"),
        _parameter(
            "cursor", "`next_cursor` of the page before", {"type": "string", "maxLength": 64}, "alder-lower-leg-1"
        ),
        _parameter("limit", "Courses a page", {"type": "integer", "minimum": 1, "maximum": 200, "default": 50}, 20),
    ]
}
DUE_QUERY = {
    "parameters": [
        _parameter(
            "within_h", "Look ahead so many hours", {"type": "number", "minimum": 0, "maximum": 8784, "default": 24}, 12
        )
    ]
}
VIEW = {"schema": _schema("CourseView")}
COURSES_PAGE = {
    "schema": {
        "type": "object",
        "properties": {"courses": {"type": "array", "items": _schema("CourseView")}, "next_cursor": {"type": "string"}},
    }
}
DUE_BOARD = {
    "schema": {"type": "object", "properties": {"due": {"type": "array", "items": {"type": "object"}}}},
    "example": {
        "due": [
            {
                "course_id": "alder-lower-leg-1",
                "due_at": "2026-03-02T21:10:00+01:00",
                "status": "overdue",
                "reason": "below-range",
                "bands": [3],
                "set_by": "ch-1",
                "high_alerts": ["reset-overdue"],
            }
        ]
    },
}
COURSE_FILE = _body(_schema("CourseFile"), {"installation and a first check": EXAMPLE})
ENTRIES = _body(
    {"oneOf": [_schema("Entry"), {"type": "array", "items": _schema("Entry")}]},
    {"one check": EXAMPLE["entries"][1], "a list": [EXAMPLE["entries"][1]]},
)

WOUND_TO_FIT: dict[str, Any] = {"length_mm": 40, "max_gap_mm": 30}
_EXAMPLE_PLAN = plan_view(plan_for(review_wound(WOUND_TO_FIT, default_policy()), default_policy()), default_policy())
_PLAN_MEMBERS: dict[str, Any] = {name: _member(value) for name, value in _EXAMPLE_PLAN.items()}
PLAN = {"schema": _schema("LayoutPlan"), "example": json.loads(strict_json.write(_EXAMPLE_PLAN))}
PLAN_REQUEST = _body(_schema("WoundToFit"), {"a short wound": WOUND_TO_FIT})
