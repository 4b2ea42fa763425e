"""One resource in, one de-identified resource out, or none: the table decides, nothing passes undecided.

What comes out is checked as everything that this service emits. A resource that cannot be made valid, or whose meaning
would change, is left out with a reason that holds nothing of it.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any

from service.deidentify.cells import Cell, Cells, cell_of
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.rules import DESCENDING, DROP, HOSPITAL, LEAVE_OUT, RESEARCH, Rules, Step
from service.deidentify.values import WITHHELD, Case, Release, action
from service.deidentify.vocabulary import Vocabulary
from service.fhir.origin import is_received
from service.fhir.validate import ProfileRules, check, is_valid

Tree = dict[str, Any]


class Undecided(ValueError):
    """The table says nothing of what was met; the job stops, since going on could leak."""


class LeftOut(ValueError):
    """This resource stays behind; the message names type and reason and nothing of its content."""


class _Gone(Exception):
    """No error: an object lost what it cannot be without, and goes as a whole."""


class Deidentifier:
    """De-identifies the resources of one site for one release."""

    def __init__(
        self,
        rules: Rules,
        vocabulary: Vocabulary,
        names: Pseudonyms,
        now: datetime,
        profile_rules: ProfileRules | None = None,
        cells: Cells | None = None,
    ) -> None:
        """`now` decides who is 90; `cells`: of the whole population, None where small ones need no guard."""
        self._rules = rules
        self._release = Release(names, vocabulary, frozenset(rules.types), now)
        self._profile_rules = profile_rules
        self._cells = cells

    def resource(self, resource: Tree, patient: str | None) -> Tree | None:
        """What comes out of a resource; None for a type that stays behind. `patient`: id of the Patient it belongs to.

        Raises LeftOut, or Undecided for a type or element that the table does not know, and where research needs a
        patient whose dates they are and there is none.
        """
        type_ = resource.get("resourceType", "")
        made = self._made(resource, self._case(resource, patient)) if self._comes_out(type_, resource) else None
        if made is None:
            return None
        if type_ == "Patient":
            made = self._guarded(made, resource)
        label = self._release.vocabulary.labels[self._rules.mode]
        meta = made.get("meta", {})
        made = _with_meta(made, meta | {"security": [*meta.get("security", ()), label]})
        if not is_valid(made, profile_rules=self._profile_rules):
            raise LeftOut(f"{type_}: not valid without what was taken away: {_first_fault(made, self._profile_rules)}")
        return made

    def cells(self, patients: Iterable[Tree]) -> Iterator[Cell]:
        """The cells of Patients, to be counted before the release; who stays behind is in none."""
        for patient in patients:
            try:
                made = self._made(patient, self._case(patient, patient["id"]))
            except LeftOut:
                continue
            yield cell_of(made, self._is_old(made, patient))

    def provenance(self, patient: str) -> Tree:
        """Provenance of what was done to a patient's resources; the time is that of the release."""
        known, names, mode = self._release.vocabulary, self._release.names, self._rules.mode
        return {
            "resourceType": "Provenance",
            "id": names.id("Provenance", f"de-identification/{patient}"),
            "meta": {"security": [known.labels[mode]]},
            "target": [{"reference": f"Patient/{names.id('Patient', patient)}"}],
            "recorded": self._release.now.isoformat(timespec="seconds"),
            "activity": known.activities[mode],
            "agent": [{"type": known.software, "who": {"display": f"de-identification, {mode}"}}],
        }

    def _comes_out(self, type_: str, resource: Tree) -> bool:
        if type_ not in self._rules.decided_types:
            raise Undecided(f"nothing is decided about resources of type {type_[:64]}")
        decided = self._rules.decisions
        own = decided.get(type_ + HOSPITAL)
        if own == LEAVE_OUT and is_received(resource, self._release.vocabulary.base):
            raise LeftOut(f"{type_}: written by the hospital in a form of its own")
        return decided[type_] != DROP

    def _case(self, resource: Tree, patient: str | None) -> Case:
        days = 0
        if self._rules.mode == RESEARCH:
            if not patient:
                raise Undecided(f"{resource['resourceType']}: it is of no patient whose dates could be moved")
            days = self._release.names.shift_days(patient)
        return Case(self._release, resource["resourceType"], resource.get("id", ""), days)

    def _made(self, resource: Tree, case: Case) -> Tree:
        try:
            made = self._object(case.type, resource, case)
        except _Gone:
            raise LeftOut(f"{case.type}: it cannot be without what was taken away") from None
        except (AttributeError, TypeError):  # a text where an object belongs, and the like
            raise LeftOut(f"{case.type}: its form is not that of R4") from None
        return {"resourceType": case.type, **made}

    # Patient

    def _is_old(self, made: Tree, patient: Tree) -> bool:
        return "birthDate" in patient and "birthDate" not in made

    def _guarded(self, made: Tree, patient: Tree) -> Tree:
        """The group of those of 90 or older instead of a year; less than that in a small cell."""
        old = self._is_old(made, patient)
        sex, year = cell_of(made, old)
        if self._cells is not None:
            sex, year = self._cells.shown((sex, year))
        kept = {name: value for name, value in made.items() if name not in ("gender", "birthDate")}
        if year == "old":
            kept["extension"] = [*kept.get("extension", ()), self._release.vocabulary.age_group]
        elif year:
            kept["birthDate"] = year
        return kept | ({"gender": sex} if sex else {})

    # Any object

    def _object(self, path: str, value: Mapping[str, Any], case: Case) -> Tree:
        plan = self._rules.plans[path]
        made: Tree = {}
        for key, member in value.items():
            if key == "resourceType" or key[:1] == "_":
                self._require_known(path, key, plan)
                continue
            step = plan.get(key)
            if step is None:
                raise Undecided(f"nothing is decided about {path}.{key[:64]}")
            if step.action == DROP:
                continue
            if step.action == LEAVE_OUT:
                raise LeftOut(f"{case.type}: it has {path}.{key}")
            kept = self._member(step, member, case, value)
            if kept is not None:
                made[key] = kept
            elif step.needed and (instead := _stands_in(step, member)) is not None:
                made[key] = instead
        _require_needed(plan, value, made)
        return made

    def _member(self, step: Step, member: Any, case: Case, holder: Mapping[str, Any]) -> Any:
        if isinstance(member, list):
            found = [self._one(step, each, case, holder) for each in member if each is not None]
            return [each for each in found if each is not None] or None
        return self._one(step, member, case, holder)

    def _one(self, step: Step, value: Any, case: Case, holder: Mapping[str, Any]) -> Any:
        if step.action not in DESCENDING or not step.inner:
            return action(step.action)(value, case, holder)
        known = self._release.vocabulary
        if step.action == "known-coding" and not known.knows_coding(value):
            return None
        if step.action == "known-extension" and value.get("url") not in known.extensions:
            return None
        try:
            return self._object(step.inner, value, case) or None
        except _Gone:
            return None

    def _require_known(self, path: str, key: str, plan: Mapping[str, Step]) -> None:
        """A member beside a plain value is dropped whole, if R4 has it."""
        if key != "resourceType" and key[1:] not in plan:
            raise Undecided(f"nothing is decided about {path}.{key[:64]}")


