"""Numbers, times and words as they stand in resources: digits kept, offsets kept, text escaped."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Context, Decimal
from html import escape

from service.clinic.quantities import present

# Wide enough that moving a decimal point never rounds: intake takes numbers of up to 40 characters.
_WIDE = Context(prec=100)
_MM_TO_CM = -1
# White space beyond ASCII: judges of R4's own string pattern disagree on it; a receiver may refuse it.
_PLAIN_SPACES = str.maketrans(
    dict.fromkeys("\u00a0\u1680\u2028\u2029\u202f\u205f\u3000\ufeff" + "".join(map(chr, range(0x2000, 0x200B))), " ")
)
_DIV = '<div xmlns="http://www.w3.org/1999/xhtml"><p>'
_END = "</p></div>"


def cm(length_mm: Decimal) -> Decimal:
    """A length in cm with the digits that the mm reading had: 31.0 mm is 3.10 cm."""
    return length_mm.scaleb(_MM_TO_CM, _WIDE)


def percent(fraction: Decimal) -> Decimal:
    """A derived fraction in percent, at most 4 decimals: what `present` shows, with the decimal point moved."""
    shown = present(fraction).scaleb(2, _WIDE)
    return shown if "E" not in str(shown) else Decimal(format(shown, "f"))


def station_name(station_mm: Decimal) -> str:
    """A station in a role: 120 and 120.0 are one place."""
    return format(station_mm.normalize(_WIDE), "f")


def digits(value: Decimal | int) -> str:
    """A number in a sentence, never with an exponent."""
    text = str(value)
    return text if "E" not in text else format(value, "f")


def time_text(moment: datetime) -> str:
    """A FHIR dateTime with the offset that was charted."""
    return moment.isoformat()


def computed_time_text(moment: datetime) -> str:
    """A computed instant, to the second: finer digits would claim a precision that no model has."""
    return moment.isoformat(timespec="seconds")


def words(text: str) -> str:
    """Charted text as it stands in a resource: every kind of white space is a plain one; the entry keeps its own."""
    return text if text.isascii() else text.translate(_PLAIN_SPACES)


def narrative(sentence: str) -> dict[str, str]:
    """Generated narrative of one paragraph; whatever was charted is shown as text, never as markup."""
    return {"status": "generated", "div": f"{_DIV}{_shown(sentence)}{_END}"}


def paragraphs(sentences: Sequence[str]) -> dict[str, str]:
    """Generated narrative of several paragraphs."""
    body = "</p><p>".join([_shown(sentence) for sentence in sentences])
    return {"status": "generated", "div": f"{_DIV}{body}{_END}"}


def _shown(sentence: str) -> str:
    """Words as they stand in markup. Few hold anything to escape, and looking costs less than escaping."""
    text = sentence if sentence.isascii() else words(sentence)
    return escape(text, quote=False) if "&" in text or "<" in text or ">" in text else text


def annotation(text: str, at: str) -> list[dict[str, str]]:
    """A charted note as Annotation."""
    return [{"time": at, "text": words(text)}]
