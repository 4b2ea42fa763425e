"""The bands of one installation as the resources of a course speak of them: made once, since every check asks."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from service.clinic.entries import Installation, InstalledBand
from service.fhir.build.frame import Frame
from service.fhir.build.identity import Names
from service.fhir.build.shared import Part, part
from service.fhir.build.shown import ForceShown, StretchShown
from service.fhir.build.values import cm

Tree = dict[str, Any]
CLOSURE_SET = "closure-set"


class BandParts(NamedTuple):
    """One band with what every reading of it repeats; the trees are shared by all of them."""

    band: InstalledBand
    device: Tree  # reference to its Device
    band_extension: Tree  # the same as an extension
    station: Part  # component
    rest_mark: Part  # component
    stretch: Mapping[str, StretchShown]  # by the mark
    force: Mapping[str, ForceShown]


class Bands:
    """The bands of one installation with the references to their Devices."""

    __slots__ = ("by_number", "closure_set", "installation", "names")

    def __init__(self, frame: Frame, names: Names, installation: Installation) -> None:
        self.names = names
        self.installation = installation
        self.closure_set = names.reference("Device", CLOSURE_SET)
        self.by_number: Mapping[int, BandParts] = {band.band: _parts(frame, names, band) for band in installation.bands}


def _parts(frame: Frame, names: Names, band: InstalledBand) -> BandParts:
    device, rest = names.reference("Device", f"band/{band.band}"), str(band.rest_mark_mm)
    return BandParts(
        band,
        device,
        {"url": frame.extensions["band"], "valueReference": device},
        part(frame.component("station", cm(band.station_mm), "cm")),
        part(frame.component("band-rest-mark", band.rest_mark_mm, "mm")),
        frame.shown.stretch[rest],
        frame.shown.force[rest],
    )
