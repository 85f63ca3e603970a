"""What stands beyond the limits of a part. Damage is no edit of a circuit: the board is called endangered, and goes on."""

from collections.abc import Iterable, Iterator

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.circuit import Solution

_PIN_OVER_RAIL, _PIN_LEAST = 0.5, -0.5  # V; RP2040 datasheet, absolute maximum ratings: IOVDD + 0.5 V (from memory)
_ALIVE = 1.0  # V: a module without supply is not judged by its pins
_SYSTEM_MOST = 5.5  # V; the module's supply inputs (from memory)
_LOGIC_MOST = 7.0  # V; 74HC family
_RATED = "most"  # the sheet's own word for a part's highest supply


def beyond(parts: Iterable[Part], solution: Solution) -> Iterator[str]:
    """One line for each pin that stands outside what its part stands, such as `U5.4 SDA at 4.7 V`."""
    for part in parts:
        for pin, least, most in _limits(part, solution):
            net = models.net_at(part, pin)
            volts = solution[net]
            if not least <= volts <= most:
                yield f"{part.ref}.{pin} {net} at {volts:.1f} V"


def _limits(part: Part, solution: Solution) -> Iterator[tuple[int, float, float]]:
    if part.kind == "module":
        rail = solution[models.net_at(part, models.MODULE_RAIL)]
        if rail > _ALIVE:
            yield from ((pin, _PIN_LEAST, rail + _PIN_OVER_RAIL) for pin in models.MODULE_PINS.values())
        yield models.MODULE_VSYS, _PIN_LEAST, _SYSTEM_MOST
        yield models.MODULE_VBUS, _PIN_LEAST, _SYSTEM_MOST
    elif part.kind == "mux8":
        yield models.MUX_SUPPLY, _PIN_LEAST, _LOGIC_MOST
    elif part.kind == "regulator" and _RATED in part.model:
        yield int(part.model.get("pin_in", 1)), -_SYSTEM_MOST, part.model[_RATED]
