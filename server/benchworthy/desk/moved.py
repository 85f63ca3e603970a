"""What moved since the board was built: still in limits, and yet no longer where it was.

What the board's own parts may be off by is the same at both measurements, so it says nothing against a step between them:
only what it leaves in the difference counts, and whatever each measurement brings anew.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal

from benchworthy.judging.difference import of_difference
from benchworthy.judging.uncertainty import COVERAGE


@dataclass(frozen=True, slots=True)
class Measured:
    """A quantity as it was measured, with its expanded uncertainty (k = 2).

    `common` is what parts that stand on the board both times bring to its standard uncertainty, with signs.
    """

    value: float
    expanded: float
    unit: str
    common: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Moved:
    """A quantity that moved by more than the uncertainty of the difference explains."""

    test: str
    quantity: str
    by: float
    unit: str
    sentence: str


def moved(then: Mapping[tuple[str, str], Measured], now: Mapping[tuple[str, str], Measured]) -> tuple[Moved, ...]:
    """Quantities (by test and name) measured both times that moved, the largest step in terms of uncertainty first.

    Of a quantity without uncertainty, such as a count, nothing can be said.
    """
    found = []
    for key, before in then.items():
        after = now.get(key)
        if after is None or after.unit != before.unit:
            continue
        step, doubt = after.value - before.value, _doubt(before, after)
        if abs(step) > doubt > 0:
            found.append((abs(step) / doubt, _moved(key, step, before.unit)))
    return tuple(item for _, item in sorted(found, key=lambda pair: -pair[0]))


def _doubt(before: Measured, after: Measured) -> float:
    """U of the difference."""
    shared = before.common.keys() & after.common.keys()
    left = of_difference(*({name: given.common[name] for name in shared} for given in (before, after)))
    own = [given.expanded**2 - sum((COVERAGE * given.common[name]) ** 2 for name in shared) for given in (before, after)]
    return math.sqrt((COVERAGE * left) ** 2 + sum(max(square, 0.0) for square in own))


def _moved(key: tuple[str, str], step: float, unit: str) -> Moved:
    test, quantity = key
    way = "fell" if step < 0 else "rose"
    return Moved(test, quantity, step, unit, f"{quantity} {way} {_amount(abs(step), unit)} since build ({test}).")


def _amount(amount: float, unit: str) -> str:
    """Two digits; volts and amperes below one in thousandths."""
    if unit in ("V", "A") and amount < 1:
        amount, unit = amount * 1000, f"m{unit}"
    rounded = Decimal(f"{amount:.2g}")
    return f"{rounded:f} {unit}".strip()
