"""From parts to a circuit, with the logic parts decided around the solver; the face of a virtual board."""

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.circuit import Circuit, CircuitDidNotConverge, Solution
from benchworthy.virtual.faults import Fault, apply, parse
from benchworthy.virtual.models import GROUND, MODULE_PINS, Linear, PinState

_ALIVE = 1.0  # V: below this supply a logic part does nothing
_LOGIC_ROUNDS = 16
_RAIL_LEAST = 0.5  # V: below this rail the converter gives nothing
ADC_PINS = ("GP26", "GP27", "GP28")

Logic = tuple[tuple[int, ...], ...]  # per logic part: the mux's channel, or 0 off, 1 low, 2 high of each half


class Netlist:
    """One arrangement of parts, solved for any states of the module's pins."""

    def __init__(self, parts: Sequence[Part], pressed: frozenset[str], contact_ohm: float) -> None:
        self.parts = {part.ref: part for part in parts}
        self.module = next((part for part in parts if part.kind == "module"), None)
        self.logic_parts = [part for part in parts if part.kind in ("mux8", "hbridge")]
        self._fixed = [
            *(element for part in parts for element in models.elements(part, pressed)),
            *models.contacts(parts, contact_ohm),
        ]
        self.nets = frozenset(net for part in parts for net in part.nets) | {GROUND}
        self._circuits: dict[Logic, Circuit] = {}
        self._idle: tuple[Logic, Solution] | None = None

    def pin_net(self, pin: str) -> str:
        """The net at a module's pin, such as GP26. Raises KeyError if there is no such pin."""
        if self.module is None:
            raise KeyError(pin)
        return self.module.nets[MODULE_PINS[pin] - 1]

    def logic_inputs(self) -> frozenset[str]:
        """The nets on which a logic part listens: there a duty is two states, not one level between."""
        heard = {
            "mux8": {models.MUX_INHIBIT, *models.MUX_SELECT},
            "hbridge": {pin for half in models.HALVES for pin in half[:2]},
        }
        return frozenset(models.net_at(part, pin) for part in self.logic_parts for pin in heard[part.kind])

    def solve(self, pins: Mapping[str, PinState], pull_ohm: float) -> Solution:
        """The steady state. Raises CircuitDidNotConverge, also when the logic parts keep changing each other.

        Every state is reached from the same one (all pins inputs): no answer depends on earlier ones.
        """
        if self._idle is None:
            self._idle = self._settle({}, pull_ohm, tuple(_off(part) for part in self.logic_parts), None)
        return self._settle(pins, pull_ohm, *self._idle)[1]

    def elements(self, pins: Mapping[str, PinState], pull_ohm: float) -> list[models.Element]:
        """All elements of the settled state, so that another solver can be given the same circuit."""
        if self._idle is None:
            self.solve({}, pull_ohm)
        assert self._idle is not None
        logic, _ = self._settle(pins, pull_ohm, *self._idle)
        return [*self._fixed, *self._moved(logic), *self._driven(pins, pull_ohm), *self._selected(logic)]

    def _settle(
        self, pins: Mapping[str, PinState], pull_ohm: float, logic: Logic, start: Solution | None
    ) -> tuple[Logic, Solution]:
        driven = self._driven(pins, pull_ohm)
        for _ in range(_LOGIC_ROUNDS):
            start = self._circuit(logic).solve(start, [*driven, *self._selected(logic)])
            decided = tuple(_decide(part, start) for part in self.logic_parts)
            if decided == logic:
                return logic, start
            logic = decided
        raise CircuitDidNotConverge("The logic parts keep changing each other: the board oscillates.")

    def _circuit(self, logic: Logic) -> Circuit:
        """Bridge halves change which corners conduct, so each of their states has a circuit of its own."""
        bridges = tuple(bits if part.kind == "hbridge" else () for part, bits in zip(self.logic_parts, logic, strict=True))
        if bridges not in self._circuits:
            elements = [*self._fixed, *self._moved(logic)]
            self._circuits[bridges] = Circuit(elements, sorted(self.nets - {GROUND}))
        return self._circuits[bridges]

    def _moved(self, logic: Logic) -> list[models.Element]:
        pairs = zip(self.logic_parts, logic, strict=True)
        return [e for part, bits in pairs if part.kind == "hbridge" for e in models.bridge_halves(part, bits)]

    def _driven(self, pins: Mapping[str, PinState], pull_ohm: float) -> list[Linear]:
        if self.module is None:
            return []
        drivers = (models.driver(self.module, pin, state, pull_ohm) for pin, state in pins.items())
        return [driver for driver in drivers if driver is not None]

    def _selected(self, logic: Logic) -> list[Linear]:
        return [
            models.resistor(
                models.net_at(part, models.MUX_COMMON),
                models.net_at(part, models.MUX_CHANNELS[bits[0]]),
                part.model["ron"],
            )
            for part, bits in zip(self.logic_parts, logic, strict=True)
            if part.kind == "mux8" and bits[0] >= 0
        ]


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


