"""What travels along while one resource is walked: the issues, and what references and extensions resolve against.

A place in the resource is a linked pair `(parent, step)`; it becomes text only when something is wrong, so that a sound
resource pays nothing for its paths.
"""

from __future__ import annotations

from typing import Any, TypeAlias

from service.fhir.r4.issue import Issue, Severity

Place: TypeAlias = "tuple[Place | None, str] | tuple[Place, str, int]"


def path(at: Place) -> str:
    """A place as FHIRPath: `Observation.component[0].valueQuantity`."""
    steps: list[str] = []
    here: Place | None = at
    while here is not None:
        steps.append(f"{here[1]}[{here[2]}]" if len(here) == 3 else here[1])
        here = here[0]
    return ".".join(reversed(steps))


class Walk:
    """One pass over one resource. `errors_only` drops warnings before they are worded."""

    __slots__ = ("contained", "errors_only", "extensions", "full_urls", "issues", "root", "untabled")

    def __init__(
        self,
        extensions: tuple[str, ...],
        errors_only: bool = False,
    ) -> None:
        self.issues: list[Issue] = []
        self.extensions = extensions
        self.errors_only = errors_only
        self.root: dict[str, Any] = {}
        self.contained: dict[str, str] | None = None
        self.full_urls: dict[str, str] | None = None
        self.untabled = False

    def contained_types(self) -> dict[str, str]:
        """Local id -> resource type of what the root resource contains."""
        if self.contained is None:
            listed = self.root.get("contained")
            self.contained = {
                str(c.get("id")): str(c.get("resourceType"))
                for c in (listed if isinstance(listed, list) else ())
                if isinstance(c, dict)
            }
        return self.contained

    def add(self, severity: Severity, code: str, at: Place, diagnostics: str, layer: str) -> None:
        """Note an issue; warnings only where they are wanted."""
        if severity == "error" or not self.errors_only:
            self.issues.append(Issue(severity, code, path(at), diagnostics, layer))

    def error(self, at: Place, diagnostics: str, code: str = "structure", layer: str = "structure") -> None:
        """Note an error."""
        self.issues.append(Issue("error", code, path(at), diagnostics, layer))
