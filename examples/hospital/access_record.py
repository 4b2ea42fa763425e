"""Who looked at a patient: python access_record.py PATIENT_ID [DATE]

For the privacy office: the service gives the record to the clients named in its settings alone. DATE such as ge2026-03.
"""

import sys

from server import Server


def main(patient: str, date: str | None) -> None:
    asked = {"patient": patient} | ({"date": date} if date else {})
    for event in Server().search("AuditEvent", **asked):
        who = event["agent"][0]["who"]
        named = who.get("identifier", {}).get("value") or who.get("display", "")
        what = (event.get("subtype") or [event["type"]])[0].get("code", "")
        print(event["recorded"], named, event["action"], what, f"outcome {event['outcome']}", sep="\t")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else None)
