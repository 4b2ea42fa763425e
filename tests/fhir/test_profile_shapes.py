"""The sure yes of a profile is never given where one of its rules has something to say.

Every resource of the examples, and each of them with one element left out, emptied, doubled or given another code.
"""

import copy
from pathlib import Path

import pytest

from service.config import Settings
from service.fhir import wire
from service.fhir.profile_shapes import keys_of
from service.fhir.profiles import _compiled, profile_rules
from service.projection import open_site

BUNDLES = sorted((Path(__file__).parents[2] / "examples").glob("[0-9]*/bundle*.json"))
TERMS = open_site(Settings()).frame.terms
AT_ONCE = profile_rules(TERMS)
ONE_BY_ONE = {profile.url: list(_compiled(profile, TERMS)) for profile in TERMS.profiles.values()}


def resources():
    """One resource of each profile and set of keys; each set is a shape of its own."""
    found = {}
    for path in BUNDLES:
        for entry in wire.read(path.read_bytes())["entry"]:
            resource = entry["resource"]
            found.setdefault((*resource["meta"]["profile"], *resource), resource)
    return list(found.values())


def variants(resource):
    yield resource
    for key in resource:
        yield {name: value for name, value in resource.items() if name != key}
        for odd in ([], {}, None, [resource[key], resource[key]]):
            yield resource | {key: odd}
        if isinstance(resource[key], dict | list):
            yield resource | {key: _with_other_codes(copy.deepcopy(resource[key]))}
        if key.startswith("value"):
            yield resource | {"valueString": "beside it"}


def _with_other_codes(node):
    if isinstance(node, list):
        return [_with_other_codes(each) for each in node]
    if isinstance(node, dict):
        return {name: "other" if name == "code" and isinstance(value, str) else _with_other_codes(value)
                for name, value in node.items()}  # fmt: skip
    return node


def said(rules, resource):
    try:
        return [issue for rule in rules for issue in rule(resource)]
    except Exception as fault:  # a rule that stumbles over a wrong shape has to do so both ways
        return repr(fault)


@pytest.mark.parametrize("url", sorted(ONE_BY_ONE), ids=lambda url: url.rpartition("/")[2])
def test_all_rules_told_at_once_say_what_they_say_one_by_one(url):
    asked = [variant for one in resources() if url in one["meta"]["profile"] for variant in variants(one)]
    assert asked, "the examples have a resource of every profile"
    for variant in asked:
        assert said(AT_ONCE[url], variant) == said(ONE_BY_ONE[url], variant)
    assert any(said(AT_ONCE[url], variant) for variant in asked)


def test_a_choice_is_told_from_a_name_that_merely_begins_alike():
    assert keys_of("value", ("valueQuantity", "valued", "value", "valueString")) == ("valueQuantity", "valueString")
