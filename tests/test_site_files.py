"""A site's own policy and bench table: where they stand, what they change, and that a faulty one is refused whole.

Policies and bench tables here are invented. The force at a stretch of 1.7 is computed with SciPy's own interpolator.
"""

import shutil
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pytest
from scipy.interpolate import PchipInterpolator

from service import strict_json
from service.clinic.course import fold_course
from service.clinic.policy import default_policy
from service.clinic.standing import Charted, standing
from service.clinic.summary import course_view
from service.config import Settings
from service.fhir import wire
from service.projection import map_document, open_site, settings_of_site
from service.site_files import SiteFault, folder_of_site, read_site
from tests.clinic.scenario import at as after
from tests.clinic.scenario import charted, check, course, gaps, installation, marks

ROOT = Path(__file__).parents[1]
TABLES = ROOT / "mappings"
POLICY = b'name = "Ward 9"\n[limits]\nclosable_gap_mm = 8\ntail_min_mm = 60\n'
BENCH = (
    b'name = "invented band, lot 0"\ntemperature_c = 32\nhold_s = 60\npre_stretch = 2.0\n'
    b"rows = [[1.0, 0], [1.25, 1.10], [1.5, 1.80], [1.75, 2.35], [2.0, 2.85]]\n"
)
ROWS = ([1.0, 1.25, 1.5, 1.75, 2.0], [0, 1.10, 1.80, 2.35, 2.85])
NOW = datetime(2026, 11, 1, tzinfo=UTC)
DOCUMENT = strict_json.read((ROOT / "examples/04-dressing-unaccounted-for/course.json").read_bytes())


@pytest.fixture
def tables(tmp_path):
    return Path(shutil.copytree(TABLES, tmp_path / "mappings"))


def give(tables, site="ward-9", policy=None, bench=None):
    folder = folder_of_site(tables, site)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in (("policy.toml", policy), ("bench.toml", bench)):
        if content is not None:
            (folder / name).write_bytes(content)
    return folder


def opened(tables, site="ward-9"):
    return open_site(Settings(site=site, mappings=tables))


def test_a_site_without_files_of_its_own_has_the_default_policy_and_no_bench_table():
    site = open_site(Settings(site="demo"))
    assert (site.policy, site.bench) == (default_policy(), None)


def test_a_site_has_its_own_limits_over_the_default_and_other_sites_do_not(tables):
    give(tables, policy=POLICY)
    policy = opened(tables).policy
    assert (policy.name, policy.closable_gap_mm, policy.tail_min_mm, policy.stretch_high) == ("Ward 9", 8, 60, 2)
    assert opened(tables, "demo").policy == default_policy()


def test_a_site_has_its_own_zone_and_release_and_the_installation_keeps_its_own(tables):
    (give(tables) / "site.toml").write_text('zone = "America/Halifax"\nus_core = "7.0.0"\n', "utf-8")
    installation = Settings(site="demo", mappings=tables, zone="Europe/Vienna")
    ward = settings_of_site(installation, "ward-9")
    assert (ward.site, ward.zone, ward.us_core) == ("ward-9", "America/Halifax", "7.0.0")
    assert settings_of_site(installation, "demo") == installation


@pytest.mark.parametrize(
    ("content", "keys"),
    [
        (b'zone = "Mars/Olympus"', {"zone"}),
        (b'zone = "../etc/passwd"', {"zone"}),
        (b"zone = 1\nus_core = []", {"zone", "us_core"}),
        (b'time = "UTC"', {"time"}),
        (b"zone = ", {"(file)"}),
    ],
)
def test_settings_of_a_site_that_cannot_be_used_are_named(tables, content, keys):
    (give(tables) / "site.toml").write_bytes(content)
    with pytest.raises(SiteFault) as refused:
        settings_of_site(Settings(mappings=tables), "ward-9")
    assert {fault.key for fault in refused.value.faults} == keys


def test_a_bench_table_is_read_with_its_conditions(tables):
    give(tables, bench=BENCH)
    bench = opened(tables).bench
    assert (bench.name, bench.stretches, dict(bench.conditions)["temperature_c"]) == (
        "invented band, lot 0", tuple(ROWS[0]), 32,
    )  # fmt: skip


def test_every_fault_of_both_files_is_named_at_once(tables):
    give(tables, policy=b"[limits]\nstretch_high = 4\ntypo = 1\n", bench=BENCH.replace(b"[1.0, 0]", b"[1.0, 0.2]"))
    with pytest.raises(SiteFault) as refused:
        opened(tables)
    assert {(fault.file, fault.key) for fault in refused.value.faults} == {
        ("sites/ward-9/policy.toml", "limits.stretch_high"),
        ("sites/ward-9/policy.toml", "limits.typo"),
        ("sites/ward-9/bench.toml", "rows[0]"),
    }


@pytest.mark.parametrize("name", ["polcy.toml", "bench.csv"])
def test_a_file_that_nobody_would_read_is_refused(tables, name):
    (give(tables, policy=POLICY) / name).write_text("closable_gap_mm = 8")
    with pytest.raises(SiteFault, match=f"sites/ward-9/{name}"):
        opened(tables)


