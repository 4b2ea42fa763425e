"""What a resource becomes when what it said should never have been charted: the same id, entered in error.

The words for it differ by type (http://hl7.org/fhir/R4/valueset-observation-status.html and its siblings);
BodyStructure and Patient have only `active`.
"""

from typing import Any

from service.fhir.build.identity import Built

Tree = dict[str, Any]
ENTERED_IN_ERROR = "entered-in-error"
_LIFE_CYCLE = {"Goal": "lifecycleStatus"}
_ACTIVE = frozenset({"BodyStructure", "Patient"})
_PREFIX = "<p><b>Entered in error.</b></p>"


def withdraw(body: Tree) -> Tree:
    """The entered-in-error form of a resource body; the body given is left alone."""
    resource_type = body["resourceType"]
    if resource_type == "Provenance":
        raise ValueError("a Provenance is never withdrawn: it says what happened")
    withdrawn = {**body}
    if "text" in body:
        withdrawn["text"] = _marked(body["text"])
    if resource_type == "Condition":
        return _unsaid(withdrawn)
    if resource_type in _ACTIVE:
        withdrawn["active"] = False
    else:
        withdrawn[_LIFE_CYCLE.get(resource_type, "status")] = ENTERED_IN_ERROR
    return withdrawn


def withdrawn(built: Built) -> Built:
    """The same for what was just built."""
    return Built(built.type, built.id, built.entry_id, built.role, withdraw(built.resource))


def _marked(text: Tree) -> Tree:
    head, end, rest = text["div"].partition(">")
    return text if rest.startswith(_PREFIX) else {**text, "div": f"{head}{end}{_PREFIX}{rest}"}


def _unsaid(condition: Tree) -> Tree:
    """A Condition says it by its verification; then it may have no clinical status (con-5) and no abatement (con-4)."""
    coding = condition["verificationStatus"]["coding"][0]
    verification = {"coding": [{"system": coding["system"], "code": ENTERED_IN_ERROR}], "text": "Entered in Error"}
    kept = {k: v for k, v in condition.items() if k != "clinicalStatus" and not k.startswith("abatement")}
    return {**kept, "verificationStatus": verification}
