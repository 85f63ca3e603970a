"""The steady state of a circuit: dense nodal analysis in Norton form, Newton's method with limited steps."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from benchworthy.errors import CircuitUnsolved
from benchworthy.virtual.elements import (
    GROUND,
    Branch,
    Element,
    Junction,
    Knee,
    Least,
    Linear,
    Weights,
)
from benchworthy.virtual.onecore import keep_to_one_core

keep_to_one_core()

LEAK = 1e-9  # siemens from every net to ground, so that a net left floating by a fault has one answer
_STEP_MAX = 2.0  # volts a net may move in one iteration
_CLOSE, _ROUNDING = 1e-8, 1e-5  # volts: the last step of a solution; at most this where rounding keeps it up
_ITERATIONS = 120
_SLOWED, _SLOW = frozenset((*range(20, 26), *range(40, 80))), 0.3  # iterations that go part of the way, to leave a cycle
_EASED = (1e-2, 1e-4, 1e-6, 0.0)  # siemens added to every net, then taken away, when the plain start fails

_EXPONENT_MAX = 80.0
_CORNER = 0.02  # V: width of the rounding where the smaller of two voltages changes over
_START_KNEE = 0.0005  # A: width of the rounding where a regulator starts to conduct
_LIMIT_KNEE = 0.01  # A: and where it limits

Array = NDArray[np.float64]
Index = NDArray[np.intp]


class CircuitDidNotConverge(CircuitUnsolved):
    """No steady state was found. `net` is the net that moved last, `step` by how many volts."""

    def __init__(self, reason: str, *, net: str = "", step: float = 0.0, iterations: int = 0) -> None:
        super().__init__(reason, net=net, step=step, iterations=iterations)
        self.net, self.step, self.iterations = net, step, iterations


@dataclass(frozen=True, slots=True)
class Solution:
    """Voltages over ground in V, one per net of `index`; ground itself reads 0."""

    index: Mapping[str, int]
    volts: Array
    iterations: int

    def __getitem__(self, net: str) -> float:
        """The voltage of one net. Raises KeyError for a net that the circuit does not have."""
        return 0.0 if net == GROUND else float(self.volts[self.index[net]])


def softplus(x: Array) -> tuple[Array, Array]:
    """log(1 + exp(x)) and its slope, for any x."""
    tail = np.exp(-np.abs(x))
    return np.maximum(x, 0.0) + np.log1p(tail), np.where(x > 0.0, 1.0, tail) / (1.0 + tail)


class Curve(Protocol):
    """All branches of one sort: how far a control may move in one step, and the current with its slope."""

    def limit(self, wanted: Array, last: Array) -> Array:
        """The controls at which to linearise next, given those wanted and the last ones."""

    def current(self, control: Array) -> tuple[Array, Array]:
        """Amperes and siemens per branch at these controls."""


class Junctions:
    """All exponentials of a circuit."""

    def __init__(self, elements: Sequence[Junction]) -> None:
        self._saturation = np.array([e.saturation for e in elements])
        self._width = np.array([e.width for e in elements])
        # above this voltage the current curves faster than a Newton step can follow
        self._critical = self._width * np.log(self._width / (np.sqrt(2.0) * self._saturation))

    def limit(self, wanted: Array, last: Array) -> Array:
        """Above the critical voltage the current moves as far as the linear step says, not the voltage."""
        width = self._width
        ratio = (wanted - last) / width
        rise = last + width * np.log1p(np.maximum(ratio, 0.0))
        start = width * np.log(np.maximum(wanted, width) / width)
        limited = np.where(last > 0.0, np.where(ratio > 0.0, rise, np.maximum(wanted, self._critical)), start)
        return np.where((wanted > self._critical) & (np.abs(ratio) > 2.0), limited, wanted)

    def current(self, control: Array) -> tuple[Array, Array]:
        exponent = control / self._width
        # beyond any exponent a solution can have the curve goes on as its tangent, so a trial step
        # cannot overflow
        grown = np.exp(np.minimum(exponent, _EXPONENT_MAX))
        over = np.maximum(exponent - _EXPONENT_MAX, 0.0)
        return self._saturation * (grown * (1.0 + over) - 1.0), self._saturation * grown / self._width


class Knees:
    """All rounded corners of a circuit: bridge halves, references, supply currents."""

    def __init__(self, elements: Sequence[Knee]) -> None:
        self._ohm = np.array([e.ohm for e in elements])
        self._width = np.array([e.width for e in elements])

    def limit(self, wanted: Array, last: Array) -> Array:
        """A jump from the flat side lands on the corner first, where the slope tells more."""
        corner = 5.0 * self._width
        return np.where((last < -corner) & (wanted > corner), 0.0, wanted)

    def current(self, control: Array) -> tuple[Array, Array]:
        value, slope = softplus(control / self._width)
        return self._width / self._ohm * value, slope / self._ohm


class Leasts:
    """Regulators and followers. The controls are all first branches, then all second ones."""

    def __init__(self, elements: Sequence[Least]) -> None:
        self._ohm = np.array([e.ohm for e in elements])
        self._limit = np.array([e.limit for e in elements])
        self._full = softplus(self._limit / _LIMIT_KNEE)[0]

    def limit(self, wanted: Array, last: Array) -> Array:
        """No step may cross the linear region between off and full current.

        Both sides are flat, and Newton's method would jump between them for ever.
        """
        ohm, full = np.tile(self._ohm, 2), np.tile(self._limit, 2)
        low, high = -3.0 * _LIMIT_KNEE * ohm, (full + 3.0 * _LIMIT_KNEE) * ohm
        middle = 0.5 * full * ohm
        crossing = ((last < low) & (wanted > high)) | ((last > high) & (wanted < low))
        inside = (last >= low) & (last <= high)
        inward = np.where(inside, np.clip(wanted, 1.01 * low, 1.01 * high), wanted)
        return np.where(crossing, middle, inward)

    def current(self, control: Array) -> tuple[Array, Array]:
        first, second = np.split(control, 2)
        over, share = softplus((first - second) / _CORNER)
        least = first - _CORNER * over
        ampere = least / self._ohm
        begun, opening = softplus(ampere / _START_KNEE)
        left, closing = softplus((self._limit - _START_KNEE * begun) / _LIMIT_KNEE)
        # counted from what the rounding leaves at no current, or a part that is off would feed its supply
        value = _LIMIT_KNEE * (self._full - left)
        slope = opening * closing / self._ohm
        # the second control carries no current of its own, only its share of the slope
        return (
            np.concatenate([value, np.zeros_like(value)]),
            np.concatenate([slope * (1.0 - share), slope * share]),
        )


@dataclass(frozen=True, slots=True)
class _Rows:
    """Branches of one curve, ready to be added up: who senses what, and where currents and slopes land."""

    curve: Curve
    senses: Array  # branches x nets
    drains: Array  # nets x branches
    offset: Array
    cells: Index  # flat positions in the matrix
    of: Index  # the branch of each position
    weight: Array


class Circuit:
    """Elements between named nets, prepared once and solved many times.

    `nodes` are nets that exist even if no element touches them. Ground is the net `GND` and stands at 0 V.
    """

    def __init__(self, elements: Sequence[Element], nodes: Sequence[str] = ()) -> None:
        names = dict.fromkeys(nodes)
        for element in elements:
            for branch in _branches(element):
                names.update(dict.fromkeys(net for net, _ in (*branch.drains, *branch.senses)))
        names.pop(GROUND, None)
        self.index: Mapping[str, int] = {net: i for i, net in enumerate(names)}
        self._names = tuple(names)
        self._matrix = np.diag(np.full(len(names), LEAK))
        self._inflow = np.zeros(len(names))
        for element in elements:
            if isinstance(element, Linear):
                self._add(self._matrix, self._inflow, element)
        self._rows = self._curves(elements)

    def solve(self, start: Solution | None = None, extra: Sequence[Linear] = ()) -> Solution:
        """The steady state with `extra` elements added, from `start` (a solution of it) or from 0 V.

        Raises CircuitDidNotConverge, and KeyError for an extra element on a net that is not there.
        """
        matrix, inflow = self._matrix.copy(), self._inflow.copy()
        for element in extra:
            self._add(matrix, inflow, element)
        volts = np.zeros(len(self._names)) if start is None else start.volts
        try:
            return self._newton(matrix, inflow, volts)
        except CircuitDidNotConverge:
            # supports to ground hold every net near zero first; taking them away by steps leads
            # to the solution
            volts = np.zeros(len(self._names))
            for support in _EASED:
                eased = self._newton(matrix + np.diag(np.full(len(volts), support)), inflow, volts)
                volts = eased.volts
            return eased

    def slopes(self, at: Solution, extra: Sequence[Linear] = ()) -> Array:
        """The circuit as it answers to small changes around a solution: siemens, net by net."""
        matrix, inflow = self._matrix.copy(), self._inflow.copy()
        for element in extra:
            self._add(matrix, inflow, element)
        for row in self._rows:
            self._linearise(matrix, inflow, row, row.senses @ at.volts + row.offset)
        return matrix

    def _newton(self, matrix: Array, inflow: Array, start: Array) -> Solution:
        volts = start
        controls = [row.senses @ volts + row.offset for row in self._rows]
        step, last = np.zeros_like(volts), 0.0
        for iteration in range(1, _ITERATIONS + 1):
            left, right = matrix.copy(), inflow.copy()
            for row, control in zip(self._rows, controls, strict=True):
                self._linearise(left, right, row, control)
            step = self._solved(left, right, iteration) - volts
            pace = _SLOW if iteration in _SLOWED else 1.0
            volts = volts + np.clip(pace * step, -_STEP_MAX, _STEP_MAX)
            held = 0.0
            for i, row in enumerate(self._rows):
                wanted = row.senses @ volts + row.offset
                controls[i] = row.curve.limit(wanted, controls[i])
                held = max(held, float(np.max(np.abs(controls[i] - wanted), initial=0.0)))
            moved = float(np.max(np.abs(step), initial=0.0))
            # steps that no longer shrink are rounding: a net with nothing but its leak hangs on
            # stiff contacts
            rounding = moved < _ROUNDING and moved > 0.5 * last and pace == 1.0
            if held < _CLOSE and (moved < _CLOSE or rounding):
                return Solution(self.index, volts, iteration)
            last = moved
        worst = int(np.argmax(np.abs(step)))
        raise CircuitDidNotConverge(
            f"The circuit found no steady state in {_ITERATIONS} iterations; "
            f"{self._names[worst]} still moves by {step[worst]:.3g} V.",
            net=self._names[worst],
            step=float(step[worst]),
            iterations=_ITERATIONS,
        )

    def _solved(self, left: Array, right: Array, iteration: int) -> Array:
        try:
            return np.asarray(np.linalg.solve(left, right), dtype=np.float64)
        except np.linalg.LinAlgError as error:
            raise CircuitDidNotConverge(f"The circuit's matrix is singular: {error}.", iterations=iteration) from error

    @staticmethod
    def _linearise(left: Array, right: Array, row: _Rows, control: Array) -> None:
        """Add each curve as its tangent at `control`: a conductance, and a current for what that misses."""
        ampere, siemens = row.curve.current(control)
        right -= row.drains @ (ampere + siemens * (row.offset - control))
        left += np.bincount(row.cells, row.weight * siemens[row.of], left.size).reshape(left.shape)

    def _add(self, matrix: Array, inflow: Array, element: Linear) -> None:
        for net, weight in element.branch.drains:
            if net == GROUND:
                continue
            i = self.index[net]
            inflow[i] -= element.siemens * weight * element.branch.offset
            for sensed, share in element.branch.senses:
                if sensed != GROUND:
                    matrix[i, self.index[sensed]] += element.siemens * weight * share

    def _curves(self, elements: Sequence[Element]) -> tuple[_Rows, ...]:
        junctions = [e for e in elements if isinstance(e, Junction)]
        knees = [e for e in elements if isinstance(e, Knee)]
        leasts = [e for e in elements if isinstance(e, Least)]
        rows = []
        if junctions:
            rows.append(self._row(Junctions(junctions), [e.branch for e in junctions]))
        if knees:
            rows.append(self._row(Knees(knees), [e.branch for e in knees]))
        if leasts:
            rows.append(self._row(Leasts(leasts), [e.first for e in leasts] + [e.second for e in leasts]))
        return tuple(rows)

    def _row(self, curve: Curve, branches: Sequence[Branch]) -> _Rows:
        size = len(self._names)
        senses, drains = np.zeros((len(branches), size)), np.zeros((size, len(branches)))
        cells: list[tuple[int, int, float]] = []
        for k, branch in enumerate(branches):
            sensed = _summed(branch.senses, self.index)
            drained = _summed(branch.drains, self.index)
            for column, share in sensed.items():
                senses[k, column] = share
            for line, weight in drained.items():
                drains[line, k] = weight
                cells += [(line * size + column, k, weight * share) for column, share in sensed.items()]
        return _Rows(
            curve=curve,
            senses=senses,
            drains=drains,
            offset=np.array([branch.offset for branch in branches]),
            cells=np.array([cell for cell, _, _ in cells], dtype=np.intp),
            of=np.array([k for _, k, _ in cells], dtype=np.intp),
            weight=np.array([weight for _, _, weight in cells], dtype=np.float64),
        )


def _summed(weights: Weights, index: Mapping[str, int]) -> dict[int, float]:
    """The weight of each net but ground, by its place."""
    found: dict[int, float] = {}
    for net, weight in weights:
        if net != GROUND and weight != 0.0:
            found[index[net]] = found.get(index[net], 0.0) + weight
    return found


def _branches(element: Element) -> tuple[Branch, ...]:
    return (element.first, element.second) if isinstance(element, Least) else (element.branch,)
