"""Check digits of code systems: they reject most invented identifiers at no cost.

Verhoeff's dihedral scheme (SNOMED CT identifiers) as in J. Verhoeff, Error Detecting Decimal Codes, 1969; the mod-10
scheme of H. P. Luhn, US patent 2,950,048 (LOINC codes, whose digit stands behind a hyphen). The permutations are
computed from the one they start from, the products from the group they stand for.
"""

from collections.abc import Callable

_VERHOEFF_STEP = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def _dihedral(left: int, right: int) -> int:
    """Product in the dihedral group of ten elements: 0 to 4 turn the pentagon, 5 to 9 turn and mirror it."""
    if left < 5:
        return (left + right) % 5 if right < 5 else 5 + (left + right - 5) % 5
    return 5 + (left - 5 - right) % 5 if right < 5 else (left - right) % 5


def _steps() -> tuple[tuple[int, ...], ...]:
    rows = [tuple(range(10))]
    for _ in range(7):
        rows.append(tuple(_VERHOEFF_STEP[digit] for digit in rows[-1]))
    return tuple(rows)


_PERMUTED = _steps()


def verhoeff_holds(identifier: str) -> bool:
    """True for 6 to 18 digits whose last is Verhoeff's check digit."""
    if not (identifier.isascii() and identifier.isdigit() and 6 <= len(identifier) <= 18):
        return False
    running = 0
    for place, digit in enumerate(reversed(identifier)):
        running = _dihedral(running, _PERMUTED[place % 8][int(digit)])
    return running == 0


def luhn_holds(code: str) -> bool:
    """True for digits, a hyphen and Luhn's check digit over the digits before it."""
    body, hyphen, check = code.partition("-")
    if not (hyphen and body.isascii() and body.isdigit() and len(check) == 1 and check.isascii() and check.isdigit()):
        return False
    total = int(check)
    for place, digit in enumerate(reversed(body)):
        doubled = int(digit) * (2 if place % 2 == 0 else 1)
        total += doubled - 9 if doubled > 9 else doubled
    return total % 10 == 0


CHECKS: dict[str, Callable[[str], bool]] = {"verhoeff": verhoeff_holds, "luhn": luhn_holds}
