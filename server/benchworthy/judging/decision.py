"""The decision rule, apart from tolerance and uncertainty.

In limits: inside the tolerance. Marginal: outside by at most U. Out: beyond. Limits are never widened beforehand, so U
counts once. The probability of conformity (JCGM 106:2012, clause 7, normal distribution) is computed and printed.
"""

import math
from enum import StrEnum

RULE = (
    "In limits: inside the tolerance. Marginal: outside by at most U (k = 2). Out: beyond. Limits are not widened by U. "
    "A marginal supports a certificate only if the better witness named by the sheet is in limits in the same run."
)


class Verdict(StrEnum):
    """What the service makes of a test, from good to bad; not run and error are never a pass."""

    IN_LIMITS = "in limits"
    MARGINAL = "marginal"
    NOT_RUN = "not run"
    ERROR = "error"
    OUT = "out"


_ORDER = list(Verdict)
# Readings are finite binary fractions; a distance of a few units in the last place is no distance.
_ROUNDING = 1e-9


def decide(value: float, expanded: float, low: float | None, high: float | None) -> Verdict:
    """Apply the rule. `expanded` is U in the unit of the value; a missing limit is infinitely far away."""
    below = -math.inf if low is None else low - value
    above = -math.inf if high is None else value - high
    distance = max(below, above)
    slack = _ROUNDING * max(1.0, abs(value))
    if distance <= slack:
        return Verdict.IN_LIMITS
    return Verdict.MARGINAL if distance <= expanded + slack else Verdict.OUT


def probability_of_conformity(value: float, standard: float, low: float | None, high: float | None) -> float:
    """Probability that the true value lies in the tolerance; a missing limit is infinitely far away."""
    if standard == 0.0:
        inside = (low is None or value >= low) and (high is None or value <= high)
        return 1.0 if inside else 0.0
    below_high = 1.0 if high is None else _normal((high - value) / standard)
    below_low = 0.0 if low is None else _normal((low - value) / standard)
    return below_high - below_low


def worst(verdicts: list[Verdict]) -> Verdict:
    """The verdict that counts where a test has several quantities."""
    return max(verdicts, key=_ORDER.index)


def _normal(z: float) -> float:
    return 0.5 * (1.0 + math.erf(z / math.sqrt(2.0)))
