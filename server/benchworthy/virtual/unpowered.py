"""A meter on a board without supply: resistance and diode range, with plugged-in modules out of their sockets."""

import math
from collections.abc import Sequence
from dataclasses import replace

from benchworthy.designs.parts import Part
from benchworthy.errors import CircuitUnsolved
from benchworthy.virtual.elements import source
from benchworthy.virtual.netlist import build

_SOCKETED = frozenset({"module", "mux8", "hbridge"})
_OHM_VOLTS = 0.2  # the resistance range stays below what opens a junction
_OHM_OVER = 20e6
_DIODE_VOLTS, _DIODE_OHM, _DIODE_OVER = 3.0, 2.5e3, 2.0  # about a milliampere through a junction; from memory
_SERIES = (1e2, 1e4, 1e6)  # ohm: the ranges, so that what is measured is near what measures


def ohms(parts: Sequence[Part], net_a: str, net_b: str) -> float:
    """Ohms between two nets. Raises ValueError for a net that is not there."""
    found = math.inf
    for series in _SERIES:
        volts = _across(parts, net_a, net_b, _OHM_VOLTS, series)
        if volts < 0.95 * _OHM_VOLTS:
            found = max(0.0, series * volts / (_OHM_VOLTS - volts))
            break
    return found if found < _OHM_OVER else math.inf


def diode(parts: Sequence[Part], ref: str) -> tuple[float, float]:
    """Volts with the meter's plus at a part's first pin, then at its second. Raises ValueError for no two-pin part."""
    part = next((each for each in parts if each.ref == ref), None)
    if part is None or len(part.nets) != 2:
        raise ValueError(f"{ref} is no part with two pins of this board")
    both = (_across(parts, a, b, _DIODE_VOLTS, _DIODE_OHM) for a, b in (part.nets, part.nets[::-1]))
    forward, reverse = (volts if volts < _DIODE_OVER else math.inf for volts in both)
    return forward, reverse


def _across(parts: Sequence[Part], net_a: str, net_b: str, volts: float, series: float) -> float:
    """What stands between two nets that are fed through a resistance."""
    bare = [_out(part) if part.kind in _SOCKETED else part for part in parts if part.kind != "source"]
    netlist = build(bare)
    for net in (net_a, net_b):
        if net not in netlist.nets:
            raise ValueError(f"{net!r} is no net of this board")
    try:
        solution = netlist.settle({}, math.inf, [source(net_a, net_b, volts, series)]).solution
    except CircuitUnsolved:
        return math.inf
    return solution[net_a] - solution[net_b]


def _out(part: Part) -> Part:
    return replace(part, nets=tuple(f"{part.ref}.{pin}~" for pin in range(1, len(part.nets) + 1)))
