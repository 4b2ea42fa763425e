"""Refuses posts that another site's page makes a browser send.

Pages are used with a cookie (SameSite=Strict), behind a gateway that adds the token, or in the open demonstration; in
each the browser would send along whatever lets it in. Browsers say where a post comes from: Sec-Fetch-Site (W3C Fetch
Metadata) and Origin (RFC 6454). Programs that send neither have no cookie jar to be abused.
"""

from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.requests import Request


def require_same_origin(request: Request, public_base: str) -> None:
    """Raise 403 unless the post comes from a page of this service."""
    fetch_site = request.headers.get("sec-fetch-site")
    if fetch_site is not None and fetch_site not in ("same-origin", "none"):
        raise HTTPException(403, "this form was sent from another site")
    origin = request.headers.get("origin")
    if origin is None or fetch_site == "same-origin":
        return
    if urlsplit(origin).netloc not in (request.headers.get("host", ""), urlsplit(public_base).netloc):
        raise HTTPException(403, "this form was sent from another site")
