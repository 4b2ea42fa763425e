"""Templates to pages: one environment, one stylesheet, and the policies that say what a page may load.

No page loads anything from elsewhere. The stylesheet stands in the page and is allowed by its digest; the one script
is a file of this service. A page in a chart's frame has no script and no form.
"""

import hashlib
from base64 import b64encode
from contextvars import ContextVar
from decimal import Decimal
from functools import lru_cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from service.clinic.caution import CAUTION
from service.clinic.quantities import present
from service.report.labels import figure, label, percent, reading, who
from service.report.texts import speaking

FOLDER = "templates/ward"

# Whether the page that is being made is one of the open demonstration; every page of it says so.
open_demonstration: ContextVar[bool] = ContextVar("open demonstration", default=False)


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The environment of every page; a name that a template misspells is an error."""
    made = Environment(
        loader=PackageLoader("service", FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    speaking(made)
    made.filters.update(label=label, percent=percent, reading=reading, who=who, exact=exact, figure=shown)
    made.globals.update(caution=CAUTION, style=Markup(stylesheet()), script=f"ward.js?{digest(script())[:12]}")
    return made


def exact(value: Decimal | float) -> str:
    """A derived figure as it is everywhere else."""
    return f"{present(value):f}"


def shown(value: Decimal | float | None, name: str) -> Markup:
    """A derived figure with its unit, rounded for people; what it is exactly stands in the element's value."""
    if value is None:
        return Markup("<span>{}</span>").format(figure(name, None))
    return Markup('<data value="{}">{}</data>').format(exact(value), figure(name, value))


@lru_cache(maxsize=1)
def stylesheet() -> str:
    """The stylesheet of every page."""
    return files("service").joinpath(f"{FOLDER}/ward.css").read_text("utf-8")


@lru_cache(maxsize=1)
def script() -> bytes:
    """The script that helps where there is one."""
    return files("service").joinpath(f"{FOLDER}/ward.js").read_bytes()


def digest(content: bytes) -> str:
    """A digest to name a version of a file by."""
    return hashlib.sha256(content).hexdigest()


@lru_cache(maxsize=1)
def page_headers() -> dict[str, str]:
    """Headers of every page of the ward: nothing from elsewhere, never framed, never kept by a browser."""
    style = b64encode(hashlib.sha256(stylesheet().encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{style}'; script-src 'self'; connect-src 'self'; img-src data:; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",
        "Cache-Control": "no-store",
    }


def render(template: str, **shown_: Any) -> str:
    """A page as HTML."""
    return environment().get_template(template).render(open_demonstration=open_demonstration.get(), **shown_)


def page(template: str, status: int = 200, **shown_: Any) -> HTMLResponse:
    """A page as an answer."""
    return HTMLResponse(render(template, **shown_), status, headers=page_headers())
