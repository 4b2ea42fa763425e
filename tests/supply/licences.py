"""Licences of installed packages, as they state them, and the ones that this project may be installed with."""

import re
from importlib.metadata import PackageMetadata, metadata

# As SPDX has them (https://spdx.org/licenses). Permissive ones; MPL-2.0 and LGPL-3.0 bind changes of their own files,
# and the packages are installed unchanged beside the service, not shipped within its wheel.
ALLOWED = frozenset(
    {"0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC"}
    | {"LGPL-3.0-only", "LGPL-3.0-or-later", "MIT", "MIT-0", "MIT-CMU", "MPL-2.0", "PSF-2.0", "Zlib"}
)

# Older packages name their licence by a trove classifier. "BSD License" leaves open which: the stricter usual one.
CLASSIFIERS = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD-3-Clause",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
}


# Packages that state none in a field that a program can read: read in the licence file that they carry, on 2026-11-25.
READ = {
    "pyarrow-hotfix": "Apache-2.0",
    "python-bidi": "LGPL-3.0-or-later",
    "resvg-py": "MIT",
}


class UnknownLicence(LookupError):
    """A package that states no licence, or one that cannot be read."""


def names_of(expression: str) -> set[str]:
    """The licences that an SPDX expression speaks of."""
    return set(re.findall(r"[A-Za-z0-9.-]+", expression)) - {"AND", "OR"}


def licence(name: str) -> str:
    """The licence of an installed package as an SPDX expression."""
    stated: PackageMetadata = metadata(name)
    expression = stated.get("License-Expression") or stated.get("License") or ""
    if names_of(expression) <= ALLOWED and expression:  # the older field holds anything, whole texts too
        return str(expression)
    if name in READ:
        return READ[name]
    classified = [line.rpartition(" :: ")[2] for line in stated.get_all("Classifier") or () if "License ::" in line]
    if not classified or not all(one in CLASSIFIERS for one in classified):
        raise UnknownLicence(f"{name}: {classified or 'no licence stated'}")
    return " OR ".join(CLASSIFIERS[one] for one in classified)
