"""Exports that the registry tests load: the examples as projected here, and a small simulated set."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from service import strict_json
from service.config import Settings
from service.fhir import wire
from service.projection import map_document, open_site
from service.registry.cohort import TABLES, cohort_sql
from service.registry.definitions import load_definitions
from service.registry.loading import load_folders
from service.registry.simulation.molds import SITE
from service.registry.simulation.writing import simulate
from service.registry.tables import columns_of, open_registry, read_views
from service.terminology import load

EXAMPLES = Path(__file__).parents[2] / "examples"
NOW = datetime(2026, 11, 1, tzinfo=UTC)
COURSES = 250


def projected(site="demo"):
    """The resources of every example course, as a site of that name emits them."""
    opened = open_site(Settings(site=site))
    for path in sorted(EXAMPLES.glob("[0-9]*/course*.json")):
        bundle = map_document(opened, strict_json.read(path.read_bytes()), NOW, "https://heron.example/fhir")
        yield from (entry["resource"] for entry in wire.read(bundle)["entry"])


def write_ndjson(path, resources):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"".join(wire.write(resource) + b"\n" for resource in resources))
    return path


@pytest.fixture(scope="session")
def views():
    return read_views()


@pytest.fixture(scope="session")
def terms():
    return load(None)


@pytest.fixture(scope="session")
def definitions(terms):
    return load_definitions(terms)


@pytest.fixture(scope="session")
def examples():
    """The examples' resources; tests copy what they change."""
    return list(projected())


@pytest.fixture(scope="session")
def simulated(tmp_path_factory):
    """Folders of five simulated sites."""
    out = tmp_path_factory.mktemp("simulated")
    simulate(open_site(replace(Settings(), site=SITE)), out, 5, COURSES, 3)
    return out


@pytest.fixture(scope="session")
def registry(simulated, views, tmp_path_factory):
    """A registry file with the simulated sites."""
    path = tmp_path_factory.mktemp("registry") / "sites.duckdb"
    with open_registry(path, views) as connection:
        loaded = load_folders(connection, views, sorted(simulated.iterdir()))
        assert loaded.rejects == []
    return path


@pytest.fixture(scope="session")
def cohort(registry, views, definitions):
    """The cohort of the simulated sites."""
    with open_registry(registry, views) as connection:
        return cohort_of(connection, definitions)


def cohort_of(connection, definitions):
    return connection.execute(cohort_sql(columns_of(connection, TABLES), definitions)).df()


def copied(resource, **changes):
    """A copy of a resource with changed members."""
    return {**json.loads(json.dumps(resource, default=float)), **changes}
