"""From parts to a circuit, with the logic parts decided around the solver."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchworthy.designs.parts import Part
from benchworthy.virtual import logic, models
from benchworthy.virtual.circuit import Array, Circuit, CircuitDidNotConverge, Solution
from benchworthy.virtual.elements import GROUND, Element, Linear
from benchworthy.virtual.logic import Logic
from benchworthy.virtual.models import MODULE_PINS, PinState

_LOGIC_ROUNDS = 16


@dataclass(frozen=True, slots=True)
class Settled:
    """A steady state together with what led to it, so that its answer to small changes can be asked for."""

    circuit: Circuit
    solution: Solution
    extra: tuple[Linear, ...]

    def slopes(self) -> Array:
        """Siemens between nets around this state."""
        return self.circuit.slopes(self.solution, self.extra)


class Netlist:
    """One arrangement of parts, solved for any states of the module's pins."""

    def __init__(self, parts: Sequence[Part], pressed: frozenset[str], contact_ohm: float) -> None:
        self.parts = {part.ref: part for part in parts}
        self.module = next((part for part in parts if part.kind == "module"), None)
        self.logic_parts = [part for part in parts if part.kind in logic.KINDS]
        self._fixed = [
            *(element for part in parts for element in models.elements(part, pressed)),
            *models.contacts(parts, contact_ohm),
        ]
        self.nets = frozenset(net for part in parts for net in part.nets) | {GROUND}
        self.logic_inputs = frozenset(net for part in self.logic_parts for net in logic.heard(part))
        self._circuits: dict[Logic, Circuit] = {}
        self._idle: tuple[Logic, Solution] | None = None

    def pin_net(self, pin: str) -> str:
        """The net at a module's pin, such as GP26. Raises KeyError if there is no such pin."""
        if self.module is None:
            raise KeyError(pin)
        return self.module.nets[MODULE_PINS[pin] - 1]

    def settle(self, pins: Mapping[str, PinState], pull_ohm: float, held: Sequence[Linear] = ()) -> Settled:
        """The steady state with `held` elements added. Raises CircuitDidNotConverge, also for logic that oscillates.

        Every state is reached from the same one (all pins inputs): no answer depends on earlier ones. Logic that has
        several answers gives the one that lies next to what the pins are driven to.
        """
        bits, solution = self._settle(pins, pull_ohm, *self._guessed(pins, pull_ohm), held)
        extra = (*self._driven(pins, pull_ohm), *held, *self._selected(bits))
        return Settled(self._circuit(bits), solution, extra)

    def elements(self, pins: Mapping[str, PinState], pull_ohm: float) -> list[Element]:
        """All elements of the settled state, so that another solver can be given the same circuit."""
        bits, _ = self._settle(pins, pull_ohm, *self._guessed(pins, pull_ohm), ())
        return [*self._fixed, *self._moved(bits), *self._driven(pins, pull_ohm), *self._selected(bits)]

    def _guessed(self, pins: Mapping[str, PinState], pull_ohm: float) -> tuple[Logic, Solution]:
        """The idle state, and what the logic parts would do if every driven pin stood where it is driven to."""
        bits, idle = self._from_idle(pull_ohm)
        if self.module is None:
            return bits, idle
        rail = idle[models.net_at(self.module, models.MODULE_RAIL)]
        volts = idle.volts.copy()
        for pin, state in pins.items():
            net = self.pin_net(pin)
            if state.mode == "out" and net != GROUND:
                volts[idle.index[net]] = state.level * rail
        driven = Solution(idle.index, volts, 0)
        return tuple(logic.decide(part, driven) for part in self.logic_parts), idle

    def _from_idle(self, pull_ohm: float) -> tuple[Logic, Solution]:
        if self._idle is None:
            self._idle = self._settle({}, pull_ohm, tuple(logic.off(part) for part in self.logic_parts), None, ())
        return self._idle

    def _settle(
        self,
        pins: Mapping[str, PinState],
        pull_ohm: float,
        bits: Logic,
        start: Solution | None,
        held: Sequence[Linear],
    ) -> tuple[Logic, Solution]:
        driven = [*self._driven(pins, pull_ohm), *held]
        for _ in range(_LOGIC_ROUNDS):
            start = self._circuit(bits).solve(start, [*driven, *self._selected(bits)])
            decided = tuple(logic.decide(part, start) for part in self.logic_parts)
            if decided == bits:
                return bits, start
            bits = decided
        raise CircuitDidNotConverge("The logic parts keep changing each other: the board oscillates.")

    def _circuit(self, bits: Logic) -> Circuit:
        """Bridge halves change which corners conduct, so each of their states has a circuit of its own."""
        bridges = tuple(own if part.kind == "hbridge" else () for part, own in zip(self.logic_parts, bits, strict=True))
        if bridges not in self._circuits:
            elements = [*self._fixed, *self._moved(bits)]
            self._circuits[bridges] = Circuit(elements, sorted(self.nets - {GROUND}))
        return self._circuits[bridges]

    def _moved(self, bits: Logic) -> list[Element]:
        pairs = zip(self.logic_parts, bits, strict=True)
        return [e for part, own in pairs if part.kind == "hbridge" for e in models.bridge_halves(part, own)]

    def _driven(self, pins: Mapping[str, PinState], pull_ohm: float) -> list[Linear]:
        if self.module is None:
            return []
        drivers = (models.driver(self.module, pin, state, pull_ohm) for pin, state in pins.items())
        return [driver for driver in drivers if driver is not None]

    def _selected(self, bits: Logic) -> list[Linear]:
        return [path for part, own in zip(self.logic_parts, bits, strict=True) for path in logic.selected(part, own)]


def build(
    parts: Sequence[Part],
    fixtures: Sequence[Part] = (),
    *,
    pressed: frozenset[str] = frozenset(),
    contact_ohm: float = models.CONTACT_OHM,
) -> Netlist:
    """Join a board's parts with those plugged into it. `pressed` are the keys held down.

    Raises ValueError for a kind without a model, or a header pin that the board does not have.
    """
    return Netlist([*parts, *fixtures], pressed, contact_ohm)


def drawn(part: Part, seed: int | None) -> Part:
    """The part with a value drawn evenly within its tolerance: always the same for a seed and a reference."""
    if seed is None or part.value is None or part.tolerance == 0.0:
        return part
    word = hashlib.sha256(f"part {seed} {part.ref}".encode()).digest()[:8]
    share = 2.0 * int.from_bytes(word, "little") / 2.0**64 - 1.0
    return replace(part, value=part.value * (1.0 + part.tolerance * share))


def mean(first: Solution, second: Solution, share: float) -> Solution:
    """The mean over time of two states, the second holding for `share` of it."""
    volts = np.asarray((1.0 - share) * first.volts + share * second.volts)
    return Solution(first.index, volts, first.iterations + second.iterations)
