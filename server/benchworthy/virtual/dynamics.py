"""Voltages as functions of virtual time: what capacitors, pulse widths and a turning motor do between steady states.

Around each steady state the stores run down as the circuit's own modes say. A slow pulse width is two states in turn,
each store in its periodic course between them; a fast one is its mean. Nothing depends on the order of questions.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchworthy.errors import CircuitUnsolved
from benchworthy.virtual import motor
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.circuit import Array, Index, Solution
from benchworthy.virtual.models import PinState
from benchworthy.virtual.modes import Complex, Modes, Store, stores

_TOGETHER_US = 30  # states that last less are passed over: their stores have hardly moved
_STILL = 3e-4  # V: stores nearer than this to their steady voltage stand there
SLOW_HERTZ = 5000.0  # a pulse width slower than this is seen edge by edge


@dataclass(frozen=True, slots=True)
class Width:
    """A pin that switches by itself: so often a second, high for this share of the period, from this moment on."""

    hertz: float
    share: float
    since_us: int

    def phase(self, t_us: Index) -> Array:
        """Seconds since the last rising edge."""
        return np.asarray(np.mod((t_us - self.since_us) * 1e-6, 1.0 / self.hertz))


@dataclass(frozen=True, slots=True)
class _Course:
    """What is known of the present state: two halves (the same one if nothing switches) and the stores' way."""

    low: Solution
    high: Solution
    modes: Modes | None  # None: everything stands still
    low_stores: Array
    high_stores: Array
    width: Width | None
    transient: Complex


