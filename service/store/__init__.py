"""Readings and resources on disk: one write of one site at a time, current and superseded versions, search."""

from service.store.errors import (
    DraftError,
    SchemaError,
    StoreBusyError,
    StoreCorruptedError,
    StoreError,
    StoreFullError,
    StoreUnavailableError,
)
from service.store.reading import Reading
from service.store.rows import CourseRow, Current, Draft, EntryRow, Page, Saved, Stored
from service.store.store import Store, migrate_database, open_store
from service.store.writing import WriteUnit

__all__ = [
    "CourseRow",
    "Current",
    "Draft",
    "DraftError",
    "EntryRow",
    "Page",
    "Reading",
    "Saved",
    "SchemaError",
    "Store",
    "StoreBusyError",
    "StoreCorruptedError",
    "StoreError",
    "StoreFullError",
    "StoreUnavailableError",
    "Stored",
    "WriteUnit",
    "migrate_database",
    "open_store",
]
