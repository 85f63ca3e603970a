"""What moved since the board was built: still in limits, and yet no longer where it was."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class Measured:
    """A quantity as it was measured, with its expanded uncertainty (k = 2)."""

    value: float
    expanded: float
    unit: str


@dataclass(frozen=True, slots=True)
class Moved:
    """A quantity that moved by more than both measurements' uncertainty explains."""

    test: str
    quantity: str
    by: float
    unit: str
    sentence: str


def moved(then: Mapping[tuple[str, str], Measured], now: Mapping[tuple[str, str], Measured]) -> tuple[Moved, ...]:
    """Quantities (by test and name) measured both times that moved, the largest step in terms of uncertainty first.

    Of a quantity without uncertainty, such as a count, nothing can be said. The whole uncertainty counts both times, though
    what comes from the board's own parts is the same each time and cancels: smaller steps than these may be real.
    """
    found = []
    for key, before in then.items():
        after = now.get(key)
        if after is None or after.unit != before.unit:
            continue
        step, doubt = after.value - before.value, (before.expanded**2 + after.expanded**2) ** 0.5
        if abs(step) > doubt > 0:
            found.append((abs(step) / doubt, _moved(key, step, before.unit)))
    return tuple(item for _, item in sorted(found, key=lambda pair: -pair[0]))


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
