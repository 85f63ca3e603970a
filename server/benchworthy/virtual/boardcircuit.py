"""The electrical side of one virtual board: what is plugged in, what is broken, what its pins do."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.circuit import Solution
from benchworthy.virtual.elements import THERMAL, Linear
from benchworthy.virtual.faults import Fault, apply, parse
from benchworthy.virtual.limits import beyond
from benchworthy.virtual.models import MODULE_PINS, PinState
from benchworthy.virtual.netlist import Netlist, Settled, build, drawn, mean

_RAIL_LEAST = 0.5  # V: below this rail the converter gives nothing
ADC_PINS = ("GP26", "GP27", "GP28")
_PULL_OHM = 65_000.0  # where there is no module to say


class BoardCircuit:
    """The steady states of one board. `endangered` collects what stood beyond a part's limits in any of them.

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
        self._positions: frozenset[tuple[str, int]] = frozenset()
        self._pressed: frozenset[str] = frozenset()
        self._let_go: frozenset[str] = frozenset()
        self._pins: dict[str, PinState] = {}
        self._netlists: dict[tuple[object, ...], Netlist] = {}
        self._settled: dict[tuple[object, ...], Settled] = {}
        self._means: dict[tuple[object, ...], Solution] = {}
        self.endangered: list[str] = []
        module = next((part for part in self._parts if part.kind == "module"), None)
        self.pull_ohm = _PULL_OHM if module is None else module.model["pull"]

    @property
    def attached(self) -> frozenset[str]:
        """The conditions and fixtures now plugged in."""
        return self._attached

    @property
    def pressed(self) -> frozenset[str]:
        """The keys held down."""
        return self._pressed

    @property
    def pins(self) -> Mapping[str, PinState]:
        """What the program has made of the pins so far."""
        return self._pins

    def attach(self, name: str) -> None:
        """Plug in a condition or a fixture. Raises ValueError for a name that the sheet does not have."""
        if name not in self._plugs:
            raise ValueError(f"{name!r} cannot be plugged in; this board has {', '.join(sorted(self._plugs))}")
        self._attached |= {name}

    def detach(self, name: str) -> None:
        """Take a condition or fixture off; one that is not plugged in stays off."""
        self._attached -= {name}

    def turn(self, fixture: str, position: str) -> None:
        """Turn a fixture's switch. Raises ValueError for a fixture without one, or a position it does not have."""
        switches = [part for part in self._plugs.get(fixture, ()) if part.kind == "selector"]
        if not switches:
            raise ValueError(f"{fixture!r} has no switch to turn")
        for part in switches:
            words = part.label.split()
            if position not in words:
                raise ValueError(f"{fixture}'s switch has the positions {', '.join(words)}, not {position!r}")
            kept = {pair for pair in self._positions if pair[0] != part.ref}
            self._positions = frozenset(kept | {(part.ref, words.index(position) + 1)})

    def apply(self, fault_text: str) -> None:
        """Break something, on top of what is broken. Raises FaultInvalid, and then nothing has changed."""
        fault = parse(fault_text)
        # a fault in a plug can be set while the plug is off, so it is tried against everything there is
        apply(fault, [*self._parts, *(part for plug in self._plugs.values() for part in plug)])
        self._faults = (*self._faults, fault)

    def holding(self) -> tuple[Part, ...]:
        """The memories that hang in an answer and hold the data line."""
        return tuple(part for part in self.netlist().parts.values() if part.model.get("holds"))

    def let_go(self, ref: str) -> None:
        """A memory that hung has had its clocks."""
        self._let_go |= {ref}

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

    def net_of(self, name: str) -> str:
        """A net's own name, or the net at a module's pin, such as GP26. Raises ValueError for neither."""
        netlist = self.netlist()
        if name not in netlist.nets and name in MODULE_PINS:
            name = netlist.pin_net(name)
        if name not in netlist.nets:
            raise ValueError(f"{name!r} is no net of this board")
        return name

    def volts(self, net: str) -> float:
        """The voltage over ground of a net or a module's pin, such as GP26. Raises ValueError otherwise."""
        return self.solution()[self.net_of(net)]

    def rail(self, solution: Solution | None = None) -> float:
        """The module's own 3.3 V rail, in V: whether it runs, and what its converter measures against."""
        module = self.netlist().module
        if module is None:
            return 0.0
        return (solution or self.solution())[models.net_at(module, models.MODULE_RAIL)]

    def level(self, gp: str) -> int:
        """What the program reads at a pin: between the two thresholds their middle decides, always alike."""
        return self.read_as(self.solution()[self.netlist().pin_net(gp)])

    def read_as(self, volts: float) -> int:
        """The level that a voltage at a pin of the module is read as."""
        module = self.netlist().module
        assert module is not None
        return int(volts > 0.5 * (module.model["vih"] + module.model["vil"]))

    def ideal_code(self, gp: str) -> float:
        """4096 times the pin's voltage over the module's rail, unrounded and unbounded; 0 without a rail."""
        if gp not in ADC_PINS:
            raise ValueError(f"{gp!r} has no converter; {', '.join(ADC_PINS)} have")
        return self.share_of_rail(self.solution()[self.netlist().pin_net(gp)]) * 4096.0

    def share_of_rail(self, volts: float) -> float:
        """A voltage over the module's rail; 0 without a rail."""
        rail = self.rail()
        return volts / rail if rail > _RAIL_LEAST else 0.0

    def code(self, gp: str, noise: float = 0.0) -> int:
        """The converter's code 0..4095 with `noise` codes added before rounding (see readout)."""
        return min(max(round(self.ideal_code(gp) + noise), 0), 4095)

    def lamp_current(self, ref: str, solution: Solution | None = None) -> float:
        """Amperes through a lamp, anode to cathode."""
        part, volts = self._across(ref, "lamp", solution)
        return part.model["Is"] * math.expm1(volts / (part.model["n"] * THERMAL))

    def sounder_current(self, ref: str, solution: Solution | None = None) -> float:
        """Amperes through a sounder."""
        part, volts = self._across(ref, "sounder", solution)
        assert part.value is not None
        return volts / part.value

    def _across(self, ref: str, kind: str, solution: Solution | None) -> tuple[Part, float]:
        part = self.netlist().parts.get(ref)
        if part is None or part.kind != kind:
            raise ValueError(f"{ref} is no {kind} of this board")
        at = solution or self.solution()
        return part, at[part.nets[0]] - at[part.nets[1]]

    def netlist(self) -> Netlist:
        """The circuit as it is put together now."""
        key = (self._attached, self._positions, self._faults, self._pressed, self._let_go)
        if key not in self._netlists:
            self._netlists[key] = build(self.parts_now(), pressed=self._pressed, contact_ohm=self._contact_ohm)
        return self._netlists[key]

    def plug_parts(self) -> tuple[Part, ...]:
        """The parts of the fixture that carries a memory: the test plug."""
        return next((plug for plug in self._plugs.values() if any(part.kind == "memory" for part in plug)), ())

    def parts_now(self) -> list[Part]:
        """Board and what is plugged into it, with everything that is broken."""
        parts = [*self._parts, *(self._turned(part) for name in sorted(self._attached) for part in self._plugs[name])]
        away = {part.ref for plug in self._plugs.values() for part in plug} - {part.ref for part in parts}
        for fault in self._faults:
            if not fault.touches(away):
                parts = apply(fault, parts)
        return [replace(p, model={**p.model, "holds": 0.0}) if p.ref in self._let_go else p for p in parts]

    def _turned(self, part: Part) -> Part:
        for ref, position in self._positions:
            if ref == part.ref:
                return replace(part, model={**part.model, "position": float(position)})
        return part

    def solution(self) -> Solution:
        """The present steady state; a duty on a logic part's input is the mean of two, elsewhere one level between."""
        key = self.state()
        if key not in self._means:
            self._means[key] = self._mean(self._pins)
        return self._means[key]

    def _mean(self, pins: Mapping[str, PinState]) -> Solution:
        netlist = self.netlist()
        for name, state in pins.items():
            if state.mode == "out" and 0.0 < state.level < 1.0 and netlist.pin_net(name) in netlist.logic_inputs:
                low, high = ({**pins, name: replace(state, level=level)} for level in (0.0, 1.0))
                return mean(self._mean(low), self._mean(high), state.level)
        return self.settled(pins).solution

    def settled(self, pins: Mapping[str, PinState], held: Sequence[Linear] = ()) -> Settled:
        """One steady state of these pins; `held` are elements added for a moment, whose states are not kept."""
        if held:
            return self.netlist().settle(pins, self.pull_ohm, held)
        key = (*self._key(), frozenset(pins.items()))
        if key not in self._settled:
            found = self.netlist().settle(pins, self.pull_ohm)
            self._settled[key] = found
            self._look_for_danger(found.solution)
        return self._settled[key]

    def state(self) -> tuple[object, ...]:
        """What tells one steady state from another."""
        return (*self._key(), frozenset(self._pins.items()))

    def _key(self) -> tuple[object, ...]:
        return (self._attached, self._positions, self._faults, self._pressed, self._let_go, self.pull_ohm)

    def _look_for_danger(self, solution: Solution) -> None:
        for text in beyond(self.netlist().parts.values(), solution):
            if text not in self.endangered:
                self.endangered.append(text)
