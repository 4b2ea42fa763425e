"""The two elements of a resource that only the store knows, put into the bytes that it serves."""

from datetime import datetime
from email.utils import format_datetime

from service.search.dates import instant
from service.store.errors import DraftError


def spliced(type_: str, id_: str, content: bytes, version: int, last_updated: int) -> bytes:
    """The content with versionId and lastUpdated put first in its meta. DraftError for another beginning."""
    head = f'{{"resourceType":"{type_}","id":"{id_}","meta":{{'.encode()
    if not content.startswith(head):
        raise DraftError(f"{type_}: the content does not begin with resourceType, id and meta")
    comma = b"" if content[len(head) : len(head) + 1] == b"}" else b","
    stamp = f'"versionId":"{version}","lastUpdated":"{instant(last_updated)}"'.encode()
    return b"".join((head, stamp, comma, content[len(head) :]))


def http_date(at_us: int) -> str:
    """Value of Last-Modified, to the second (RFC 9110 5.6.7)."""
    return format_datetime(datetime.fromisoformat(instant(at_us)), usegmt=True)
