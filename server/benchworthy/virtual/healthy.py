"""What a sound board must read in a walk, computed from the sheet's circuit and never typed in.

Each step is solved with the weakest and the strongest pull of the controller. A bit counts only where every solution is
clear of the undefined zone between the input thresholds: there a sound board may read either.
"""

from collections.abc import Iterator, Mapping
from typing import Any

from benchworthy.designs.sheet import Driver, Sheet, Test
from benchworthy.errors import UnknownDesign
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.models import MODULE_PINS, PinState

PULLS_OHM = (50_000.0, 65_000.0, 80_000.0)  # RP2040 datasheet, pin specifications: 50 to 80 kohm
SURELY_LOW, SURELY_HIGH = 0.8, 2.0  # V; RP2040 datasheet at 3.3 V: VIL at most 0.8, VIH at least 2.0 (from memory)
SEEDS = (None, 1, 2, 3, 4, 5)


def must_be_a_circuit(sheet: Sheet) -> None:
    """Raises UnknownDesign for a design whose sheet lists parts without what a simulation needs of them."""
    if sheet.driver is Driver.BENCH:
        raise UnknownDesign(f"There is no virtual {sheet.name}: the bench drives this design, and its parts are no full circuit.")


def patterns(sheet: Sheet) -> dict[str, list[list[int]]]:
    """For every walk of the sheet: expected and care mask of each step, in the order the board reports them."""
    must_be_a_circuit(sheet)
    return {test.id: _walk(sheet, test) for test in sheet.tests.values() if test.procedure == "walk"}


def _walk(sheet: Sheet, test: Test) -> list[list[int]]:
    ports = [f"GP{sheet.ports[name].pin}" for name in test.parameters["ports"]]
    low = [f"GP{sheet.ports[name].pin}" for name in test.parameters["off"]]
    steps = list(_steps(ports, low))
    seen: list[list[list[float]]] = [[[] for _ in ports] for _ in steps]
    for seed in SEEDS:
        for pull in PULLS_OHM:
            _solve_all(sheet, seed, pull, steps, ports, seen)
    return [_masks(step) for step in seen]


def _solve_all(
    sheet: Sheet,
    seed: int | None,
    pull: float,
    steps: list[dict[str, PinState]],
    ports: list[str],
    seen: list[list[list[float]]],
) -> None:
    circuit = BoardCircuit(sheet.parts, sheet.conditions, sheet.fixtures, seed)
    circuit.pull_ohm = pull
    for condition in sheet.conditions:
        circuit.attach(condition)
    nets = {port: sheet.parts["U5"].nets[MODULE_PINS[port] - 1] for port in ports}
    for index, step in enumerate(steps):
        for pin, state in step.items():
            circuit.set_pin(pin, state)
        for bit, port in enumerate(ports):
            seen[index][bit].append(circuit.volts(nets[port]))


def _steps(ports: list[str], low: list[str]) -> Iterator[dict[str, PinState]]:
    off = {pin: PinState("out", "none", 0.0) for pin in low}
    up: Mapping[str, Any] = {pin: PinState("in", "up", 0.0) for pin in ports}
    down: Mapping[str, Any] = {pin: PinState("in", "down", 0.0) for pin in ports}
    yield {**off, **up}
    yield {**off, **down}
    for pin in ports:
        yield {**off, **down, pin: PinState("out", "none", 1.0)}
        yield {**off, **up, pin: PinState("out", "none", 0.0)}


def _masks(volts: list[list[float]]) -> list[int]:
    expected = care = 0
    for bit, values in enumerate(volts):
        if min(values) >= SURELY_HIGH:
            expected |= 1 << bit
            care |= 1 << bit
        elif max(values) <= SURELY_LOW:
            care |= 1 << bit
    return [expected, care]
