"""The application of one site, every route that shows or takes data bound to its workflow; and that of registries."""

from collections.abc import Callable
from datetime import datetime

from fastapi import APIRouter

from service.api.audit_reading import audit_routes
from service.api.branching import Branches
from service.api.bulk import bulk_routes
from service.api.chart import link_routes
from service.api.fhir_side import fhir_side
from service.api.intake import intake_routes
from service.api.pages import page_routes
from service.api.plan import plan_routes
from service.api.shared import Shared
from service.api.start import start_routes
from service.config import Settings
from service.registry.export.jobs import Exports
from service.workflow import Workflow


def registry_app(exports: Exports, settings: Settings, clock: Callable[[], datetime]) -> APIRouter:
    """What a registry may ask for: exports, de-identified, of the sites that agreed. It belongs to no site."""
    return Branches(bulk_routes(exports, settings, clock))


def site_app(workflow: Workflow, shared: Shared) -> APIRouter:
    """Every route behind the door, for one site."""
    settings, clock = workflow.settings, shared.clock
    return Branches(  # a router serves by itself; its errors are answered outside, where they are recorded too
        start_routes(workflow, settings, clock),
        intake_routes(workflow, settings.public_base, clock),
        plan_routes(workflow.site.policy, workflow.site.bench, settings.public_base),
        page_routes(workflow, settings, clock),
        link_routes(workflow, shared.links, clock),
        audit_routes(workflow.store, settings, shared.recorder),
        fhir_side(workflow, shared),
    )
