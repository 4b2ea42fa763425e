"""The bill of materials of what runs, as CycloneDX 1.6 JSON, from requirements/run.lock.

    python -m tests.supply.sbom > sbom.json

Packages that this machine does not install (for another Python or system) are listed without a licence. The same lock
file gives the same text, but for the time of making (SOURCE_DATE_EPOCH, else now).
"""

import os
import sys
import tomllib
from collections.abc import Iterable
from datetime import UTC, datetime
from importlib.metadata import requires
from itertools import chain
from uuid import NAMESPACE_URL, uuid5

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import HashAlgorithm, HashType
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from service import __version__
from tests.supply.licences import licence
from tests.supply.lock import ROOT, RUN_LOCK, Pin, read_lock

PROJECT = "closure-readings"


def bill(lock: str, now: datetime) -> str:
    """The document as JSON."""
    pins = read_lock(lock)
    project = Component(
        name=PROJECT, version=__version__, type=ComponentType.APPLICATION, bom_ref=PROJECT,
        licenses=[LicenseFactory().make_from_string("Apache-2.0")],
    )  # fmt: skip
    bom = Bom(serial_number=uuid5(NAMESPACE_URL, f"{PROJECT}/{__version__}/{lock}"))
    bom.metadata.component = project
    bom.metadata.timestamp = now
    components = {pin: _component(pin) for pin in pins}
    for component in components.values():
        bom.components.add(component)
    needs = dependencies()
    for pin, component in components.items():
        bom.register_dependency(component, _of(components, needs.get(pin.name, set()) if pin.applies else set()))
    bom.register_dependency(project, _of(components, needs[PROJECT]))
    return JsonV1Dot6(bom).output_as_string(indent=2)


def _component(pin: Pin) -> Component:
    url = PackageURL("pypi", name=pin.name, version=pin.version)
    return Component(
        name=pin.name,
        version=pin.version,
        bom_ref=str(url),
        purl=url,
        hashes=[HashType(alg=HashAlgorithm.SHA_256, content=each) for each in pin.hashes],
        licenses=[LicenseFactory().make_from_string(licence(pin.name))] if pin.applies else [],
    )


def dependencies() -> dict[str, set[str]]:
    """What the project needs, and what each of those needs here, by name; with the extras that are asked for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    stated = [*project["dependencies"], *chain.from_iterable(project["optional-dependencies"].values())]
    needs: dict[str, set[str]] = {}
    ahead = [(PROJECT, frozenset[str](), [Requirement(one) for one in stated])]
    seen = set()
    while ahead:
        name, extras, listed = ahead.pop()
        wanted = [one for one in listed if _applies(one, extras)]
        needs.setdefault(name, set()).update(canonicalize_name(one.name) for one in wanted)
        for one in wanted:
            asked = (canonicalize_name(one.name), frozenset(one.extras))
            if asked not in seen:
                seen.add(asked)
                ahead.append((*asked, [Requirement(each) for each in requires(asked[0]) or ()]))
    return needs


def _applies(one: Requirement, extras: Iterable[str]) -> bool:
    return one.marker is None or any(one.marker.evaluate({"extra": extra}) for extra in ("", *extras))


def _of(components: dict[Pin, Component], names: set[str]) -> Iterable[Component]:
    return [component for pin, component in components.items() if pin.name in names]


def main() -> int:
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    now = datetime.fromtimestamp(int(epoch), UTC) if epoch else datetime.now(UTC)
    print(bill(RUN_LOCK.read_text("utf-8"), now))
    return 0


if __name__ == "__main__":
    sys.exit(main())
