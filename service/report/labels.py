"""Words and figures as people read them: labels of the contract's words, figures with units, times with their zone.

A derived figure is shown rounded, by one function for page and sheet; what it is exactly stands beside it in the page.
"""

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from zoneinfo import ZoneInfo

from service.clinic.entries import Performer
from service.clinic.quantities import QUANTITIES, present
from service.report.texts import _, later

# What orders or joins characters without being one: what is charted cannot turn the text around it (Unicode UAX 9).
UNSEEN = re.compile(r"[\u00ad\u061c\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufe00-\ufe0f\ufeff\ufff9-\ufffb]")
RIGHT_TO_LEFT = re.compile(r"[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufeff]")
# An instant as sentences of the record have it; people read it in the zone of the site.
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)", re.ASCII)
ISOLATE, END = "\u2068", "\u2069"
UNIT_WORDS = {"mm": "mm", "cm2": "cm²", "mm/d": "mm/day", "N": "N", "mm[Hg]": "mmHg", "1": ""}
PLACES = {"mm": 1, "cm2": 1, "mm/d": 1, "N": 1, "mm[Hg]": 0, "1": 3}
NO_FIGURE = "–"
# What the contract calls it -> what people read. A word that is missing is shown as it stands.
LABELS = {
    "installation": later("Installation"),
    "check": later("Check"),
    "reset": later("Reset"),
    "removal": later("Removal"),
    "reconciliation": later("Reconciliation of counts"),
    "outcome": later("Outcome"),
    "amendment": later("Correction"),
    "retraction": later("Retraction"),
    "in-place": later("in place"),
    "partly-in-place": later("partly in place"),
    "dislodged": later("dislodged"),
    "removed": later("removed"),
    "in-range": later("in range"),
    "below-range": later("below range"),
    "above-maximum": later("above maximum"),
    "not-read": later("not read"),
    "intact": later("intact"),
    "blanching": later("blanching"),
    "blister": later("blister"),
    "erosion": later("erosion"),
    "anchor-pull-through": later("anchor pulling through"),
    "necrosis": later("necrosis"),
    "infection-signs": later("signs of infection"),
    "planned": later("planned"),
    "due": later("due now"),
    "overdue": later("overdue"),
    "dressing-change": later("planned dressing change"),
    "predicted-slack": later("predicted to slacken"),
    "interval": later("time since the last setting"),
    "high": later("high"),
    "medium": later("medium"),
    "low": later("low"),
    "anchors": later("Anchors"),
    "bands": later("Bands"),
    "dressings": later("Dressings"),
    "closed": later("closed"),
    "open": later("open"),
    "as-charted": later("as charted"),
    "amended": later("corrected"),
    "retracted": later("retracted"),
    "primary-closure": later("primary closure"),
    "partial-closure-and-graft": later("partial closure and graft"),
    "graft": later("graft"),
    "flap": later("flap"),
    "secondary-healing": later("secondary healing"),
    "abandoned": later("abandoned"),
    "died": later("died"),
    "surgical-dehiscence": later("surgical dehiscence"),
    "intolerance": later("intolerance"),
    "infection": later("infection"),
    "revision": later("revision"),
    "other": later("other"),
    "profile": later("from the measured profile"),
    "ellipse-estimate": later("estimated as an ellipse"),
    "too-few-readings": later("too few readings"),
    "after-rebound": later("too soon after a rebound"),
    "not-closing": later("not closing"),
    "no-trend": later("no trend in the readings"),
    "already-closable": later("already closable"),
    "stations-differ": later("measured at other stations than at first"),
    "open-ended": later("beyond the horizon: open-ended"),
}


def label(word: str) -> str:
    """What people read for a word of the contract."""
    known = LABELS.get(word)
    return word.replace("-", " ").replace("_", " ") if known is None else _(known)


def rounded(name: str, value: Decimal | float) -> str:
    """A derived figure as shown, without its unit: half-even to the places of its unit, at least its whole part."""
    places = PLACES[QUANTITIES[name].unit]
    exact = present(value)
    short = exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    return f"{abs(short) if short == 0 else short:f}"


def figure(name: str, value: Decimal | float | None) -> str:
    """A derived figure of the glossary with its unit; a dash where there is none."""
    if value is None:
        return NO_FIGURE
    unit = UNIT_WORDS[QUANTITIES[name].unit]
    return f"{rounded(name, value)} {unit}".rstrip()


def percent(fraction: Decimal | float | None) -> str:
    """A fraction in whole per cent."""
    if fraction is None:
        return NO_FIGURE
    short = (present(fraction) * 100).quantize(Decimal(1), rounding=ROUND_HALF_EVEN)
    return f"{abs(short) if short == 0 else short:f} %"


def reading(value: Decimal | int | None, unit: str = "mm") -> str:
    """A reading with the digits that were read."""
    return NO_FIGURE if value is None else f"{value:f} {unit}" if isinstance(value, Decimal) else f"{value} {unit}"


@dataclass(frozen=True, slots=True)
class Local:
    """Times as the site reads them."""

    zone: ZoneInfo

    def at(self, instant: datetime | str) -> str:
        """Day, time and zone: `Wed 11 Mar 2026, 07:30 CET`. A zone without letters is shown by its offset."""
        local = self.of(instant)
        return f"{local:%a} {local.day} {local:%b %Y, %H:%M} {self.name(local)}"

    def short(self, instant: datetime | str) -> str:
        """Day and time where the zone is said beside: `11 Mar, 07:30`."""
        local = self.of(instant)
        return f"{local.day} {local:%b, %H:%M}"

    def told(self, sentence: str) -> str:
        """A sentence of the record with its instants as they are read at the site."""
        return INSTANT.sub(lambda found: self._told(found[0]), sentence)

    def _told(self, text: str) -> str:
        try:
            return self.at(text.replace("Z", "+00:00"))
        except ValueError:
            return text  # digits that are no instant

    def of(self, instant: datetime | str) -> datetime:
        """The instant in the site's zone; as it was charted where the calendar ends."""
        given = datetime.fromisoformat(instant) if isinstance(instant, str) else instant
        try:
            return given.astimezone(self.zone)
        except OverflowError:
            return given

    def name(self, local: datetime) -> str:
        """What the zone is called at that time."""
        named = local.tzname() or ""
        if named.isalpha():
            return named
        minutes = int((local.utcoffset() or timedelta()).total_seconds()) // 60
        sign = "-" if minutes < 0 else "+"
        return f"UTC{sign}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def away(until: timedelta) -> str:
    """How long until then, or since: `in 3 h 20 min`, `2 d 4 h ago`."""
    minutes = round(abs(until.total_seconds()) / 60)
    days, hours, rest = minutes // 1440, minutes // 60 % 24, minutes % 60
    length = f"{days} d {hours} h" if days else f"{hours} h {rest} min" if hours else f"{rest} min"
    return _("in {length}").format(length=length) if until >= timedelta() else _("{length} ago").format(length=length)


def isolated(text: str) -> str:
    """Charted text to stand within a line: its direction is its own affair."""
    plain = UNSEEN.sub("", text)
    return f"{ISOLATE}{plain}{END}" if RIGHT_TO_LEFT.search(plain) else plain


def who(performer: Performer) -> str:
    """Who charted: the name, or the number where no name was sent."""
    return isolated(str(performer.display or performer.identifier.value))
