"""What is left of hum and load noise on the 5 V supply, as a function of virtual time and of the capacitors there."""

import math
import random
from collections.abc import Iterator

import numpy as np

from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.circuit import Array, Index
from benchworthy.virtual.elements import GROUND
from benchworthy.virtual.modes import stores

_HUM_HERTZ, _LOAD_HERTZ = 100.0, 700.0  # a rectified mains; a load that comes and goes, below the divider's corner
# Own choice, after the outcomes that the trade's model gives: without its input capacitor a regulator passes 0 to
# 150 mV of an unregulated adapter's hum, without its output capacitor 50 mV of what the load does. What remains with
# them is below 1 mV.
_HUM_FARAD_VOLTS, _HUM_BESIDE = 3.5e-8, 1.3e-7  # V times F peak to peak, at the mean adapter; F that are always there
_LOAD_FARAD_VOLTS, _LOAD_BESIDE = 6e-8, 1e-8


class Ripple:
    """The ripple of one board: how bad its adapter is, and in which phase, follow from the seed."""

    def __init__(self, circuit: BoardCircuit, seed: int | None) -> None:
        self._circuit = circuit
        draw = random.Random(f"ripple {seed}")
        self._adapter = draw.uniform(0.0, 2.0) if seed is not None else 1.0
        self._phases = (draw.random(), draw.random()) if seed is not None else (0.0, 0.0)

    def at(self, t_us: Index) -> Iterator[tuple[str, Array]]:
        """Each net that is moved from outside, and by how many volts at these moments."""
        parts = self._circuit.netlist().parts.values()
        regulator = next((part for part in parts if part.kind == "regulator"), None)
        if regulator is None:
            return
        given, out = regulator.nets[0], regulator.nets[-1]
        farads = {net: sum(s.farad for s in stores(parts) if {s.plus, s.minus} == {net, GROUND}) for net in (given, out)}
        hum = self._adapter * _HUM_FARAD_VOLTS / (farads[given] + _HUM_BESIDE) if "jack" in self._circuit.attached else 0.0
        load = _LOAD_FARAD_VOLTS / (farads[out] + _LOAD_BESIDE)
        seconds = t_us * 1e-6
        moved = 0.5 * hum * np.sin(2.0 * math.pi * (_HUM_HERTZ * seconds + self._phases[0]))
        moved = moved + 0.5 * load * np.sin(2.0 * math.pi * (_LOAD_HERTZ * seconds + self._phases[1]))
        yield out, np.asarray(moved)
