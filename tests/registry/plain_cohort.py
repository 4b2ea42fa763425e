"""The cohort once more, in plain Python over the rows of the tables: slow and simple, to hold the other against."""

from collections import defaultdict
from itertools import pairwise


def plain_cohort(connection, definitions):
    """(site, course) -> figures, by loops over rows."""
    read = {
        name: _rows(connection, name)
        for name in ("courses", "procedures", "resets", "checks", "gaps", "bands", "skin", "outcomes", "alerts")
    }
    found = {(c["site"], c["course_key"]): {"patient": c["patient_key"]} for c in read["courses"]}
    for key, figures in found.items():
        own = {name: [r for r in rows if (r["site"], r.get("course_key")) == key] for name, rows in read.items()}
        _one(figures, own, definitions)
    _alerts(found, read, definitions)
    return found


def _rows(connection, name):
    cursor = connection.execute(f'SELECT * FROM "{name}"')
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def _one(figures, own, definitions):
    starts = [r["performed_at"] for r in own["procedures"] if r["procedure"] == definitions.application]
    start = min(starts, default=None)
    last = max(own["outcomes"], key=lambda r: r["ended_at"], default=None)
    figures["ending"] = definitions.endings[last["outcome"]] if last else "open"
    charted = [
        r[name]
        for table, name in (
            ("procedures", "performed_at"),
            ("checks", "checked_at"),
            ("bands", "read_at"),
            ("gaps", "measured_at"),
        )
        for r in own[table]
    ]
    until = last["ended_at"] if last else max(charted, default=None)
    figures["days"] = (until - start).total_seconds() / 86400 if start and until and until >= start else None
    figures["resets"] = len(own["resets"])
    figures["share"] = _share(own["bands"])
    signs = {r["finding"] for r in own["skin"]}
    figures["complications"] = {one.key for one in definitions.complications if signs & set(one.skin)}


def _share(bands):
    by_band = defaultdict(list)
    for row in bands:
        by_band[row["band_key"]].append((row["read_at"], row["in_range"]))
    total = inside = 0.0
    for readings in by_band.values():
        readings.sort()
        for (since, first), (until, second) in pairwise(readings):
            hours = (until - since).total_seconds() / 3600
            total += hours
            inside += hours * (first + second) / 2
    return inside / total if total else None


def _alerts(found, read, definitions):
    checks = {(r["site"], r["check_key"]): r["course_key"] for r in read["checks"]}
    procedures = {(r["site"], r["procedure_key"]): r["course_key"] for r in read["procedures"]}
    for alert in read["alerts"]:
        site = alert["site"]
        course = checks.get((site, alert["check_key"])) or procedures.get((site, alert["procedure_key"]))
        if alert["check_key"] is None and alert["procedure_key"] is None:
            owned = [
                key for key, figures in found.items() if (key[0], figures["patient"]) == (site, alert["patient_key"])
            ]
            course = owned[0][1] if len(owned) == 1 else None
        if course is not None and (site, course) in found:
            kinds = {one.key for one in definitions.complications if alert["alert"] in one.alerts}
            found[site, course]["complications"] |= kinds
