"""Perfusion pressure of a compartment: the diastolic pressure less the pressure in the compartment.

McQueen and Court-Brown, J Bone Joint Surg Br 1996;78-B:99-104. One reading is shown with its alarm, never as a
diagnosis; signs of compartment syndrome need a clinician at once, whatever the number says.
"""

from decimal import Decimal

from service.clinic.policy import Policy


def perfusion_difference_mmhg(
    diastolic_pressure_mmhg: Decimal | None, compartment_pressure_mmhg: Decimal | None
) -> Decimal | None:
    """Diastolic - compartment pressure in mmHg (C1 to C3); may be negative, never clipped.

    Both must be of the same check: a pressure is never carried forward. None when one of them was not charted.
    """
    if diastolic_pressure_mmhg is None or compartment_pressure_mmhg is None:
        return None
    return diastolic_pressure_mmhg - compartment_pressure_mmhg


def is_low(difference_mmhg: Decimal, policy: Policy) -> bool:
    """Below `perfusion_min_mmhg`; at the limit is not below it (C2)."""
    return difference_mmhg < policy.perfusion_min_mmhg
