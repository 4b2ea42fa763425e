"""A figure over time, as a table and a picture: python trend.py PATIENT_ID CODE PICTURE.svg

CODE is one of the service's own, such as widest-gap. One line for each wound: never join two wounds in one.
"""

import sys
from datetime import datetime
from pathlib import Path
from typing import Any

from picture import Points, drawn
from server import Server


def main(patient: str, code: str, picture: Path) -> None:
    wounds: dict[str, Points] = {}
    unit = ""
    for found in Server().search("Observation", patient=patient, code=code, _sort="date", _count=200):
        if found["status"] in ("entered-in-error", "cancelled"):
            continue  # it never was, whatever number it holds
        wound = found["basedOn"][0]["reference"]
        quantity: dict[str, Any] | None = found.get("valueQuantity")
        said = f"{quantity['value']} {quantity['unit']}" if quantity else "no value: " + absent(found)
        print(found["effectiveDateTime"], wound, said, sep="\t")
        if quantity:
            unit = quantity["unit"]
            at = datetime.fromisoformat(found["effectiveDateTime"])
            wounds.setdefault(wound, []).append((at, quantity["value"]))
    picture.write_text(drawn(wounds, f"{code}, {unit}"))


def absent(observation: dict[str, Any]) -> str:
    return str(observation.get("dataAbsentReason", {}).get("text", "no reason given"))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], Path(sys.argv[3]))
