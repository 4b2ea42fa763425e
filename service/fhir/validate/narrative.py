"""The XHTML of a narrative (http://hl7.org/fhir/R4/narrative.html): well formed, one div, no active content.

Names of elements and attributes: the xpath of constraint txt-1 in the published definition of Narrative.
"""

from __future__ import annotations

import re
from functools import lru_cache
from xml.parsers import expat

_XHTML = "http://www.w3.org/1999/xhtml"

_ELEMENT_NAMES = (
    "a abbr acronym b big blockquote br caption cite code col colgroup dd dfn div dl dt em h1 h2 h3 h4 h5 h6 hr i "
    "img li ol p pre q samp small span strong sub sup table tbody td tfoot th thead tr tt ul var "
)
_ELEMENTS = frozenset(_ELEMENT_NAMES.split())
_ATTRIBUTE_NAMES = (
    "abbr accesskey align alt axis bgcolor border cellhalign cellpadding cellspacing cellvalign char charoff "
    "charset cite class colspan compact coords dir frame headers height href hreflang hspace id lang longdesc "
    "name nowrap rel rev rowspan rules scope shape span src start style summary tabindex title type valign value "
    "vspace width "
)
_ATTRIBUTES = frozenset(_ATTRIBUTE_NAMES.split())


_ACTIVE = ("javascript:", "vbscript:", "data:text/html")
# Paragraphs of plain text, as this service writes them, told without the parser: letters that XML allows
# (https://www.w3.org/TR/xml/#charsets), predefined entities, a visible letter first. Nothing is tried a second time, so
# that a long text of another form costs one look.
_LETTER = "\\t\\n -%\\x27-;=?-\\ud7ff\\ue000-\\ufffd\\U00010000-\\U0010ffff"
_PARAGRAPH = f"<p>[!-%\\x27-;=?-~](?:[{_LETTER}]++|&(?:lt|gt|amp);)*+</p>"
_PLAIN = re.compile(f'<div xmlns="{re.escape(_XHTML)}">(?:{_PARAGRAPH})++</div>')


class _Forbidden(ValueError):
    """An element, attribute or declaration that a narrative may not have."""


class _Reader:
    def __init__(self) -> None:
        self.depth = 0
        self.content = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        namespace, _, local = name.rpartition(" ")
        if namespace != _XHTML or local not in _ELEMENTS or (self.depth == 0 and local != "div"):
            raise _Forbidden(local)
        if local == "img":
            self.content = True
        for attribute, value in attributes.items():
            if " " not in attribute and attribute not in _ATTRIBUTES:
                raise _Forbidden(attribute)
            if value.strip().lower().startswith(_ACTIVE):
                raise _Forbidden(value)
        self.depth += 1

    def text(self, text: str) -> None:
        self.content = self.content or not text.isspace()


def _refuse_declaration(*_: object) -> None:
    raise _Forbidden("a document type declaration")


@lru_cache(maxsize=8)
def _read(div: str) -> tuple[bool, bool]:
    """Whether the text is basic HTML, and whether it says anything. Kept: each is asked twice."""
    if _PLAIN.fullmatch(div):
        return True, True
    reader = _Reader()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = reader.start
    parser.CharacterDataHandler = reader.text
    parser.StartDoctypeDeclHandler = _refuse_declaration
    try:
        parser.Parse(div, True)
    except (expat.ExpatError, _Forbidden):
        return False, True
    return True, reader.content


def is_basic_html(div: str) -> bool:
    """txt-1: only the basic formatting elements and attributes, in the XHTML namespace."""
    return _read(div)[0]


def has_text(div: str) -> bool:
    """txt-2: some content that is not blank (an image counts)."""
    return _read(div)[1]