def _off(part: Part) -> tuple[int, ...]:
    return (-1,) if part.kind == "mux8" else (0,) * len(models.HALVES)


def _decide(part: Part, volts: Solution) -> tuple[int, ...]:
    """What a logic part does at these voltages."""
    if part.kind == "mux8":
        ground, supply = (
            volts[models.net_at(part, models.MUX_GROUND)],
            volts[models.net_at(part, models.MUX_SUPPLY)],
        )
        threshold = 0.5 * (ground + supply)
        if supply - ground < _ALIVE or volts[models.net_at(part, models.MUX_INHIBIT)] > threshold:
            return _off(part)
        return (sum(1 << i for i, pin in enumerate(models.MUX_SELECT) if volts[models.net_at(part, pin)] > threshold),)
    ground = volts[models.joined(part, models.BRIDGE_GROUND)[0]]
    if volts[models.net_at(part, models.BRIDGE_LOGIC)] - ground < _ALIVE:
        return _off(part)
    high = {pin: volts[models.net_at(part, pin)] - ground > part.model["vih"] for half in models.HALVES for pin in half[:2]}
    return tuple((2 if high[given] else 1) if high[enable] else 0 for enable, given, _ in models.HALVES)


class BoardCircuit:
    """The electrical side of one virtual board: what is plugged in, what is broken, what its pins do.

    `seed` None takes every part at its nominal value; else each is drawn evenly within its tolerance.
    """

    def __init__(
        self,
        parts: Mapping[str, Part],
        conditions: Mapping[str, Sequence[Part]],
        fixtures: Mapping[str, Sequence[Part]],
        seed: int | None = None,
        contact_ohm: float = models.CONTACT_OHM,
    ) -> None:
        self._parts = tuple(drawn(part, seed) for part in parts.values())
        plugs = {**conditions, **fixtures}
        self._plugs = {name: tuple(drawn(part, seed) for part in plug) for name, plug in plugs.items()}
        self._contact_ohm = contact_ohm
        self._faults: tuple[Fault, ...] = ()
        self._attached: frozenset[str] = frozenset()
        self._pressed: frozenset[str] = frozenset()
        self._pins: dict[str, PinState] = {}
        self._netlists: dict[tuple[object, ...], Netlist] = {}
        self._solutions: dict[tuple[object, ...], Solution] = {}
        module = next((part for part in self._parts if part.kind == "module"), None)
        self.pull_ohm = 65_000.0 if module is None else module.model["pull"]

    @property
    def attached(self) -> frozenset[str]:
        """The conditions and fixtures now plugged in."""
        return self._attached

    def attach(self, name: str) -> None:
        """Plug in a condition or a fixture. Raises ValueError for a name that the sheet does not have."""
        if name not in self._plugs:
            raise ValueError(f"{name!r} cannot be plugged in; this board has {', '.join(sorted(self._plugs))}")
        self._attached |= {name}

    def detach(self, name: str) -> None:
        """Take a condition or fixture off; one that is not plugged in stays off."""
        self._attached -= {name}

    def apply(self, fault_text: str) -> None:
        """Break something, on top of what is broken. Raises FaultInvalid, and then nothing has changed."""
        fault = parse(fault_text)
        # a fault in a plug can be set while the plug is off, so it is tried against everything there is
        apply(fault, [*self._parts, *(part for plug in self._plugs.values() for part in plug)])
        self._faults = (*self._faults, fault)

    def press(self, ref: str, down: bool) -> None:
        """Hold a key down or let it go. Raises ValueError for a part that is no key."""
        if not any(part.ref == ref and part.kind == "switch" for part in self._parts):
            raise ValueError(f"{ref} is no key of this board")
        self._pressed = self._pressed | {ref} if down else self._pressed - {ref}

    def set_pin(self, name: str, state: PinState) -> None:
        """What the program makes of a pin, GP0 to GP28. Raises ValueError for another name."""
        if name not in MODULE_PINS:
            raise ValueError(f"{name!r} is no pin of the module")
        self._pins[name] = state

    def volts(self, net: str) -> float:
        """The voltage over ground of a net or a module's pin, such as GP26. Raises ValueError otherwise."""
        netlist = self._netlist()
        if net not in netlist.nets and net in MODULE_PINS:
            net = netlist.pin_net(net)
        if net not in netlist.nets:
            raise ValueError(f"{net!r} is no net of this board")
        return self._solution()[net]

    def rail(self) -> float:
        """The module's own 3.3 V rail, in V: whether it runs, and what its converter measures against."""
        netlist = self._netlist()
        if netlist.module is None:
            return 0.0
        return self._solution()[models.net_at(netlist.module, models.MODULE_RAIL)]

    def level(self, gp: str) -> int:
        """What the program reads at a pin: between the two thresholds their middle decides, always alike."""
        netlist = self._netlist()
        net = netlist.pin_net(gp)
        assert netlist.module is not None
        m = netlist.module.model
        return int(self._solution()[net] > 0.5 * (m["vih"] + m["vil"]))

    def ideal_code(self, gp: str) -> float:
        """4096 times the pin's voltage over the module's rail, unrounded and unbounded; 0 without a rail."""
        if gp not in ADC_PINS:
            raise ValueError(f"{gp!r} has no converter; {', '.join(ADC_PINS)} have")
        rail = self.rail()
        return 4096.0 * self._solution()[self._netlist().pin_net(gp)] / rail if rail > _RAIL_LEAST else 0.0

    def code(self, gp: str, noise: float = 0.0) -> int:
        """The converter's code 0..4095 with `noise` codes added before rounding (see readout)."""
        return min(max(round(self.ideal_code(gp) + noise), 0), 4095)

    def lamp_current(self, ref: str) -> float:
        """Amperes through a lamp, anode to cathode."""
        part, volts = self._across(ref, "lamp")
        return part.model["Is"] * math.expm1(volts / (part.model["n"] * models.THERMAL))

    def sounder_current(self, ref: str) -> float:
        """Amperes through a sounder."""
        part, volts = self._across(ref, "sounder")
        assert part.value is not None
        return volts / part.value

    def _across(self, ref: str, kind: str) -> tuple[Part, float]:
        part = self._netlist().parts.get(ref)
        if part is None or part.kind != kind:
            raise ValueError(f"{ref} is no {kind} of this board")
        solution = self._solution()
        return part, solution[part.nets[0]] - solution[part.nets[1]]

    def _netlist(self) -> Netlist:
        key = (self._attached, self._faults, self._pressed)
        if key not in self._netlists:
            parts = [*self._parts, *(part for name in sorted(self._attached) for part in self._plugs[name])]
            away = {part.ref for plug in self._plugs.values() for part in plug} - {part.ref for part in parts}
            for fault in self._faults:
                if not fault.touches(away):
                    parts = apply(fault, parts)
            self._netlists[key] = build(parts, pressed=self._pressed, contact_ohm=self._contact_ohm)
        return self._netlists[key]

    def _solution(self) -> Solution:
        key = (self._attached, self._faults, self._pressed, self.pull_ohm, frozenset(self._pins.items()))
        if key not in self._solutions:
            self._solutions[key] = self._mean(self._netlist(), self._pins)
        return self._solutions[key]

    def _mean(self, netlist: Netlist, pins: Mapping[str, PinState]) -> Solution:
        """A duty on a logic part's input is two states, weighted; elsewhere it is one level between."""
        listening = netlist.logic_inputs()
        for name, state in pins.items():
            if state.mode == "out" and 0.0 < state.level < 1.0 and netlist.pin_net(name) in listening:
                low, high = ({**pins, name: replace(state, level=level)} for level in (0.0, 1.0))
                return mean(self._mean(netlist, low), self._mean(netlist, high), state.level)
        return netlist.solve(pins, self.pull_ohm)
