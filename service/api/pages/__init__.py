"""Pages for people: due board, course, forms, layout plan. Rendered here, usable without script."""

from collections.abc import Callable
from datetime import datetime

from fastapi import APIRouter

from service.api.branching import joined
from service.api.pages.course_routes import course_routes
from service.api.pages.form_routes import form_routes
from service.api.pages.ward_routes import ward_routes
from service.config import Settings
from service.workflow import Workflow

__all__ = ["page_routes"]


def page_routes(workflow: Workflow, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """Everything under /ward. Reading needs `intake:read`, posting a form `intake:write`; the door asks for them."""
    return joined(
        ward_routes(workflow, settings, clock),
        course_routes(workflow, settings, clock),
        form_routes(workflow, settings, clock),
    )
