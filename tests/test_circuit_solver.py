"""The solver against ngspice on circuits of chance and on the Tarn board, and what it does when there is no answer."""

import random
from collections.abc import Sequence
from pathlib import Path

import pytest

from benchworthy.virtual.circuit import Circuit, CircuitDidNotConverge
from benchworthy.virtual.elements import GROUND, Element, Knee, between, diode, regulator, resistor, source
from benchworthy.virtual.models import PinState
from ngspice import MISSING, operating_point
from test_circuit_tarn import board, high, low

needs_ngspice = pytest.mark.skipif(MISSING is not None, reason=MISSING or "")


def random_network(seed: int) -> list[Element]:
    """6 to 30 nets, each joined to an earlier one; sources, resistors of five decades, diodes of four sorts."""
    draw = random.Random(seed)
    nets = [GROUND, *(f"N{i}" for i in range(draw.randint(6, 30)))]
    elements: list[Element] = []
    for i, net in enumerate(nets[1:], 1):
        elements.append(resistor(net, draw.choice(nets[:i]), 10 ** draw.uniform(0.5, 5.5)))
    for _ in range(draw.randint(1, 3)):
        elements.append(source(draw.choice(nets[1:]), GROUND, draw.uniform(-12.0, 12.0), draw.uniform(0.1, 10.0)))
    for _ in range(len(nets)):
        a, b = draw.sample(nets, 2)
        elements.append(resistor(a, b, 10 ** draw.uniform(1.0, 5.0)))
    for _ in range(draw.randint(2, len(nets))):
        a, b = draw.sample(nets, 2)
        elements.append(diode(a, b, *draw.choice([(3e-6, 1.1), (2.5e-9, 1.75), (1e-14, 1.0), (4.5e-19, 2.0)])))
    return elements


def assert_agree(elements: Sequence[Element], folder: Path, nets: Sequence[str] = ()) -> None:
    """Every net within 1 mV or 0.1 %, whichever is wider."""
    mine = Circuit(elements, nets)
    solution = mine.solve()
    for net, volts in operating_point(elements, list(mine.index), folder).items():
        assert solution[net] == pytest.approx(volts, rel=1e-3, abs=1e-3), net


@needs_ngspice
@pytest.mark.parametrize("seed", range(200))
def test_a_random_network_stands_as_in_ngspice(seed: int, tmp_path: Path) -> None:
    """Resistors, sources and diodes, all of them ngspice's own devices."""
    assert_agree(random_network(seed), tmp_path)


ALL = ("jack", "usb", "TP-4", "L-2")
RIG = ("jack", "usb", "TP-4", "M-1")
# What is plugged in, the rig's switch, what the pins do, and what is broken.
STATES: list[tuple[tuple[str, ...], str, dict[str, PinState], str]] = [
    (("jack",), "", {}, ""),
    (("usb",), "", {}, ""),
    (("jack", "usb"), "", {}, ""),
    (ALL, "", {}, ""),
    (("jack", "usb"), "", {f"GP{pin}": PinState("in", "up") for pin in range(23)}, ""),
    (ALL, "", {pin: high() for pin in ("GP5", "GP7", "GP8", "GP10", "GP12", "GP13", "GP15")}, ""),
    (ALL, "", {"GP8": high(0.5), "GP16": high(), "GP17": high(), "GP0": high(), "GP1": low()}, ""),
    (ALL, "", {"GP8": high(), "GP0": low(), "GP1": high(), "GP9": high()}, ""),
    (("usb", "L-2"), "", {"GP10": high(), "GP12": high()}, ""),
    (RIG, "motor", {"GP10": high(), "GP12": high(), "GP0": low(), "GP1": high()}, ""),
    (RIG, "motor", {"GP14": high(), "GP15": high()}, ""),
    (RIG, "held", {"GP10": high(), "GP12": high()}, ""),
    (ALL, "", {}, "U1.1-U1.3=bridge"),
    (ALL, "", {"GP8": high(0.5)}, "J4.2=bent"),
    (ALL, "", {}, "J10.1=bent"),
    (ALL, "", {"GP10": high(), "GP12": high()}, "R30=open"),
    (("jack", "usb"), "", {"GP7": high()}, "D6=reversed"),
    (("jack", "usb"), "", {}, "U2.1=open"),
    (("jack", "usb"), "", {"GP2": PinState("in", "down")}, "R13=47k"),
]


@needs_ngspice
@pytest.mark.parametrize(("plugs", "turned", "pins", "fault"), STATES)
def test_the_tarn_stands_as_in_ngspice(
    plugs: tuple[str, ...], turned: str, pins: dict[str, PinState], fault: str, tmp_path: Path
) -> None:
    """Supplies alone, everything driven, plug and rig, single faults; regulators, reference, transistor as formulas."""
    tarn = board(*plugs)
    if turned:
        tarn.turn("M-1", turned)
    if fault:
        tarn.apply(fault)
    for pin, state in pins.items():
        tarn.set_pin(pin, state)
    assert_agree(tarn.elements(), tmp_path)


def test_a_divider_and_a_source_give_ohms_law() -> None:
    """10 V over 1k + 3k, hardly loaded by the leak of 1 nS that every net has."""
    circuit = Circuit([source("A", GROUND, 10.0, 1e-3), resistor("A", "B", 1000.0), resistor("B", GROUND, 3000.0)])
    assert circuit.solve()["B"] == pytest.approx(7.5, abs=1e-4)


def test_a_net_without_any_connection_stands_at_ground() -> None:
    """The leak gives a floating net one answer."""
    assert Circuit([resistor("A", GROUND, 1.0)], ["LOOSE"]).solve()["LOOSE"] == 0.0


def test_a_regulator_gives_no_more_than_its_limit() -> None:
    """A short at the output draws the limit, not what the output resistance would let through."""
    shorted = Circuit(
        [
            source("IN", GROUND, 9.0, 0.01),
            regulator("IN", GROUND, "OUT", 5.0, 1.7, 0.03, 1.5),
            resistor("OUT", GROUND, 0.1),
        ]
    )
    assert shorted.solve()["OUT"] / 0.1 == pytest.approx(1.5, abs=0.02)


def test_a_start_from_another_solution_ends_at_the_same_voltages() -> None:
    """The start only saves iterations."""
    circuit = Circuit(random_network(7))
    cold = circuit.solve()
    loaded = circuit.solve(cold, [resistor("N1", GROUND, 50.0)])
    back = circuit.solve(loaded)
    assert back.volts == pytest.approx(cold.volts, abs=1e-6)


def test_a_circuit_without_a_steady_state_says_so() -> None:
    """A corner that feeds its own control with more than it takes has no finite voltage."""
    runaway = Knee(between(GROUND, "A", 1.0), 1.0, 0.01)
    twisted = Knee(type(runaway.branch)(runaway.branch.drains, (("A", 1.0),), 1.0), 1e-3, 0.01)
    with pytest.raises(CircuitDidNotConverge) as caught:
        Circuit([twisted, resistor("A", GROUND, 1.0)]).solve()
    assert caught.value.code == "circuit-unsolved"
    assert caught.value.net == "A"
