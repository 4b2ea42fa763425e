"""Everything below /fhir that the clinical record and its artefacts answer, in the order in which paths are matched."""

from fastapi import APIRouter

from service.api.artefacts import artefact_routes
from service.api.branching import joined
from service.api.bulk import bulk_routes
from service.api.fhir import fhir_routes
from service.api.operations import OFFERED, operation_routes, unoffered_routes
from service.api.presented import BINARY_ROW, presented_routes
from service.api.reads_within import ReadsWithin
from service.api.shared import Shared
from service.api.subscriptions import subscription_routes
from service.api.writes import write_routes
from service.fhir.build.artefacts import artefacts
from service.fhir.capability import Beside, capability_statement, interactions
from service.fhir.operations.validating import Judge
from service.fhir.published import Published
from service.fhir.writable import SYSTEM_INTERACTIONS, WRITABLE
from service.registry.export.offered import export_operation, group_row, read_export_urls
from service.store import Store
from service.subscriptions.agreement import Terms
from service.subscriptions.topics import capability_of, read_vocabulary
from service.workflow import Workflow


def fhir_side(workflow: Workflow, shared: Shared) -> APIRouter:
    """Operations, subscriptions, published artefacts, resources; one CapabilityStatement tells of all of them."""
    site, settings, clock = workflow.site, workflow.settings, shared.clock
    terms = site.frame.terms
    vocabulary = read_vocabulary(terms, settings.mappings)
    exported = read_export_urls(settings.mappings)
    published = Published(artefacts(terms))
    followed = site.us_core
    instantiates = (*((followed.instantiates,) if followed else ()), vocabulary.urls["server"], exported["server"])
    beside = Beside(
        published.types,
        OFFERED,
        instantiates,
        WRITABLE,
        SYSTEM_INTERACTIONS,
        shared.security,
        rows=(capability_of(vocabulary), group_row(exported), BINARY_ROW),
        more_operations={level: [export_operation(exported, level)] for level in ("system", "Patient")},
    )
    profiles = terms.profiles_by_type()
    for type_, canonicals in (followed.profiles() if followed else {}).items():
        profiles.setdefault(type_, []).extend(canonicals)
    statement = capability_statement(settings.fhir_base, settings.software_version, settings.zone, profiles, beside)
    judge = Judge(site.rules, terms.canonical["structure_definitions"], interactions(statement))

    def reading(store: Store, written: APIRouter | None = None) -> APIRouter:
        return joined(
            operation_routes(store, settings, clock, judge, published),
            unoffered_routes(),
            artefact_routes(published, settings.fhir_base),
            *([] if written is None else [written]),
            fhir_routes(store, settings, clock, profiles, beside),
        )

    agreed = Terms(vocabulary, shared.endpoints, settings.fhir_base)
    written = write_routes(workflow, clock, ReadsWithin(workflow.store, reading))
    return joined(
        bulk_routes(shared.exports, settings, clock),
        presented_routes(workflow, settings, clock),
        subscription_routes(shared.database, workflow.store, site.key, agreed, clock),
        reading(workflow.store, written),
    )
