"""Everything below /fhir that the clinical record and its artefacts answer, in the order in which paths are matched."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from fastapi import APIRouter

from service.api.artefacts import artefact_routes
from service.api.fhir import fhir_routes
from service.api.operations import OFFERED, operation_routes, unoffered_routes
from service.api.reads_within import ReadsWithin
from service.api.writes import write_routes
from service.config import Settings
from service.fhir.build.artefacts import artefacts
from service.fhir.capability import Beside, capability_statement, interactions
from service.fhir.operations.validating import Judge
from service.fhir.published import Published
from service.fhir.writable import SYSTEM_INTERACTIONS, WRITABLE
from service.store import Store
from service.workflow import Workflow


def fhir_side(
    workflow: Workflow, settings: Settings, security: Mapping[str, Any], clock: Callable[[], datetime]
) -> APIRouter:
    """Operations, published artefacts, resources; one CapabilityStatement tells of all of them, and of `security`."""
    site = workflow.site
    terms = site.frame.terms
    published = Published(artefacts(terms))
    followed = site.us_core
    instantiates = (followed.instantiates,) if followed else ()
    beside = Beside(published.types, OFFERED, instantiates, WRITABLE, SYSTEM_INTERACTIONS, security)
    profiles = terms.profiles_by_type()
    for type_, canonicals in (followed.profiles() if followed else {}).items():
        profiles.setdefault(type_, []).extend(canonicals)
    statement = capability_statement(settings.fhir_base, settings.software_version, settings.zone, profiles, beside)
    judge = Judge(site.rules, terms.canonical["structure_definitions"], interactions(statement))

    def reading(store: Store, written: APIRouter | None = None) -> APIRouter:
        routes = APIRouter()
        routes.include_router(operation_routes(store, settings, clock, judge, published))
        routes.include_router(unoffered_routes())
        routes.include_router(artefact_routes(published, settings.fhir_base))
        if written is not None:
            routes.include_router(written)
        routes.include_router(fhir_routes(store, settings, clock, profiles, beside))
        return routes

    return reading(workflow.store, write_routes(workflow, clock, ReadsWithin(workflow.store, reading)))
