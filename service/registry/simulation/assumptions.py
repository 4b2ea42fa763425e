"""What the simulator assumes, each with its source; none of it is a finding.

Sources are abstracts of published series of gradual closure (docs/registry.md lists them); `own` means chosen for the
simulator, without a source.
"""

from dataclasses import dataclass

# Shares of the endings (the open ones are cut off afterwards). Grafts: 16.7 % with traction (J Am Acad Orthop Surg Glob
# Res Rev 2025;9(12)); the rest own.
RESULT_SHARES = {
    "primary-closure": 0.78, "partial-closure-and-graft": 0.05, "graft": 0.09, "flap": 0.02, "secondary-healing": 0.03,
    "abandoned": 0.02, "died": 0.01,
}  # fmt: skip
# At least one local complication in about 31 % (29 of 94; Velmahos et al., World J Surg 1997;21:247-252); parts own.
FINDING_SHARES = {
    "blister": 0.10, "erosion": 0.05, "anchor-pull-through": 0.05, "necrosis": 0.035, "infection-signs": 0.07,
}  # fmt: skip
FLAG_SHARES = {"low-perfusion-pressure": 0.012, "dislodged": 0.03, "count-mismatch": 0.008}  # own


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Numbers of the simulator; lengths in cm, times in days."""

    length_mean: float = 16.0  # 16.1 +- 6 (Barnes et al., J Surg Orthop Adv 2018;27:155-159); 15.7 (5-32) (Kenny 2018)
    length_sd: float = 6.0
    gap_mean: float = 6.0  # 6.3 +- 2 (Barnes 2018); 5.2, range 1-12 (Kenny et al., Ann Plast Surg 2018)
    gap_sd: float = 2.0
    closure_days_mean: float = 7.9  # 7.9 +- 3.3, 122 wounds (vessel-loop series, final report, Torres et al.)
    closure_days_sd: float = 3.3
    other_days_mean: float = (
        9.3  # 9.29 +- 10.34 (J Am Acad Orthop Surg Glob Res Rev 2025); the spread taken smaller, own
    )
    other_days_sd: float = 5.0
    still_open: float = 0.02  # own
    reset_intervals: tuple[float, ...] = (
        1.0,
        2.0,
        2.5,
    )  # daily; every second day; 48-72 h (Am J Surg 1994; Eceviz 2020; Chang 2020)
    reset_interval_shares: tuple[float, ...] = (0.6, 0.3, 0.1)  # own
    gap_error: float = 0.2  # reading error, own (docs/metrics.md)
    rebound_chance: float = 0.08  # a check at which the wound has swollen, own; widening of centimetres is ordinary
    rebound_mean: float = 0.8
    closable_gap: float = 0.5
    setback: float = 1.2
    set_stretch_mean: float = 1.8  # the middle of the targets (docs/metrics.md)
    set_stretch_sd: float = 0.06
    site_closure_sd: float = 0.25  # between sites, on the log-odds of primary closure, own
    site_days_sd: float = 0.12  # between sites, on the log of the days, own
    site_size_sd: float = 0.8  # between sites, on the log of the number of courses, own
    bands_per_cm: float = 0.2  # bands whose stretch is simulated, for each cm of length, 2 to 4
