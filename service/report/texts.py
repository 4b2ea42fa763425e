"""Every text that people read on pages and sheets, out of one catalogue (gettext).

A text stands in English where it is used, marked by `_`; `locale/pages.pot` lists them all. Another language is a
folder `locale/<language>/LC_MESSAGES/pages.mo`. Sentences about readings come from `service.clinic` and are not in
here: they are part of the record and of FHIR.
"""

import gettext
from importlib.resources import files

from jinja2 import Environment

DOMAIN = "pages"
LANGUAGE = "en"
CATALOGUE = gettext.translation(DOMAIN, str(files("service").joinpath("locale")), languages=[LANGUAGE], fallback=True)


def _(text: str) -> str:
    """The text in the language of the catalogue."""
    return CATALOGUE.gettext(text)


def plural(one: str, several: str, count: int) -> str:
    """The text for so many."""
    return CATALOGUE.ngettext(one, several, count)


def speaking(environment: Environment) -> Environment:
    """The environment with `trans` blocks of this catalogue."""
    environment.add_extension("jinja2.ext.i18n")
    environment.policies["ext.i18n.trimmed"] = True  # a text may be broken into lines as it fits the template
    environment.install_gettext_callables(_, plural, newstyle=True)  # type: ignore[attr-defined]  # the extension's own
    return environment


def later(text: str) -> str:
    """Marks a text for the catalogue that is translated where it is shown."""
    return text
