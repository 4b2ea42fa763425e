"""US Core as a setting: resources that the projection built, with what a release of US Core asks for on top.

Only the profiles whose rules are met are claimed: Patient, and Observations as clinical results or simple observations.
What is mandatory there and was not sent is said to be unknown, in the way US Core asks for; nothing is invented.
http://hl7.org/fhir/us/core/general-guidance.html. Without the setting nothing here is called.
"""

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from msgspec import Struct

from service.fhir.r4.issue import Issue
from service.fhir.validate import ProfileRules

Tree = dict[str, Any]
FOLDER = "us-core"
_LAYER = "us core"
_DAY = len("2026-11-25")


class UnknownRelease(ValueError):
    """A release of US Core that no table is there for."""


class ObservationProfile(Struct, frozen=True):
    """One profile of Observation, and for which categories it is claimed."""

    profile: str
    category_system: str
    categories: frozenset[str]
    value_needed: bool

    def fits(self, resource: Mapping[str, Any]) -> bool:
        """Whether one of the categories is of this profile."""
        return any(
            coding.get("system") == self.category_system and coding.get("code") in self.categories
            for category in resource.get("category", ())
            for coding in category.get("coding", ())
        )


class UsCore(Struct, frozen=True):
    """One release, as its table says."""

    release: str
    instantiates: str
    patient: str
    gender_required: bool
    unknown_gender: str
    absent: Mapping[str, str]
    observations: tuple[ObservationProfile, ...]

    def profiles(self) -> dict[str, list[str]]:
        """Resource type -> canonicals that may be claimed."""
        return {"Patient": [self.patient], "Observation": [one.profile for one in self.observations]}

    def decorated(self, resource: Tree) -> Tree:
        """The resource as this release wants it; of other types and without a fitting category unchanged."""
        if resource["resourceType"] == "Patient":
            return _claiming(self._patient(resource), self.patient)
        if resource["resourceType"] == "Observation":
            profile = next((one.profile for one in self.observations if one.fits(resource)), None)
            return _claiming(resource, profile) if profile else resource
        return resource

    def rules(self) -> ProfileRules:
        """The rules of the claimed profiles, for the same check as those of the project's own profiles."""
        return {self.patient: (self._patient_issues,)} | {
            one.profile: (lambda resource, one=one: _observation_issues(resource, one),) for one in self.observations
        }

    def _patient(self, resource: Tree) -> Tree:
        built = dict(resource)
        if "name" not in built:
            built["name"] = [{"extension": [self._absent()]}]
        if self.gender_required and "gender" not in built:
            built["gender"] = self.unknown_gender
        return built

    def _absent(self) -> Tree:
        return {"url": self.absent["url"], "valueCode": self.absent["reason"]}

    def _patient_issues(self, resource: Tree) -> Iterable[Issue]:
        if not resource.get("identifier"):
            yield _issue("Patient.identifier", "US Core asks for it", "required")
        for place, identifier in enumerate(resource.get("identifier", ())):
            for name in ("system", "value"):
                if name not in identifier:
                    yield _issue(f"Patient.identifier[{place}].{name}", "US Core asks for it", "required")
        if not resource.get("name"):
            yield _issue("Patient.name", "US Core asks for it", "required")
        for place, name in enumerate(resource.get("name", ())):
            named = "family" in name or "given" in name
            if named == any(each.get("url") == self.absent["url"] for each in name.get("extension", ())):
                why = "us-core-6: a family or given name, or else the reason why there is none"
                yield _issue(f"Patient.name[{place}]", why, "invariant")
        if self.gender_required and "gender" not in resource:
            yield _issue("Patient.gender", "US Core asks for it", "required")


def load_us_core(folder: Path, release: str) -> UsCore | None:
    """The table of a release; None where no release is set. Raises UnknownRelease with those that are there."""
    if not release:
        return None
    known = {file.stem: file for file in sorted((folder / FOLDER).glob("*.toml"))}
    if release not in known:
        raise UnknownRelease(f"US Core {release}: there are tables for {', '.join(known) or 'no release'}")
    table = tomllib.loads(known[release].read_text("utf-8"))
    return UsCore(
        release=table["release"],
        instantiates=table["instantiates"],
        patient=table["patient"]["profile"],
        gender_required=table["patient"]["gender_required"],
        unknown_gender=table["patient"]["unknown_gender"],
        absent=table["absent"],
        observations=tuple(
            ObservationProfile(
                row["profile"], row["category_system"], frozenset(row["categories"]), row["value_needed"]
            )
            for row in table["observation"]
        ),
    )


def _claiming(resource: Tree, profile: str) -> Tree:
    """The resource with one more profile; `meta` is shared by others and not written to."""
    meta = resource["meta"]
    if profile in meta["profile"]:
        return resource
    return resource | {"meta": meta | {"profile": [*meta["profile"], profile]}}


def _issue(expression: str, why: str, code: str) -> Issue:
    return Issue("error", code, expression, why, _LAYER)


def _observation_issues(resource: Tree, profile: ObservationProfile) -> Iterable[Issue]:
    for name in ("category", "code", "status", "subject"):
        if not resource.get(name):
            yield _issue(f"Observation.{name}", "US Core asks for it", "required")
    if not str(resource.get("subject", {}).get("reference", "Patient/")).rpartition("Patient/")[1]:
        yield _issue("Observation.subject", "US Core wants a Patient", "value")
    if len(resource.get("effectiveDateTime", "0000-00-00")) < _DAY:
        yield _issue("Observation.effectiveDateTime", "us-core-1: at least to the day", "invariant")
    if profile.value_needed and not _says_something(resource):
        why = "us-core-2: a value, the reason why there is none, components or members"
        yield _issue("Observation", why, "invariant")


def _says_something(resource: Tree) -> bool:
    said: Sequence[str] = [key for key in resource if key.startswith("value") or key == "dataAbsentReason"]
    return bool(said) or "component" in resource or "hasMember" in resource
