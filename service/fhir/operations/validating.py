"""`$validate` (http://hl7.org/fhir/R4/resource-operation-validate.html): every issue, and whether it would be taken.

The layers of `service.fhir.validate`, then a second opinion that shares nothing with them, then what the mode asks: the
interactions that this server claims for the type decide whether a create, update or delete would be accepted.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.fhir import wire
from service.fhir.operations.inputs import Refused
from service.fhir.r4.issue import Issue
from service.fhir.validate import ProfileRules, check
from service.fhir.validate.second_opinion import second_opinion

Tree = dict[str, Any]
MODES = ("create", "update", "delete", "profile")  # http://hl7.org/fhir/R4/valueset-resource-validation-mode.html
_OF_INSTANCE = ("update", "delete")
_LAYER = "request"


@dataclass(frozen=True, slots=True)
class Asked:
    """Where and how `$validate` was called; `id` is None at the level of a type."""

    type: str
    id: str | None = None
    mode: str | None = None
    profile: str | None = None


@dataclass(frozen=True, slots=True)
class Judge:
    """By what resources are judged: profile rules, the base of R4's own definitions, and the interactions claimed."""

    rules: ProfileRules
    structure_definitions: str
    interactions: Mapping[str, Collection[str]]

    def issues(self, asked: Asked, resource: Tree | None) -> list[Issue]:
        """All issues. Raises Refused where the validation itself cannot be performed."""
        self._require_possible(asked, resource)
        if asked.mode == "delete" or resource is None:
            return list(self._would_refuse(asked, resource))
        judged = self._claiming(asked, resource)
        found = [*self._beside(asked, resource), *check(judged, self.rules)]
        known = {issue.expression for issue in found if issue.severity == "error"}
        another = (issue for issue in second_opinion(resource, wire.write(resource)) if issue.expression not in known)
        return [*found, *another, *self._would_refuse(asked, resource)]

    def _require_possible(self, asked: Asked, resource: Tree | None) -> None:
        if asked.mode is not None and asked.mode not in MODES:
            raise Refused(f"mode: one of {', '.join(MODES)}")
        if asked.mode in _OF_INSTANCE and asked.id is None:
            raise Refused(f"mode {asked.mode} is for one resource: call it below the resource's own address")
        if resource is None and asked.mode != "delete":
            raise Refused("resource: there is nothing to validate")
        if asked.profile is not None and not self._knows(asked.profile):
            raise Refused("profile: this server has no such profile to validate against", 404)

    def _knows(self, profile: str) -> bool:
        url = profile.partition("|")[0]
        return url in self.rules or url.startswith(f"{self.structure_definitions}/")

    def _claiming(self, asked: Asked, resource: Tree) -> Tree:
        """The resource as if it claimed the profile that it is to be held against."""
        if asked.profile is None:
            return resource
        meta, profile = resource.get("meta", {}), asked.profile.partition("|")[0]
        if not isinstance(meta, dict) or profile in _listed(meta):
            return resource
        return resource | {"meta": meta | {"profile": [*_listed(meta), profile]}}

    def _beside(self, asked: Asked, resource: Tree) -> Iterator[Issue]:
        """What the address, the profile and unknown profiles have to say."""
        kind = str(resource.get("resourceType"))
        if kind != asked.type:
            yield Issue("error", "invalid", kind, f"{asked.type} is asked to be validated, this is {kind}", _LAYER)
        meta = resource.get("meta")
        for named in _listed(meta) if isinstance(meta, dict) else ():
            if not self._knows(str(named)):
                yield Issue("warning", "not-supported", f"{kind}.meta.profile", f"{named} is not known here", _LAYER)
        profile = (asked.profile or "").partition("|")[0]
        base, _, wanted = profile.rpartition("/")
        if base == self.structure_definitions and wanted not in (kind, "Resource", "DomainResource"):
            yield Issue("error", "invalid", kind, f"{profile} is no profile of {kind}", _LAYER)

    def _would_refuse(self, asked: Asked, resource: Tree | None) -> Iterator[Issue]:
        """Why this server would not take the resource as the mode says; nothing for a mode that stores nothing."""
        if asked.mode in (None, "profile"):
            return
        if asked.mode not in self.interactions.get(asked.type, ()):
            why = f"this server takes no {asked.mode} of {asked.type}"
            yield Issue("error", "not-supported", asked.type, why, _LAYER)
        if asked.mode == "update" and resource is not None and resource.get("id") != asked.id:
            yield Issue("error", "value", f"{asked.type}.id", "is not the id of the address", _LAYER)


def _listed(meta: Mapping[str, Any]) -> list[Any]:
    named = meta.get("profile", [])
    return named if isinstance(named, list) else []