def _stands_in(step: Step, member: Any) -> Any:
    """What stands where R4 wants something and nothing is left: words that say so, where the datatype has room."""
    words: Mapping[str, Callable[[], Tree]] = {
        "CodeableConcept": lambda: {"text": WITHHELD},
        "Coding": lambda: {"display": WITHHELD},
        "Reference": lambda: {"display": WITHHELD},
    }
    found = words[step.type]() if step.type in words else None
    return [found] if found is not None and isinstance(member, list) else found


def _require_needed(plan: Mapping[str, Step], value: Mapping[str, Any], made: Tree) -> None:
    there = {plan[key].choice for key in made}
    for key in value:
        step = plan.get(key)
        if step is not None and step.needed and step.choice not in there:
            raise _Gone


def _with_meta(made: Tree, meta: Tree) -> Tree:
    """The resource with `meta` behind its id, where readers and the store expect it."""
    first: Tree = {name: made[name] for name in ("resourceType", "id") if name in made}
    rest = {name: value for name, value in made.items() if name not in ("resourceType", "id", "meta")}
    return {**first, "meta": meta, **rest}


def _first_fault(resource: Tree, profile_rules: ProfileRules | None) -> str:
    return next(_faults(resource, profile_rules), "unknown")


def _faults(resource: Tree, profile_rules: ProfileRules | None) -> Iterator[str]:
    for issue in check(resource, profile_rules):
        if issue.severity == "error":
            yield f"{issue.expression} ({issue.code})"
