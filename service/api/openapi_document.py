"""The OpenAPI document: what stands outside the door, and one site's application; those of all sites are alike."""

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.routing import BaseRoute

from service.api.documentation import SECURITY, behind_the_door, schemas
from service.api.sites import Sites

Document = dict[str, Any]


def openapi_document(app: FastAPI, outside: APIRouter, sites: Sites) -> Document:
    """Made when it is first asked for."""
    if app.openapi_schema is None:
        before, inside = _of(app, outside.routes), _of(app, sites.home.app.routes)
        behind_the_door(inside["paths"])
        app.openapi_schema = before | {
            "paths": before["paths"] | inside["paths"],
            "components": _both(before, inside),
        }
    return app.openapi_schema


def _of(app: FastAPI, routes: Sequence[BaseRoute]) -> Document:
    found: Document = get_openapi(title=app.title, version=app.version, description=app.description, routes=routes)
    return found


def _both(outside: Document, inside: Document) -> Document:
    of_both = [document.get("components", {}) for document in (outside, inside)]
    parts = {part: {name: each for one in of_both for name, each in one.get(part, {}).items()} for part in _PARTS}
    return {"schemas": parts["schemas"] | schemas(), "securitySchemes": parts["securitySchemes"] | SECURITY}


_PARTS = ("schemas", "securitySchemes")
