"""A turning motor: the voltage that its turning makes grows and decays, and the circuit is solved along the way.

Other stores are small and near their steady voltage; this one is large and its circuit bends (diodes, driver halves),
so it is followed in steps short enough for the circuit to be straight within each.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from benchworthy.designs.parts import Part
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.circuit import Array, Index, Solution
from benchworthy.virtual.elements import GROUND, source
from benchworthy.virtual.netlist import Settled

_HOLD_OHM = 0.01
_AT_REST, _ARRIVED = 0.02, 0.005  # V: what counts as turning at all, and where a way ends
_STEP = 0.2  # V in one step
_LONG_US = 1e9  # a motor that has arrived stays there
_STEPS_MOST = 400


@dataclass(frozen=True, slots=True)
class _Knot:
    t_us: float
    turning: dict[str, float]  # V by motor
    solution: Solution
    ways: dict[str, tuple[float, float]]  # volts that are left to go and the time constant, by motor


class Motors:
    """All motors plugged in, and what each turning makes at present."""

    def __init__(self, circuit: BoardCircuit) -> None:
        self._circuit = circuit
        self._turning: dict[str, float] | None = None  # None: whatever the steady state says
        self._knots: list[_Knot] = []
        self._known: bool | None = None  # whether they are on their way in the present state

    def forget(self) -> None:
        """Everything has arrived where the present state brings it."""
        self._turning, self._knots, self._known = None, [], None

    def changed(self) -> None:
        """The pins have changed: another way begins from here."""
        self._knots, self._known = [], None

    def moving(self) -> bool:
        """Whether a motor is on its way to another speed."""
        if self._known is None:
            rest = self._rest()
            if self._turning is None:
                self._turning = rest
            self._known = any(abs(self._turning.get(ref, 0.0) - volts) > _AT_REST for ref, volts in rest.items())
        return self._known

    def keep(self, t_us: int, since_us: int) -> None:
        """The present state ends at this moment."""
        if self.moving():
            self._follow(t_us, since_us)
            times = [knot.t_us for knot in self._knots]
            refs = self._knots[0].turning
            self._turning = {ref: float(np.interp(t_us, times, [k.turning[ref] for k in self._knots])) for ref in refs}
        else:
            self._turning = self._rest()

    def burst(self, net: str, t_us: Index, since_us: int) -> Array:
        """The voltage of a net at several moments of the present state."""
        self._follow(int(t_us[-1]), since_us)
        return np.asarray(np.interp(t_us, [k.t_us for k in self._knots], [k.solution[net] for k in self._knots]))

    def _motors(self) -> list[Part]:
        return [part for part in self._circuit.netlist().parts.values() if part.kind == "motor"]

    def _rest(self) -> dict[str, float]:
        motors = self._motors()
        if not motors:
            return {}
        solution = self._circuit.solution()
        return {part.ref: solution[part.nets[2]] - solution[part.nets[1]] for part in motors}

    def _follow(self, until_us: int, since_us: int) -> None:
        """Extend the way to a moment, or to its end."""
        assert self._turning is not None
        if not self._knots:
            self._knots.append(self._knot(float(since_us), self._turning))
        while self._knots[-1].t_us < until_us and len(self._knots) < _STEPS_MOST:
            last = self._knots[-1]
            if all(abs(left) < _ARRIVED for left, _ in last.ways.values()):
                self._knots.append(replace(last, t_us=until_us + _LONG_US))
                return
            seconds = min(_seconds(left, tau) for left, tau in last.ways.values())
            turning = {
                ref: volts - last.ways[ref][0] * math.expm1(-seconds / last.ways[ref][1]) for ref, volts in last.turning.items()
            }
            self._knots.append(self._knot(last.t_us + seconds * 1e6, turning))

    def _knot(self, t_us: float, turning: dict[str, float]) -> _Knot:
        """The circuit with the motors turning so."""
        motors = self._motors()
        held = [source(part.nets[2], part.nets[1], turning.get(part.ref, 0.0), _HOLD_OHM) for part in motors]
        netlist = self._circuit.netlist()
        pins = {
            pin: replace(state, level=float(round(state.level))) if netlist.pin_net(pin) in netlist.logic_inputs else state
            for pin, state in self._circuit.pins.items()
        }
        settled = self._circuit.settled(pins, held)
        ways = {part.ref: _way(part, turning.get(part.ref, 0.0), settled) for part in motors}
        return _Knot(t_us, {part.ref: turning.get(part.ref, 0.0) for part in motors}, settled.solution, ways)


def _way(part: Part, volts: float, settled: Settled) -> tuple[float, float]:
    """Volts that are left to go and the time constant, as the circuit around this state says."""
    _, other, inner = part.nets
    solution = settled.solution
    ampere = (solution[inner] - solution[other] - volts) / _HOLD_OHM
    ends = np.zeros(len(solution.volts))
    for net, sign in ((inner, 1.0), (other, -1.0)):
        if net != GROUND:
            ends[solution.index[net]] = sign
    across = float(ends @ np.linalg.solve(settled.slopes(), ends))
    ohm = 1.0 / max(1.0 / across - 1.0 / _HOLD_OHM, 1e-9)
    return ampere * ohm, ohm * part.model["farad"]


def _seconds(left: float, tau: float) -> float:
    """How long a step may be: as far as the circuit stays straight, and to nearly the end in one go at last."""
    share = min(0.95, _STEP / max(abs(left), 1e-9))
    return -math.log1p(-share) * tau
