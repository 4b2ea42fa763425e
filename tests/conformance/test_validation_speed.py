"""Ratios within one run, so that the machine cancels out; each side is the best of several rounds."""

import json
from timeit import repeat

import orjson
from fhir.resources.R4B.bundle import Bundle

from service.fhir import wire
from service.fhir.validate import is_valid
from tests.fhir.validate.samples import bundle, observation, width

STATIONS = [{"code": {"text": f"station {n}"}, "valueQuantity": width(f"3{n}.5")} for n in range(6)]
WARD = bundle(*(observation(id=f"gap-{n}", component=STATIONS) for n in range(40)))


def _best(call, rounds=7, number=5):
    return min(repeat(call, repeat=rounds, number=number)) / number


def test_validating_what_is_emitted_costs_at_most_twenty_times_its_serialisation():
    plain = json.loads(wire.write(WARD))
    assert is_valid(WARD)
    ratio = _best(lambda: is_valid(WARD)) / _best(lambda: orjson.dumps(plain))
    print(f"is_valid = {ratio:.1f} x orjson.dumps")
    assert ratio <= 20


def test_validating_is_at_least_fifteen_times_as_fast_as_the_second_opinion():
    raw = wire.write(WARD)
    ratio = _best(lambda: Bundle.model_validate_json(raw), rounds=4, number=1) / _best(lambda: is_valid(WARD))
    print(f"fhir.resources = {ratio:.1f} x is_valid")
    assert ratio >= 15
