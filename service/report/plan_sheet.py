"""The sheet of a layout plan: one HTML page to print and take to the table, with a drawing to scale.

The drawing is SVG whose user unit is one millimetre of the wound; its printed size is a whole fraction of that, named
on the sheet beside a bar of known length. Nothing is loaded from anywhere: no script, no font, no picture.
"""

from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined, Template

from service.clinic.force import BenchTable
from service.clinic.layout import LayoutPlan, PlannedBand
from service.clinic.layout_words import plan_view, rounded_up
from service.clinic.policy import Policy
from service.report.texts import speaking

PRINTABLE_MM = 180.0  # width between the margins of A4 upright
LARGEST_HEIGHT_MM = 120.0
SCALES = (1, 2, 3, 4, 5, 8, 10)
ROOM_MM = 14.0  # around the drawing, in mm on paper, for station numbers and the bar
LABEL_EVERY_MM = 6.0  # on paper; closer labels would run into one another
BAR_MM = 50.0


@dataclass(frozen=True, slots=True)
class Mark:
    """One band as it is drawn: its two anchors, its gap, and whether its number is written beside it."""

    band: int
    x: float
    gap_half: float
    anchor: float  # distance of its anchors from the long axis
    labelled: bool


@dataclass(frozen=True, slots=True)
class Drawing:
    """A drawing in mm of the wound, printed at 1 : `scale`."""

    scale: int
    left: float
    top: float
    width: float
    height: float
    length: float
    half_gap: float
    marks: tuple[Mark, ...]
    bar: float

    @property
    def paper_width_mm(self) -> float:
        """Width on paper in mm."""
        return self.width / self.scale

    @property
    def paper_height_mm(self) -> float:
        """Height on paper in mm."""
        return self.height / self.scale


def drawing(plan: LayoutPlan) -> Drawing:
    """The plan drawn at the largest of the usual scales that fits the page; 1 : 10 whatever the wound."""
    length, reach = float(plan.length_mm), float(max(band.span_mm for band in plan.bands))
    tall = max(reach, float(plan.max_gap_mm))
    scale = next((one for one in SCALES if _fits(length, tall, one)), SCALES[-1])
    room = ROOM_MM * scale
    every = -(-LABEL_EVERY_MM * scale // float(plan.anchor_interval_mm))
    return Drawing(
        scale=scale,
        left=-room,
        top=-tall / 2 - room,
        width=length + 2 * room,
        height=tall + 2 * room,
        length=length,
        half_gap=float(plan.max_gap_mm) / 2,
        marks=tuple(_mark(band, int(every), len(plan.bands)) for band in plan.bands),
        bar=min(BAR_MM, length),
    )


def _fits(length: float, tall: float, scale: int) -> bool:
    room = 2 * ROOM_MM
    return length / scale + room <= PRINTABLE_MM and tall / scale + room <= LARGEST_HEIGHT_MM


def _mark(band: PlannedBand, every: int, count: int) -> Mark:
    labelled = (band.band - 1) % every == 0 or (band.band == count and (count - 1) % every * 2 > every)
    return Mark(band.band, float(band.station_mm), float(band.gap_mm) / 2, float(band.span_mm) / 2, labelled)


@lru_cache(maxsize=1)
def _template() -> Template:
    environment = speaking(
        Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    )
    environment.filters["rounded_up"] = rounded_up
    environment.filters["mm"] = lambda value: f"{value:.2f}".rstrip("0").rstrip(".")
    return environment.from_string(files("service").joinpath("templates/plan_sheet.html").read_text("utf-8"))


def plan_sheet(plan: LayoutPlan, policy: Policy, bench: BenchTable | None = None) -> str:
    """The sheet as one HTML document; the same plan always gives the same text."""
    view: dict[str, Any] = plan_view(plan, policy, bench)
    return _template().render(plan=view, drawing=drawing(plan))
