"""The sites of one installation, each with an application of its own.

An application is made for one site and asks its store for that site alone: it has no name for another. Which one
answers a request is decided at the door, by the client. That is the whole of the isolation; nothing below compares
sites.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from fastapi import APIRouter

from service.config import Settings
from service.projection import Site
from service.store import Store
from service.workflow import Workflow, workflow_of_site


@dataclass(frozen=True, slots=True)
class SitePart:
    """What serves one site."""

    workflow: Workflow
    app: APIRouter


class Sites:
    """Makes the part of a site when it is first asked for, and keeps it."""

    def __init__(self, store: Store, settings: Settings, application: Callable[[Workflow], APIRouter]) -> None:
        """`settings`: of the installation, `site` naming its home; `application`: makes the one of a site."""
        self.store = store
        self._settings = settings
        self._application = application
        self._parts: dict[str, SitePart] = {}
        self._lock = threading.Lock()

    @property
    def home(self) -> SitePart:
        """The site of the settings."""
        return self.part(self._settings.site)

    def made(self, key: str) -> SitePart | None:
        """What serves a site, where it was made already."""
        return self._parts.get(key)

    def part(self, key: str) -> SitePart:
        """What serves a site; raises with every fault of the site's files."""
        found = self._parts.get(key)
        if found is None:
            with self._lock:
                found = self._parts.get(key)
                if found is None:
                    workflow = workflow_of_site(self.store, self._settings, key)
                    found = self._parts[key] = SitePart(workflow, self._application(workflow))
        return found

    def site(self, key: str) -> Site:
        """What decides the projection of a site."""
        return self.part(key).workflow.site
