"""Parameters of an instance's history (http.html#history)."""

import re
from datetime import tzinfo
from urllib.parse import urlencode

from starlette.exceptions import HTTPException

from service.search.dates import date_range
from service.search.query import CURSOR, DEFAULT_COUNT, MAX_COUNT


class HistoryAsked:
    """What was asked of a history, and the links that carry it on. HTTPException 400 for what cannot be."""

    def __init__(self, pairs: list[tuple[str, str]], zone: tzinfo) -> None:
        given = [name for name, _ in pairs]
        for name in ("_count", "_since", CURSOR):
            if given.count(name) > 1:
                raise HTTPException(400, f"{name}: given twice")
        values = dict(pairs)
        self._since_text = values["_since"].replace(" ", "+") if values.get("_since") else None
        self.count = min(_whole("_count", values.get("_count", str(DEFAULT_COUNT))), MAX_COUNT)
        self.before = _whole(CURSOR, values[CURSOR]) if CURSOR in values else None
        try:
            self.since = date_range(self._since_text, zone).low if self._since_text else None
        except ValueError as fault:
            raise HTTPException(400, "_since: not an instant") from fault

    def link(self, url: str, before: int | None) -> str:
        """URL of the page of versions older than `before`."""
        pairs = [("_count", str(self.count)), ("_since", self._since_text), (CURSOR, before)]
        return f"{url}?{urlencode([(name, value) for name, value in pairs if value is not None])}"


def _whole(name: str, text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,9}", text):
        raise HTTPException(400, f"{name}: not a whole number of 0 or more")
    return int(text)
