"""Who goes by a hospital's own number: python find_patient.py SYSTEM NUMBER

The number without its system would find the patients of other hospitals and departments too: send both.
"""

import sys

from server import Server


def main(system: str, number: str) -> None:
    found = list(Server().search("Patient", identifier=f"{system}|{number}"))
    for patient in found:
        name = (patient.get("name") or [{}])[0]
        shown = " ".join([*name.get("given", ()), name.get("family", "")]).strip() or "(no name sent)"
        print(patient["id"], shown, patient.get("birthDate", ""), sep="\t")
    if len(found) != 1:
        raise SystemExit(f"{len(found)} patients go by this number; go on with exactly one")


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
