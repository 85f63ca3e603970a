"""Numbers and moments as a reader needs them: a value is rounded where its uncertainty ends."""

import math
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation


def value_text(value: str, expanded: str, low: float, high: float) -> str:
    """The value with as many decimals as U has, unless rounding would carry it across a limit."""
    try:
        exact, uncertainty = Decimal(value), Decimal(expanded)
    except InvalidOperation:
        return value
    exponent = uncertainty.as_tuple().exponent
    if not exact.is_finite() or not isinstance(exponent, int) or uncertainty == 0:
        return value
    rounded = exact.quantize(Decimal(1).scaleb(exponent)) if -12 < exponent < 12 else exact
    if _inside(rounded, low, high) != _inside(exact, low, high):
        return plain(exact)
    return plain(rounded)


def plain(number: Decimal) -> str:
    """Digits without an exponent where that is short; the service keeps seven significant digits, and none is lost."""
    text = f"{abs(number) if number == 0 else number:f}"  # what rounds to zero is not below it
    return text if len(text) <= 12 else f"{number:.7g}"


def number_text(text: str) -> str:
    """A number that came as text."""
    try:
        return plain(Decimal(text))
    except InvalidOperation:
        return text


def limits_text(low: float, high: float) -> str:
    """The tolerance in words where an end is open."""
    if math.isinf(low) and math.isinf(high):
        return "any"
    if math.isinf(low):
        return f"at most {_short(high)}"
    if math.isinf(high):
        return f"at least {_short(low)}"
    return f"exactly {_short(low)}" if low == high else f"{_short(low)} to {_short(high)}"


def share_text(probability: float) -> str:
    """A probability of conformity; nothing is ever certain."""
    if probability > 0.9999:
        return "> 99.99 %"
    if probability < 0.0001:
        return "< 0.01 %"
    return f"{probability * 100:.2f} %"


def moment_text(moment: datetime) -> str:
    """To the minute, in UTC."""
    return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _short(limit: float) -> str:
    return f"{limit:.7g}"


def _inside(number: Decimal, low: float, high: float) -> bool:
    return low <= float(number) <= high
