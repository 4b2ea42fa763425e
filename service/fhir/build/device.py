"""Device (http://hl7.org/fhir/R4/device.html) and DeviceUseStatement (http://hl7.org/fhir/R4/deviceusestatement.html).

Device.status is about the record, not about the patient: whether the set is in place stands in DeviceUseStatement and
in the Observation `device-in-place`.
"""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from service.clinic.entries import Installation, InstalledBand
from service.fhir.build.charting import Charting
from service.fhir.build.context import APPLICATION, DEVICE_USE, Context
from service.fhir.build.identity import Built
from service.fhir.build.installed import CLOSURE_SET
from service.fhir.build.use_ends import UseEnd
from service.fhir.build.values import cm, digits, narrative, time_text

Tree = dict[str, Any]


def _property(charting: Charting, concept: str, value: Decimal | int, unit: str) -> Tree:
    frame = charting.frame
    return {"type": frame.concepts[concept], "valueQuantity": [frame.quantity(value, unit)]}


def _device(
    charting: Charting,
    role: str,
    concept: str,
    name: str,
    sentence: str,
    properties: Sequence[Tree],
    parent: Tree | None = None,
) -> Built:
    frame = charting.frame
    own = charting.names.ids[role]
    built: Tree = {
        "resourceType": "Device",
        "id": own,
        "meta": frame.metas["closure-device"],
        "text": narrative(sentence),
        "identifier": charting.names.identifier(role),
        "status": "active",
        "deviceName": [{"name": name, "type": "user-friendly-name"}],
        "type": frame.concepts[concept],
        "property": properties,
        "patient": charting.context.subject,
    }
    if parent is not None:
        built["parent"] = parent
    return Built("Device", own, charting.names.entry_id, role, built)


def closure_set(charting: Charting, installation: Installation) -> Built:
    """The set of one installation: anchors on both sides and the bands between them."""
    interval, setback = cm(installation.anchor_interval_mm), cm(installation.setback_mm)
    properties = [
        _property(charting, "anchors-per-side", installation.anchors_per_side, "items"),
        _property(charting, "anchor-interval", interval, "cm"),
        _property(charting, "setback", setback, "cm"),
    ]
    sentence = (
        f"Closure set of {charting.at}: {installation.anchors_per_side} anchors per side every {digits(interval)} cm, "
        f"set back {digits(setback)} cm, {len(installation.bands)} bands."
    )
    return _device(charting, CLOSURE_SET, CLOSURE_SET, "Closure set", sentence, properties)


def band(charting: Charting, installed: InstalledBand) -> Built:
    """One band of a set."""
    station = cm(installed.station_mm)
    properties = [
        _property(charting, "station", station, "cm"),
        _property(charting, "band-rest-mark", installed.rest_mark_mm, "mm"),
    ]
    sentence = (
        f"Band {installed.band} at {digits(station)} cm, reference mark {digits(installed.rest_mark_mm)} mm at rest."
    )
    role = f"band/{installed.band}"
    parent = charting.names.reference("Device", CLOSURE_SET)
    return _device(charting, role, "elastic-closure-band", f"Band {installed.band}", sentence, properties, parent)


def devices(charting: Charting) -> list[Built]:
    """The set and the bands of an installation."""
    installation = charting.content
    if not isinstance(installation, Installation):
        return []
    return [closure_set(charting, installation), *(band(charting, installed) for installed in installation.bands)]


def device_use(context: Context, installation: Installation, end: UseEnd | None) -> Built:
    """Use of one closure set: active until everything is accounted for, then completed or stopped."""
    names = context.names_of(installation.entry_id)
    own = names.ids[DEVICE_USE]
    start = time_text(installation.at)
    status = "active" if end is None else "completed" if end.as_planned else "stopped"
    until = "" if end is None else f" until {time_text(end.at)}"
    period = {"start": start} | ({} if end is None else {"end": time_text(end.at)})
    derived_from = [names.reference("Procedure", APPLICATION)]
    if end is not None:
        derived_from.append(context.names_of(end.entry_id).reference("Procedure", "removal"))
    built: Tree = {
        "resourceType": "DeviceUseStatement",
        "id": own,
        "meta": context.frame.metas["closure-device-use"],
        "text": narrative(f"Closure set in use from {start}{until}: {status}."),
        "identifier": names.identifier(DEVICE_USE),
        "status": status,
        "subject": context.subject,
        "derivedFrom": derived_from,
        "timingPeriod": period,
        "recordedOn": start,
        "device": names.reference("Device", CLOSURE_SET),
        "reasonReference": context.condition,
        "bodySite": context.site,
    }
    return Built("DeviceUseStatement", own, installation.entry_id, DEVICE_USE, built)
