"""What a reading says, as trees that every reading of the same figures shares.

Marks and stations lie on a grid of half a millimetre, so the same few come again and again: each is worked out once and
kept, up to a number. The key is the text of a reading: 17.5 and 17.50 are equal, but not shown alike.
"""

from collections.abc import Mapping
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple, Protocol

from service.clinic import force
from service.clinic.bands import ABOVE_MAXIMUM, BELOW_RANGE, IN_RANGE, band_condition, stretch_ratio
from service.clinic.policy import Policy
from service.clinic.quantities import present
from service.fhir import wire
from service.fhir.build.shared import Once, Part, part
from service.fhir.build.values import cm, digits, station_name

Tree = dict[str, Any]
_LETTER = {BELOW_RANGE: "L", IN_RANGE: "N", ABOVE_MAXIMUM: "H"}
_WORDS = {BELOW_RANGE: "below", IN_RANGE: "in", ABOVE_MAXIMUM: "above"}


class Trees(Protocol):
    """Who makes the trees and knows the limits: the frame of a site."""

    policy: Policy
    extensions: Mapping[str, str]

    def quantity(self, value: Decimal | int, unit: str) -> Tree:
        """A Quantity."""
        ...

    def component(self, concept: str, value: Decimal | int, unit: str) -> Tree:
        """A component that holds a Quantity."""
        ...


class StretchShown(NamedTuple):
    """A mark beside the mark at rest: the stretch ratio."""

    sentence: str
    ratio: Part
    letter: str  # of the interpretation
    mark: Part  # component


class ForceShown(NamedTuple):
    """The relative force at a stretch ratio, with the smallest and largest over three laws."""

    sentence: str
    share: Tree
    components: list[Tree]
    written: Tree  # both


class StationShown(NamedTuple):
    """A place along the wound."""

    role: str  # of a gap there
    text: str  # in cm
    components: list[Tree]
    written: list[wire.Written]


class TargetMark(NamedTuple):
    """The mark that a band is to be set to."""

    text: str  # in mm
    extension: Tree


class GapShown(NamedTuple):
    """A width of the wound."""

    text: str  # in cm
    width: Part


class Shown:
    """The readings of a site as they are shown; marks by the mark at rest and then the mark."""

    def __init__(self, trees: Trees) -> None:
        self.stretch: Mapping[str, Mapping[str, StretchShown]] = Once(lambda rest: Once(partial(_stretch, trees, rest)))
        self.force: Mapping[str, Mapping[str, ForceShown]] = Once(lambda rest: Once(partial(_force, trees, rest)))
        self.target_mark = Once(partial(_target_mark, trees))
        self.gap = Once(partial(_gap, trees))
        self.station = Once(partial(_station, trees))


def _stretch(trees: Trees, rest: str, mark: str) -> StretchShown:
    policy, mark_mm = trees.policy, Decimal(mark)
    exact = stretch_ratio(mark_mm, Decimal(rest))
    ratio, state = present(exact), band_condition(exact, policy)
    return StretchShown(
        f"stretch ratio {digits(ratio)} (mark {digits(mark_mm)} mm, at rest {digits(Decimal(rest))} mm), "
        f"{_WORDS[state]} the working range of {digits(policy.stretch_low)} to {digits(policy.stretch_high)}.",
        part(trees.quantity(ratio, "ratio")),
        _LETTER[state],
        part(trees.component("band-mark", mark_mm, "mm")),
    )


def force_figures(ratio: Decimal) -> tuple[Decimal, Decimal, Decimal]:
    """Relative force at a stretch ratio, with the smallest and largest over three laws, as they are shown."""
    stretch = float(ratio)
    low, high = force.relative_force_range(stretch)
    return present(force.relative_force(stretch)), present(low), present(high)


def _force(trees: Trees, rest: str, mark: str) -> ForceShown:
    shown, low, high = force_figures(stretch_ratio(Decimal(mark), Decimal(rest)))
    share = part(trees.quantity(shown, "ratio"))
    limits = [
        part(trees.component("relative-band-force-low", low, "ratio")),
        part(trees.component("relative-band-force-high", high, "ratio")),
    ]
    return ForceShown(
        f"at most {digits(shown)} of its force at a stretch ratio of 2.0.",
        share.tree,
        [limit.tree for limit in limits],
        {"valueQuantity": share.written, "component": [limit.written for limit in limits]},
    )


def _station(trees: Trees, station: str) -> StationShown:
    station_mm = Decimal(station)
    length = cm(station_mm)
    component = part(trees.component("station", length, "cm"))
    return StationShown(f"gap/{station_name(station_mm)}", digits(length), [component.tree], [component.written])


def _target_mark(trees: Trees, mark: str) -> TargetMark:
    shown = present(Decimal(mark))
    return TargetMark(
        digits(shown), {"url": trees.extensions["target-mark"], "valueQuantity": trees.quantity(shown, "mm")}
    )


def _gap(trees: Trees, gap: str) -> GapShown:
    width = cm(Decimal(gap))
    return GapShown(digits(width), part(trees.quantity(width, "cm")))
