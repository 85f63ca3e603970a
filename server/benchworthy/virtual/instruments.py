"""What the module measures with: converter, die sensor, pulse timer, radio; and what is not quite right with each."""

import hashlib
import random

import numpy as np

from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.circuit import Array, Index, Solution
from benchworthy.virtual.dynamics import Timeline
from benchworthy.virtual.models import PinState
from benchworthy.virtual.modes import Modes, Store, stores
from benchworthy.virtual.readout import Readout, normals
from benchworthy.virtual.ripple import Ripple

DIE_CHANNEL = 4
_DIE_VOLTS, _DIE_SLOPE, _DIE_AT = 0.706, -0.001721, 27.0  # RP2040 datasheet, temperature sensor
_DIE_MEAN, _DIE_SPREAD = 30.0, 1.5  # degC: a room, and the chip a little warmer than it
_PULSE_SPREAD_US = 1.0
_RADIO, _DETUNED = (-52.0, 4.0), (-77.0, 5.0)  # dBm: mean and spread
_UNHEARD = -32768
_NOISY = 7.0  # times the usual noise: a bad ground joint on the module
_THRESHOLD_SPREAD = 0.08  # relative: where a rising input changes over, from board to board
_STRAY = 1e-11  # F at a pin with no capacitor of its own
_CRYSTAL_SPREAD = 8.0  # ppm
_RISE_MOST_NS = 10_000_000


class Instruments:
    """All that one board reads with. `seed` None is a board whose instruments are exact."""

    die_channel = DIE_CHANNEL

    def __init__(self, circuit: BoardCircuit, timeline: Timeline, seed: int | None) -> None:
        self._circuit = circuit
        self._timeline = timeline
        self._seed = seed
        self._readout = Readout(seed)
        self._ripple = Ripple(circuit, seed)
        self._rises: dict[tuple[object, ...], int] = {}
        draw = random.Random(f"instruments {seed}")
        self._ppm = draw.gauss(0.0, _CRYSTAL_SPREAD) if seed is not None else 0.0
        self._die = draw.gauss(_DIE_MEAN, _DIE_SPREAD) if seed is not None else _DIE_MEAN
        self._threshold = 1.0 + draw.uniform(-_THRESHOLD_SPREAD, _THRESHOLD_SPREAD) if seed is not None else 1.0

    def crystal_ppm(self) -> float:
        """By how much the module's clock is fast."""
        return self._ppm + self._module().get("ppm", 0.0)

    def radio_dbm(self, index: int) -> int:
        """How strongly the access point is heard at the marked spot; -32768 when it is not."""
        if self._module().get("deaf", 0.0):
            return _UNHEARD
        mean, spread = _DETUNED if self._module().get("detuned", 0.0) else _RADIO
        return round(mean + spread * self._normal("radio", index))

    def code(self, net: str, t_us: Index) -> Array:
        """The exact code of a voltage at each moment, the supply's ripple on it."""
        volts = self._timeline.burst(net, t_us)
        for supply, moved in self._ripple.at(t_us):
            volts = volts + self._timeline.modes(self._timeline.halves()[1]).pushed(net, supply) * moved
        return self._circuit.share_of_rail(1.0) * 4096.0 * volts

    def die_code(self, t_us: Index) -> Array:
        """The exact code of the die's temperature."""
        volts = _DIE_VOLTS + _DIE_SLOPE * (self._die - _DIE_AT)
        return np.full(len(t_us), self._circuit.share_of_rail(volts) * 4096.0)

    def read(self, ideal: Array, index: int) -> Index:
        """What the converter makes of exact codes, from reading number `index` on."""
        return self._readout.codes(ideal, index, _NOISY if self._module().get("noisy", 0.0) else 1.0)

    def pulse(self, net: str, level: int, timeout_us: int, index: int, t_us: int) -> tuple[int, int]:
        """As time_pulse_us: the length or -1 or -2, and what virtual time it took."""
        low, high, width = self._timeline.halves()
        levels = (self._circuit.read_as(low[net]), self._circuit.read_as(high[net]))
        if width is None or levels[0] == levels[1]:
            return (-1 if levels[1] == level else -2), timeout_us
        period = 1e6 / width.hertz
        high_us = width.share * period
        phase = float(width.phase(np.array([t_us]))[0]) * 1e6
        # the moment the wanted level begins and ends, counted from the rising edge of the pin that switches
        begins, ends = (0.0, high_us) if levels[1] == level else (high_us, period)
        if begins <= phase < ends:
            wait, length = 0.0, ends - phase
        else:
            wait, length = (begins - phase) % period, ends - begins
        if wait > timeout_us:
            return -2, timeout_us
        if length > timeout_us:
            return -1, round(wait) + timeout_us
        spread = _PULSE_SPREAD_US if self._seed is not None else 0.0
        return max(0, round(length + spread * self._normal("pulse", index))), round(wait + length)

    def rise_ns(self, pin: str) -> int:
        """How long a pin of the module, held low and let go with no pull, takes to read high."""
        key = (pin, *self._circuit.state())
        if key not in self._rises:
            self._rises[key] = self._rise_ns(pin)
        return self._rises[key]

    def _rise_ns(self, pin: str) -> int:
        net = self._circuit.net_of(pin)
        kept = self._circuit.pins
        low, free = ({**kept, pin: state} for state in (PinState("out"), PinState("in")))
        held, settled = self._circuit.settled(low).solution, self._circuit.settled(free)
        loose = self._stores(net)
        modes = Modes(settled.slopes(), settled.solution.index, loose)
        departure = [_across(held, store) - _across(settled.solution, store) for store in loose]
        amplitudes, weights = modes.split(np.array(departure)), modes.at(net)
        module = self._circuit.netlist().module
        assert module is not None
        threshold = module.model["vih"] * self._threshold
        if settled.solution[net] <= threshold:
            return _RISE_MOST_NS
        times = np.concatenate([[0.0], np.geomspace(1e-9, 1e-2, 4000)])
        course = settled.solution[net] + weights @ modes.joined(amplitudes[:, None] * np.exp(-modes.rates[:, None] * times))
        above = int(np.argmax(course > threshold))
        if above == 0:
            return 0
        share = (threshold - course[above - 1]) / (course[above] - course[above - 1])
        return round(float(times[above - 1] + share * (times[above] - times[above - 1])) * 1e9)

    def _stores(self, net: str) -> tuple[Store, ...]:
        found = stores(self._circuit.netlist().parts.values())
        return found if any(net in (each.plus, each.minus) for each in found) else (*found, Store(net, "GND", _STRAY))

    def _normal(self, what: str, index: int) -> float:
        if self._seed is None and what != "radio":
            return 0.0
        key = int.from_bytes(hashlib.sha256(f"{what} {self._seed}".encode()).digest()[:16], "little")
        return float(normals(key, index, 1)[0])

    def _module(self) -> dict[str, float]:
        module = self._circuit.netlist().module
        return dict(module.model) if module is not None else {}


def _across(solution: Solution, store: Store) -> float:
    return solution[store.plus] - solution[store.minus]
