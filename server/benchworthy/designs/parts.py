"""What a board is built of: one part, its nets in pin order, and its value with tolerance."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

_PREFIX = {"p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}
_AMOUNT = re.compile(r"(?P<number>[+-]?\d+(?:\.\d+)?)(?P<prefix>[pnumkM]?)\s*(?P<unit>V|A|ohm|F|Hz|s)?")


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a board or a fixture.

    `value` is in SI units (ohm, farad, volt), None where the kind has no number. `tolerance` is the relative
    half-width of the rectangular spread in which a sound part lies. `nets` stand in the pin order of the package; a
    name with a dot, such as `J4.2`, is the outer side of pin 2 of header J4. `model` holds further constants of the kind.
    """

    ref: str
    kind: str
    value: float | None
    tolerance: float
    nets: tuple[str, ...]
    stage: int | None = None
    label: str = ""
    model: Mapping[str, float] = field(default_factory=dict)


def amount(text: str) -> float:
    """Read a number with an SI prefix: `4k7` is not accepted, `4.7k`, `100n` and `9.0 V` are. Raises ValueError."""
    match = _AMOUNT.fullmatch(text.strip())
    if match is None:
        raise ValueError(f"{text!r} is no amount; write a number with an optional prefix p n u m k M, such as 4.7k or 100n")
    return float(match["number"]) * _PREFIX[match["prefix"]]


def relative(text: str) -> float:
    """Read a tolerance such as `5%` as a fraction. Raises ValueError."""
    if not text.endswith("%"):
        raise ValueError(f"{text!r} is no tolerance; write per cent, such as 5%")
    return float(text[:-1]) / 100.0
