"""How a page answers, faults included: always a page, since a person reads it."""

from collections.abc import Awaitable, Callable
from functools import wraps
from http import HTTPStatus
from typing import Any
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.api.fault_log import log_fault
from service.api.pages.rendering import open_demonstration, page
from service.config import Settings
from service.report.texts import _
from service.store.errors import StoreError
from service.workflow import UnknownCourse

WARD = "/ward"
Endpoint = Callable[..., Awaitable[Response]]


def ward_root(settings: Settings) -> str:
    """Path of the ward as browsers see it: the public base may have a path of its own."""
    return urlsplit(settings.public_base).path.rstrip("/") + WARD


def as_page(endpoint: Endpoint, settings: Settings) -> Endpoint:
    """The endpoint with what it raises told as a page; a page of the open demonstration says what it is."""

    @wraps(endpoint)
    async def answer(request: Request, *arguments: Any, **named: Any) -> Response:
        access = getattr(request.state, "access", None)
        told = open_demonstration.set(access is not None and access.kind == "demonstration")
        try:
            return await endpoint(request, *arguments, **named)
        except UnknownCourse:
            return fault_page(settings, 404, _("No such course at this site."))
        except HTTPException as fault:
            return fault_page(settings, fault.status_code, str(fault.detail))
        except StoreError as fault:
            log_fault(request, 503, fault)
            return fault_page(settings, 503, _("The record cannot be reached at the moment. Nothing was saved."))
        finally:
            open_demonstration.reset(told)

    return answer


def fault_page(settings: Settings, status: int, detail: str) -> Response:
    """What went wrong, in a sentence."""
    title = HTTPStatus(status).phrase
    return page("fault.html", status, title=title, detail=detail, root=ward_root(settings), framed=False)
