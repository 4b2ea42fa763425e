"""Simulated courses look like this service's own output, repeat from a seed, and follow what they assume."""

import json
from dataclasses import replace

import numpy as np
import pytest

from service.config import Settings
from service.fhir.profiles import profile_rules
from service.fhir.validate import check_bytes
from service.projection import open_site
from service.registry.simulation import molds
from service.registry.simulation.assumptions import FINDING_SHARES, FLAG_SHARES, RESULT_SHARES, Assumptions
from service.registry.simulation.molds import SITE, MoldBroken, make_molds
from service.registry.simulation.writing import simulate
from tests.registry.check_data import rows


@pytest.fixture(scope="module")
def site():
    return open_site(replace(Settings(), site=SITE))


def lines(folder):
    return [line for path in sorted(folder.rglob("*.ndjson")) for line in path.read_bytes().splitlines()]


def kind_of(resource):
    """What a resource is: its type and, where it has one, its own code; skin findings and outcomes alike."""
    coding = resource.get("code", {}).get("coding", [{}])
    return resource["resourceType"], next((one["code"] for one in coding if "closure" in one.get("system", "")), "")


def shape_of(node, at=""):
    """Every path of a resource."""
    if isinstance(node, dict):
        return {at} | {path for name, value in node.items() for path in shape_of(value, f"{at}.{name}")}
    if isinstance(node, list):
        return {path for value in node for path in shape_of(value, at)}
    return {at}


def test_every_simulated_resource_is_valid_and_fits_its_profile(simulated, terms):
    rules = profile_rules(terms)
    found = lines(simulated)
    assert len(found) > 10_000
    for line in found[:: len(found) // 2000]:
        assert [issue for issue in check_bytes(line, rules) if issue.severity == "error"] == []


def test_simulated_resources_have_the_shape_of_projected_ones(simulated, examples):
    """Each path of a simulated resource occurs in a projected one of its kind, and what all those have, it has too."""
    projected = {}
    for resource in examples:
        if resource.get("status") != "entered-in-error":
            projected.setdefault(kind_of(resource), []).append(
                shape_of(json.loads(json.dumps(resource, default=float)))
            )
    stamps = {".meta.versionId", ".meta.lastUpdated"}  # the store adds them
    stay = {".encounter", ".encounter.reference", ".period.end"}  # a stay that is known; an alert that ended
    seen = set()
    for line in lines(simulated)[::7]:
        resource = json.loads(line)
        kind = kind_of(resource)
        if kind == ("Observation", "band-stretch-ratio"):
            kind = (*kind, resource["interpretation"][0]["coding"][0]["code"])
        if kind in seen:
            continue
        seen.add(kind)
        shapes = projected[kind[:2]]
        shape = shape_of(resource) - stamps
        assert shape <= set.union(*shapes), kind
        assert set.intersection(*shapes) - stay <= shape, kind
    assert len(seen) >= 11


def test_ids_are_unique_and_references_between_written_resources_resolve(simulated):
    resources = [json.loads(line) for line in lines(simulated)]
    by_site = {}
    for resource in resources:
        key = (resource["meta"]["source"], resource["resourceType"], resource["id"])
        assert key not in by_site
        by_site[key] = resource
    for resource in resources[::11]:
        for plan in resource.get("basedOn", []):
            assert (resource["meta"]["source"], *plan["reference"].split("/")) in by_site
        for detail in resource.get("extension", []):
            assert (resource["meta"]["source"], *detail["valueReference"]["reference"].split("/")) in by_site


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(site, tmp_path):
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        simulate(site, tmp_path / name, 3, 30, seed)
    assert lines(tmp_path / "a") == lines(tmp_path / "b")
    assert lines(tmp_path / "a") != lines(tmp_path / "c")


def test_as_many_courses_are_written_as_asked_for(site, tmp_path):
    written = simulate(site, tmp_path, 7, 53, 1)
    assert written["CarePlan"] == written["Patient"] == 53
    assert written["Observation"] > 53


def test_figures_of_the_simulated_courses_are_those_assumed(cohort):
    """Tolerances of three standard errors. Sources of the assumptions: docs/registry.md."""
    assumed, n = Assumptions(), len(cohort)
    assert cohort.baseline_gap_cm.mean() == pytest.approx(assumed.gap_mean, abs=0.3 + 3 * assumed.gap_sd / n**0.5)
    closed = cohort[cohort.closed]
    factor = np.sqrt(cohort.baseline_gap_cm / assumed.gap_mean).mean()
    spread = 3 * (
        assumed.closure_days_sd / len(closed) ** 0.5 + assumed.site_days_sd * assumed.closure_days_mean / 5**0.5
    )
    assert closed.days.mean() == pytest.approx(assumed.closure_days_mean * factor, abs=spread)
    share = RESULT_SHARES["primary-closure"] * (1 - assumed.still_open)
    spread = 3 * ((share * (1 - share) / n) ** 0.5 + assumed.site_closure_sd * share * (1 - share) / 5**0.5)
    assert cohort.closed.mean() == pytest.approx(share, abs=spread)


def test_assumed_shares_add_up_and_lie_within_published_ranges():
    """data/fasciotomy_series.csv: days to closure from 2 to 30, local complications 31 % (Velmahos et al. 1997)."""
    assert sum(RESULT_SHARES.values()) == pytest.approx(1)
    none = np.prod([1 - share for share in (*FINDING_SHARES.values(), *FLAG_SHARES.values())])
    assert 1 - none == pytest.approx(0.31, abs=0.03)
    published = {row["source"]: row["days_to_closure"] for row in rows("fasciotomy_series.csv")}
    told = next(days for source, days in published.items() if "final report" in source)
    assert told == f"{Assumptions().closure_days_mean} +/- {Assumptions().closure_days_sd}1"


def test_a_projection_that_no_longer_says_what_a_mold_expects_is_told(site, monkeypatch):
    monkeypatch.setitem(molds._MARKS, "below", molds.Decimal("14.0"))
    with pytest.raises(MoldBroken, match="band-stretch"):
        make_molds(site)
