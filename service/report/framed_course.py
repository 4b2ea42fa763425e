"""One course as a page to be read in a chart's frame: no script, no form, no link."""

from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from jinja2 import Environment, StrictUndefined

from service.clinic.caution import CAUTION

_ENVIRONMENT = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)


def framed_course(view: Mapping[str, Any], zone: str) -> str:
    """The page of a course view."""
    template = _ENVIRONMENT.from_string(files("service").joinpath("templates/framed_course.html").read_text("utf-8"))
    return template.render(view=view, zone=zone, caution=CAUTION)