def test_a_policy_beside_the_default_one_is_refused_and_told_where_it_belongs(tables):
    (tables / "policy" / "ward-9.toml").write_bytes(POLICY)
    with pytest.raises(SiteFault, match=r"policy/ward-9.toml.*sites/<site>/policy.toml"):
        opened(tables)


@pytest.mark.parametrize("site", ["..", ".", "../../elsewhere", "a/b", "ward nine"])
def test_a_site_of_any_name_has_its_folder_beneath_sites(tables, site):
    folder = folder_of_site(tables, site)
    assert folder.resolve().parent == (tables / "sites").resolve()
    give(tables, site, policy=POLICY)
    assert read_site(tables, site)[0].name == "Ward 9"


def test_the_examples_in_the_description_of_a_sites_files_are_sound(tables):
    text = (TABLES / "sites/README.md").read_text("utf-8")
    policy, bench, own = (block.partition("```")[0].encode() for block in text.split("```toml\n")[1:])
    (give(tables, policy=policy, bench=bench) / "site.toml").write_bytes(own)
    assert settings_of_site(Settings(mappings=tables), "ward-9").zone == "America/Halifax"
    assert opened(tables).policy.reset_interval_h == 12
    assert opened(tables).bench is not None


# What they change


def test_newtons_stand_in_the_course_view_only_with_a_bench_table(tables):
    give(tables, bench=BENCH)
    entries = [installation(), check("c1", 6, gaps=gaps(50), bands=marks(17, "20.5"))]
    views = {}
    for site in (opened(tables), opened(tables, "demo")):
        fold = fold_course(course(), standing(charted(*entries)), site.policy, site.bench)
        views[site.key] = course_view(course(), fold.summary(after(7)), after(7))["bands"]
    at_17, above, not_read = views["ward-9"][:3]
    assert float(at_17["force_n"]) == pytest.approx(float(PchipInterpolator(*ROWS)(1.7)), abs=1e-6)
    assert above["force_n_absent_reason"] == "outside-calibration"
    assert not_read["force_n_absent_reason"] == "not-read"
    assert {band.get("force_n_absent_reason") for band in views["demo"][:2]} == {"no-bench-table"}


def resources(tables, site):
    bundle = wire.read(map_document(opened(tables, site), DOCUMENT, NOW, "http://127.0.0.1:8080/fhir"))
    return [entry["resource"] for entry in bundle["entry"]]


def forces(found):
    """Newtons of every relative-force Observation, by stretch as its narrative's figure; None where there are none."""
    parts = [
        part
        for resource in found
        for part in resource.get("component", ())
        if resource["resourceType"] == "Observation" and part["code"]["coding"][0]["code"] == "band-force"
    ]
    return [part["valueQuantity"] for part in parts]


def test_newtons_leave_in_fhir_with_a_bench_table_and_never_without(tables):
    give(tables, bench=BENCH)
    newtons = forces(resources(tables, "ward-9"))
    assert newtons
    assert {quantity["code"] for quantity in newtons} == {"N"}
    # e06 reads all four bands at exactly 1.5, a row of the table.
    assert [quantity["value"] for quantity in newtons].count(Decimal("1.8")) >= 4
    assert forces(resources(tables, "demo")) == []


def methods(found):
    return {r["method"]["text"] for r in found if r["resourceType"] == "Observation" and "method" in r}


def said_by_provenance(found):
    return {r["text"]["div"] for r in found if r["resourceType"] == "Provenance"}


def test_a_changed_policy_shows_in_the_method_of_what_was_derived_and_in_provenance(tables):
    give(tables, policy=POLICY)
    policy = opened(tables).policy
    assert policy.version != default_policy().version
    for site, limits in (("ward-9", policy), ("demo", default_policy())):
        found, named = resources(tables, site), f"policy {limits.name}, version {limits.version}"
        assert methods(found)
        assert all(named in method for method in methods(found))
        assert said_by_provenance(found)
        assert all(named in said for said in said_by_provenance(found))


def test_a_changed_bench_table_shows_in_the_method_of_what_was_derived_and_in_provenance(tables):
    versions = set()
    for bench in (BENCH, BENCH.replace(b"1.80", b"1.81"), BENCH.replace(b"hold_s = 60", b"hold_s = 90")):
        give(tables, bench=bench)
        table, found = opened(tables).bench, resources(tables, "ward-9")
        named = f"bench table {table.name}, version {table.version}"
        assert all(named in text for text in methods(found) | said_by_provenance(found))
        versions.add(table.version)
    assert len(versions) == 3
    assert not any("; bench table" in text for text in methods(resources(tables, "demo")))


def test_the_course_view_names_the_policy_it_was_derived_with(tables):
    give(tables, policy=POLICY)
    policy = opened(tables).policy
    fold = fold_course(course(), standing([Charted(installation(), 0)]), policy)
    shown = course_view(course(), fold.summary(after(1)), after(1))
    assert shown["policy"] == {"name": "Ward 9", "version": policy.version}
