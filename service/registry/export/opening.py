"""Exports as an installation has them: what answers for their jobs, and what does them."""

from collections.abc import Callable
from datetime import datetime

from service.config import Settings
from service.registry.export.running import ExportWorker
from service.registry.export.settings import export_settings_from
from service.registry.export.sources import Sources
from service.store.export_reading import ExportDatabase


def export_worker(database: ExportDatabase, settings: Settings, clock: Callable[[], datetime]) -> ExportWorker:
    """A worker of this installation."""
    return ExportWorker(
        database, Sources(database, settings, clock), export_settings_from(settings.database_url), clock
    )