class Timeline:
    """The board's voltages at any moment, for pins that change at given moments. Times are virtual microseconds."""

    def __init__(self, circuit: BoardCircuit) -> None:
        self._circuit = circuit
        self._widths: dict[str, Width] = {}
        self._since = 0  # when the present pin states began
        self._held: dict[Store, float] | None = None  # the stores then; None: at rest in the present state
        self._modes: dict[int, tuple[Solution, Modes]] = {}
        self._course: _Course | None = None
        self.motors = motor.Motors(circuit)

    def set(self, pin: str, state: PinState, t_us: int, hertz: float = 0.0) -> None:
        """From this moment the pin is in that state; with a frequency its level is the share of a period it is high."""
        if t_us - self._since >= _TOGETHER_US:
            try:
                self._keep(t_us)
            except CircuitUnsolved:
                # A state that nobody can name leaves no trace; the next one begins at rest.
                self._held, self._since = None, t_us
                self.motors.forget()
        self._widths.pop(pin, None)
        if hertz > 0.0 and 0.0 < state.level < 1.0:
            self._widths[pin] = Width(hertz, state.level, t_us)
        self._circuit.set_pin(pin, state)
        self._course = None
        self.motors.changed()

    def freeze(self, pin: str, t_us: int) -> None:
        """Stop a switching pin where it is."""
        width = self._widths.get(pin)
        if width is not None:
            level = float(width.phase(np.array([t_us]))[0] < width.share / width.hertz)
            self.set(pin, PinState("out", "none", level), t_us)

    def width(self, pin: str) -> Width | None:
        """How a pin switches by itself, None if it does not."""
        return self._widths.get(pin)

    def disturb(self) -> None:
        """Somebody has plugged or turned something, which takes seconds: what was on its way has arrived."""
        self._held, self._course = None, None
        self.motors.forget()

    def rebuilt(self) -> None:
        """A key has moved: other steady states, the same stores on their way."""
        self._course = None

    def restart(self) -> None:
        """The board's time begins anew, and nothing switches by itself."""
        self._widths.clear()
        self._since, self._held, self._course = 0, None, None

    def halves(self) -> tuple[Solution, Solution, Width | None]:
        """The steady states before and after the edge of the slowest pin that switches slowly, and its width."""
        slow = {pin: width for pin, width in self._widths.items() if width.hertz < SLOW_HERTZ}
        if not slow:
            solution = self._circuit.solution()
            return solution, solution, None
        pin = min(slow, key=lambda each: slow[each].hertz)
        return *self.sides(pin), slow[pin]

    def sides(self, pin: str) -> tuple[Solution, Solution]:
        """The steady states with a pin low and with it high."""
        return self._with(pin, 0.0), self._with(pin, 1.0)

    def volts(self, net: str, t_us: int) -> float:
        """The voltage of a net at a moment not before the last change."""
        return float(self.burst(net, np.array([t_us]))[0])

    def burst(self, net: str, t_us: Index) -> Array:
        """The voltage of a net at several such moments, in order."""
        if self.motors.moving():
            return self.motors.burst(net, t_us, self._since)
        course = self._course or self._begin()
        stand = np.where(self._on(course, t_us), course.high[net], course.low[net])
        if course.modes is None:
            return np.asarray(stand)
        away = self._stores(course, t_us) - np.where(
            self._on(course, t_us), course.high_stores[:, None], course.low_stores[:, None]
        )
        return np.asarray(stand + course.modes.at(net) @ away)

    def modes(self, solution: Solution) -> Modes:
        """The modes around one of the steady states of the present pins."""
        kept = self._modes.get(id(solution))
        if kept is None or kept[0] is not solution:
            kept = (solution, self._worked_out())
            self._modes[id(solution)] = kept
        return kept[1]

    def _worked_out(self) -> Modes:
        netlist = self._circuit.netlist()
        pins = {
            pin: replace(state, level=float(round(state.level))) if netlist.pin_net(pin) in netlist.logic_inputs else state
            for pin, state in self._circuit.pins.items()
        }
        settled = self._circuit.settled(pins)
        return Modes(settled.slopes(), settled.solution.index, self._stores_now())

    def _stores_now(self) -> tuple[Store, ...]:
        return stores(self._circuit.netlist().parts.values())

    def _with(self, pin: str, level: float) -> Solution:
        kept = self._circuit.pins[pin]
        self._circuit.set_pin(pin, replace(kept, level=level))
        try:
            return self._circuit.solution()
        finally:
            self._circuit.set_pin(pin, kept)

    def _begin(self) -> _Course:
        low, high, width = self.halves()
        kept = self._stores_now()
        lows, highs = (np.array([at[store.plus] - at[store.minus] for store in kept]) for at in (low, high))
        share = 0.0 if width is None else width.share
        mean = (1.0 - share) * lows + share * highs
        away = np.zeros(len(kept))
        if self._held is not None:
            away = np.array([self._held.get(store, at) - at for store, at in zip(kept, mean, strict=True)])
        if (width is None and np.max(np.abs(away), initial=0.0) < _STILL) or not kept:
            self._held = None
            self._course = _Course(low, high, None, lows, highs, width, np.zeros(0, complex))
            return self._course
        modes = self.modes(high)
        transient = modes.split(away)
        if width is not None:
            transient = transient - _periodic(modes, highs - lows, width, np.array([self._since]))[:, 0]
        self._course = _Course(low, high, modes, lows, highs, width, transient)
        return self._course

    @staticmethod
    def _on(course: _Course, t_us: Index) -> NDArray[np.bool_]:
        if course.width is None:
            return np.ones(len(t_us), bool)
        return np.asarray(course.width.phase(t_us) < course.width.share / course.width.hertz)

    def _stores(self, course: _Course, t_us: Index) -> Array:
        """The stores' voltages, one column for each moment."""
        modes = course.modes
        assert modes is not None
        dying = course.transient[:, None] * np.exp(-modes.rates[:, None] * np.maximum(t_us - self._since, 0)[None, :] * 1e-6)
        share = 0.0
        if course.width is not None:
            share = course.width.share
            dying = dying + _periodic(modes, course.high_stores - course.low_stores, course.width, t_us)
        mean = (1.0 - share) * course.low_stores + share * course.high_stores
        return np.asarray(mean[:, None] + modes.joined(dying))

    def _keep(self, t_us: int) -> None:
        """Remember the stores as they are at the end of the present state."""
        self.motors.keep(t_us, self._since)
        course = self._course or self._begin()
        kept = self._stores_now()
        if course.modes is None:
            at = course.low_stores if course.width is None else course.high_stores
        else:
            at = self._stores(course, np.array([t_us]))[:, 0]
        self._held = dict(zip(kept, at.tolist(), strict=True))
        self._since = t_us


def _periodic(modes: Modes, step: Array, width: Width, t_us: Index) -> Complex:
    """The course that repeats in every period, less its mean: amplitudes of the modes, one column a moment."""
    period, high = 1.0 / width.hertz, width.share / width.hertz
    rate, size = modes.rates[:, None], modes.split(step)[:, None]
    phase = width.phase(t_us)[None, :]
    whole = -np.expm1(-rate * period)
    rising = 1.0 + np.expm1(-rate * (period - high)) / whole * np.exp(-rate * np.minimum(phase, high))
    falling = -np.expm1(-rate * high) / whole * np.exp(-rate * np.maximum(phase - high, 0.0))
    return np.asarray(size * (np.where(phase < high, rising, falling) - width.share))
