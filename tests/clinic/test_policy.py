"""Limits: the default file, what a site may set, and what is refused."""

from decimal import Decimal
from pathlib import Path

import pytest
from msgspec.structs import fields

from service.clinic.policy import LIMITS, Policy, PolicyFault, default_policy, read_policy

DEFAULT = Path(__file__).parents[2] / "mappings" / "policy" / "default.toml"


def test_the_default_file_says_what_the_table_of_limits_says() -> None:
    assert read_policy(DEFAULT.read_bytes(), "default.toml") == default_policy()


def test_policy_and_table_name_the_same_limits() -> None:
    assert [f.name for f in fields(Policy)][1:-1] == [limit.name for limit in LIMITS]
    for limit in LIMITS:
        assert limit.low <= limit.default <= limit.high
        assert limit.basis


def test_a_site_file_sets_what_it_names_and_keeps_the_rest() -> None:
    text = b'name = "north"\n[limits]\nclosable_gap_mm = 8\nstretch_high = 1.9\ntarget_high = 1.85'
    site = read_policy(text, "north.toml", base=default_policy())
    assert (site.name, site.closable_gap_mm, site.stretch_high) == ("north", Decimal(8), Decimal("1.9"))
    assert site.reset_interval_h == 24
    assert site.version != default_policy().version


def test_the_version_depends_on_the_values_only_and_not_on_how_they_are_written() -> None:
    again = read_policy(b'name = "other"\n[limits]\nstretch_high = 2.00\nreset_interval_h = 24.0', "o.toml",
                        base=default_policy())  # fmt: skip
    assert again.version == default_policy().version
    assert len(again.version) == 12


def test_every_fault_of_a_file_is_named_at_once_with_file_and_key() -> None:
    text = b"""
nmae = "x"
[limits]
stretch_high = 3.1
closable_gap = 5
reset_interval_h = "daily"
tail_min_mm = nan
perfusion_min_mmhg = true
"""
    with pytest.raises(PolicyFault) as refused:
        read_policy(text, "south.toml", base=default_policy())
    assert {fault.key for fault in refused.value.faults} == {
        "nmae", "limits.stretch_high", "limits.closable_gap", "limits.reset_interval_h", "limits.tail_min_mm",
        "limits.perfusion_min_mmhg",
    }  # fmt: skip
    assert {fault.file for fault in refused.value.faults} == {"south.toml"}
    assert "south.toml: limits.stretch_high: is 3.1, outside of 1.1 to 3" in str(refused.value)


@pytest.mark.parametrize(
    ("limits", "key"),
    [
        ("stretch_low = 2.0", "limits.stretch_high"),
        ("target_low = 1.4", "limits.target_low"),
        ("target_high = 2.1", "limits.target_high"),
        ("target_low = 1.96", "limits.target_high"),
        ("setback_min_mm = 16", "limits.setback_max_mm"),
        # 1.71 to 1.74 on a rest mark of 10 mm: 17.1 to 17.4 mm, between two marks of a half-millimetre ruler
        ("stretch_low = 1.71\nstretch_high = 1.74\ntarget_low = 1.72\ntarget_high = 1.73", "limits.stretch_high"),
    ],
)
def test_limits_that_contradict_one_another_are_refused(limits: str, key: str) -> None:
    with pytest.raises(PolicyFault) as refused:
        read_policy(f"[limits]\n{limits}".encode(), "s.toml", base=default_policy())
    assert key in {fault.key for fault in refused.value.faults}


@pytest.mark.parametrize("text", [b"limits = 3", b"[limits", b"\xff", b"name = 3\n[limits]", b'name = " "'])
def test_what_is_no_policy_file_is_refused(text: bytes) -> None:
    with pytest.raises(PolicyFault):
        read_policy(text, "s.toml", base=default_policy())


def test_without_a_policy_beneath_it_a_file_must_give_every_limit() -> None:
    with pytest.raises(PolicyFault) as refused:
        read_policy(b'name = "bare"\n[limits]\nstretch_low = 1.5', "bare.toml")
    assert len(refused.value.faults) == len(LIMITS) - 1
