"""Parts that decide: a multiplexer, the plug's switch, a motor driver. What each does at given voltages."""

from collections.abc import Sequence

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.circuit import Solution
from benchworthy.virtual.elements import Linear, resistor

_ALIVE = 1.0  # V: below this supply a logic part does nothing
KINDS = ("mux8", "switch4", "hbridge")

Logic = tuple[tuple[int, ...], ...]  # per logic part: the channel or -1, or 0 off, 1 low, 2 high of each half


def off(part: Part) -> tuple[int, ...]:
    """The state of a part without supply."""
    return (0,) * len(models.HALVES) if part.kind == "hbridge" else (-1,)


def heard(part: Part) -> frozenset[str]:
    """The nets on which a part listens: there a duty is two states, not one level between."""
    if part.kind == "hbridge":
        pins = {pin for half in models.HALVES for pin in half[:2]}
    elif part.kind == "mux8":
        pins = {models.MUX_INHIBIT, *models.MUX_SELECT}
    else:
        pins = set(models.SWITCH_SELECT)
    return frozenset(models.net_at(part, pin) for pin in pins)


def decide(part: Part, volts: Solution) -> tuple[int, ...]:
    """What a logic part does at these voltages."""
    if part.kind == "hbridge":
        return _halves(part, volts)
    if part.kind == "switch4":
        ground, supply = _supply(part, volts, models.SWITCH_GROUND, models.SWITCH_SUPPLY)
        return (_chosen(part, volts, models.SWITCH_SELECT, 0.5 * (ground + supply)),) if supply - ground >= _ALIVE else off(part)
    ground, supply = _supply(part, volts, models.MUX_GROUND, models.MUX_SUPPLY)
    threshold = 0.5 * (ground + supply)
    if supply - ground < _ALIVE or volts[models.net_at(part, models.MUX_INHIBIT)] > threshold:
        return off(part)
    return (_chosen(part, volts, models.MUX_SELECT, threshold),)


def selected(part: Part, bits: tuple[int, ...]) -> list[Linear]:
    """The closed path of a multiplexer or switch; nothing for a driver, or one that is off."""
    if part.kind == "hbridge" or bits[0] < 0:
        return []
    if part.kind == "mux8":
        common, chosen = models.MUX_COMMON, models.MUX_CHANNELS[bits[0]]
    else:
        common, chosen = models.SWITCH_COMMON, models.SWITCH_INPUTS[bits[0]]
    return [resistor(models.net_at(part, common), models.net_at(part, chosen), part.model["ron"])]


def _supply(part: Part, volts: Solution, ground: int, supply: int) -> tuple[float, float]:
    return volts[models.net_at(part, ground)], volts[models.net_at(part, supply)]


def _chosen(part: Part, volts: Solution, pins: Sequence[int], threshold: float) -> int:
    return sum(1 << i for i, pin in enumerate(pins) if volts[models.net_at(part, pin)] > threshold)


def _halves(part: Part, volts: Solution) -> tuple[int, ...]:
    ground = volts[models.joined(part, models.BRIDGE_GROUND)[0]]
    if volts[models.net_at(part, models.BRIDGE_LOGIC)] - ground < _ALIVE:
        return off(part)
    high = {pin: volts[models.net_at(part, pin)] - ground > part.model["vih"] for half in models.HALVES for pin in half[:2]}
    return tuple((2 if high[given] else 1) if high[enable] else 0 for enable, given, _ in models.HALVES)
