"""What the applications of all sites share: the database, the audit record, the clock, how one signs in."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.access.chart_links import ChartLinks
from service.registry.export.jobs import Exports
from service.search.parameters import parameters
from service.store.access import AccessDatabase
from service.subscriptions.endpoints import Endpoints
from service.workflow.auditing import AuditRecorder

# Types that are served beside those of the clinical search, each by routes of its own.
SERVED_BESIDE = ("AuditEvent", "Binary", "Subscription")


@dataclass(frozen=True, slots=True)
class Shared:
    """`security`: how clients sign in, for the CapabilityStatement; `endpoints`: where notifications may go."""

    database: AccessDatabase
    recorder: AuditRecorder
    links: ChartLinks
    security: Mapping[str, Any]
    endpoints: Endpoints
    exports: Exports
    clock: Callable[[], datetime]


def served_types() -> frozenset[str]:
    """Every resource type that a scope may name."""
    return frozenset({*parameters(), *SERVED_BESIDE})
