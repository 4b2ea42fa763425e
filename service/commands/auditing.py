"""`audit`: who asked what, in the terminal."""

import sys
from zoneinfo import ZoneInfo

import orjson
from rich.console import Console
from rich.table import Table
from starlette.exceptions import HTTPException

from service.api.audit_reading import asked_of
from service.config import settings_from
from service.store import open_store
from service.store.audit import AuditRow, find_events


def show_audit(patient: str | None, dates: list[str], failures: bool, limit: int, as_json: bool) -> int:
    """Print events of the audit record, newest first; 2 for dates or a patient that cannot be."""
    settings = settings_from()
    pairs = [("date", date) for date in dates] + ([("patient", patient)] if patient else [])
    try:
        asked = asked_of(pairs, ZoneInfo(settings.zone))._replace(limit=limit)
    except HTTPException as fault:
        print(fault.detail, file=sys.stderr)
        return 2
    store = open_store(settings.database_url, settings.synchronous)
    try:
        store.ready()
        with store.read(settings.site) as reading:
            rows = find_events(reading, asked._replace(failed=failures))
    finally:
        store.close()
    if as_json:
        sys.stdout.buffer.write(b"".join(row.body + b"\n" for row in rows))
    else:
        Console().print(_table(rows))
    return 0


def _table(rows: list[AuditRow]) -> Table:
    table = Table()
    for name in ("recorded", "what", "outcome", "client", "patient", "request id"):
        table.add_column(name, overflow="fold")  # an id that is cut off is none
    for row in rows:
        event = orjson.loads(row.body)
        what = event.get("subtype", [event["type"]])[0]
        agent = event["agent"][0]
        who = agent["who"].get("identifier", {}).get("value", "")
        client = f"{who} {agent.get('network', {}).get('address', '')}".strip()
        outcome = event.get("outcomeDesc", "success")
        said = f"{what['display']} ({row.action})"
        table.add_row(event["recorded"], said, outcome, client, row.patient, row.request_id)
    return table
