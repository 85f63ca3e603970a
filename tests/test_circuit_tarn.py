"""The Tarn board as a circuit: the trial's figures, faults by their values, lamps, sounder and the walk over pins."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.parts import Part
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.models import PinState

SHEET = catalogue.find("tarn-b")
PARTS, CONDITIONS, FIXTURES = SHEET.parts, SHEET.conditions, SHEET.fixtures


class Tarn(BoardCircuit):
    """The board with a few words more for these tests."""

    def elements(self) -> list[Any]:
        """Everything in the circuit in its present state."""
        return self.netlist().elements(self._pins, self.pull_ohm)

    def mux(self, channel: int) -> None:
        """Choose a channel through GP16 to GP18."""
        for i in range(3):
            self.set_pin(f"GP{16 + i}", high() if channel >> i & 1 else low())

    def ratio(self, net: str) -> float:
        """A voltage over the module's rail."""
        return self.volts(net) / self.rail()


def board(*plugs: str, seed: int | None = None, contact_ohm: float = 0.02, parts: Mapping[str, Part] = PARTS) -> Tarn:
    """A Tarn with these plugged in."""
    tarn = Tarn(parts, CONDITIONS, FIXTURES, seed, contact_ohm)
    for plug in plugs:
        tarn.attach(plug)
    return tarn


def high(level: float = 1.0) -> PinState:
    """An output at a level, 1 unless said."""
    return PinState("out", "none", level)


def low() -> PinState:
    """An output at 0."""
    return PinState("out")


def over_reference(channel_times: float) -> Callable[[Tarn], float]:
    """A rail as the agent finds it: its code over the reference's, times 1.235 V, times its divider."""

    def read(tarn: Tarn) -> float:
        code = tarn.ideal_code("GP26")
        tarn.mux(1)
        return channel_times * 1.235 * code / tarn.ideal_code("GP26")

    return read


SUPPLIES, LOADED, PLUGGED = ("jack", "usb"), ("jack", "usb", "L-2"), ("jack", "usb", "TP-4", "L-2")
PORT_A = {"GP12": high(), "GP10": high()}
PORT_B = {"GP15": high(), "GP14": high()}
BOTH = {**PORT_A, "GP15": high(), "GP13": high()}
HALF = {"GP8": high(0.5)}

# The trial's multiplexer leaked next to nothing, and its plug put no load on the servo port.
TIGHT = {**PARTS, "U4": replace(PARTS["U4"], model={**PARTS["U4"].model, "leak": 1e-12})}
# Expected values: a trial of this netlist in two solvers (own and ngspice, agreeing to 6 digits).
CHECKED: list[tuple[str, tuple[str, ...], dict[str, PinState], int | None, Callable[[Tarn], float], float]] = [
    ("V5 jack only", ("jack",), {}, None, lambda t: t.volts("V5"), 4.998542),
    ("V5 usb only", ("usb",), {}, None, lambda t: t.volts("V5"), 4.722244),
    ("V33S", SUPPLIES, {}, None, lambda t: t.volts("V33S"), 3.299761),
    ("V33M", SUPPLIES, {}, None, lambda t: t.volts("V33M"), 3.296959),
    ("VREF code", SUPPLIES, {}, 1, lambda t: t.ideal_code("GP26"), 1534.293079),
    ("V5 by ratio", SUPPLIES, {}, 0, over_reference(2.0), 4.997554),
    ("V33S by ratio", SUPPLIES, {}, 6, over_reference(2.0), 3.298849),
    ("VMOT by ratio", SUPPLIES, {}, 7, over_reference(4.0), 4.996953),
    ("lamp anode", SUPPLIES, {"GP7": high()}, 5, lambda t: t.volts("GP26"), 1.894462),
    ("key, pull-down", SUPPLIES, {"GP6": PinState("in", "down")}, None, lambda t: t.volts("GP6"), 2.856123),
    ("SDA, pull-down", SUPPLIES, {"GP2": PinState("in", "down")}, None, lambda t: t.volts("SDA"), 3.076573),
    ("S1 open, pull-up", SUPPLIES, {"GP27": PinState("in", "up")}, None, lambda t: t.ratio("GP27"), 0.604845),
    ("S3 open", SUPPLIES, {}, 2, lambda t: t.ratio("GP26"), 0.000201),
    ("S1 level 0", PLUGGED, {"GP8": low()}, None, lambda t: t.ratio("GP27"), 0.319706),
    ("S1 level 1", PLUGGED, {"GP8": high()}, None, lambda t: t.ratio("GP27"), 0.637870),
    ("motor off", LOADED, {}, 4, lambda t: t.volts("GP26") / 0.5, 0.010006),
    ("OUT1 high, no load", SUPPLIES, PORT_A, None, lambda t: t.volts("SN1"), 2.313501),
    ("OUT1 high, 22 ohm", LOADED, PORT_A, None, lambda t: t.volts("SN1"), 2.213716),
    ("OUT2 low, 22 ohm", LOADED, PORT_A, None, lambda t: t.volts("SN2"), 0.572357),
    ("port A current", LOADED, PORT_A, None, lambda t: (t.volts("OUT1") - t.volts("OUT2")) / 22.0, 0.135717),
    ("port A sense", LOADED, PORT_A, 4, lambda t: t.volts("GP26") / 0.5, 0.152423),
    ("port B current", LOADED, PORT_B, None, lambda t: (t.volts("OUT4") - t.volts("OUT3")) / 22.0, 0.135717),
    ("sounder", SUPPLIES, {"GP5": high()}, None, lambda t: t.volts("V5") - t.volts("QC"), 4.897368),
]  # fmt: skip
# At half level the trial let the pin draw 16.5 mA from the rail for nothing, which a real output does not.
CHECKED_AT_HALF = [
    ("S1", None, lambda t: t.ratio("GP27"), 0.479554),
    ("S2", None, lambda t: t.ratio("GP28"), 0.472189),
    ("S3", 2, lambda t: t.ratio("GP26"), 0.479546),
    ("S4", 3, lambda t: t.ratio("GP26"), 0.230635),
]


@pytest.mark.parametrize(("what", "plugs", "pins", "channel", "read", "expected"), CHECKED, ids=[c[0] for c in CHECKED])
def test_the_board_stands_as_in_the_trial(
    what: str, plugs: tuple[str, ...], pins: dict[str, PinState], channel: int | None,
    read: Callable[[Tarn], float], expected: float,
) -> None:  # fmt: skip
    """Within 0.05 %: the trial had no header contacts, smaller leaks, and parts that the netlist no longer holds."""
    tarn = board(*plugs, contact_ohm=1e-3, parts=TIGHT)
    for pin, state in pins.items():
        tarn.set_pin(pin, state)
    if channel is not None:
        tarn.mux(channel)
    assert read(tarn) == pytest.approx(expected, rel=5e-4, abs=2e-6), what


@pytest.mark.parametrize(("what", "channel", "read", "expected"), CHECKED_AT_HALF)
def test_the_headers_stand_as_in_the_trial_at_half_level(
    what: str, channel: int | None, read: Callable[[Tarn], float], expected: float
) -> None:
    """Within 0.1 %: the plug has a switch before S2 since, and three followers that take a little of the rail."""
    tarn = board(*PLUGGED)
    tarn.set_pin("GP8", high(0.5))
    if channel is not None:
        tarn.mux(channel)
    assert read(tarn) == pytest.approx(expected, rel=1e-3), what


def test_both_loads_pull_the_rail_down_by_nine_millivolts() -> None:
    """The trial's `droop` of 9.355 mV is what the loaded rail lacks of 5 V."""
    tarn = board(*LOADED)
    for pin, state in BOTH.items():
        tarn.set_pin(pin, state)
    assert 5.0 - tarn.volts("V5") == pytest.approx(0.009355, abs=5e-5)


# By the trade's formulas (sum of arms over n, 10k over n in series): the ratio at S1 for the level at 0, half and full.
SPLIT = [
    ("", (0.319, 0.479, 0.639)),
    ("J4.2=bent", (0.0, 0.236, 0.472)),
    ("J4.1=bent", (0.472, 0.708, 0.943)),
    ("J4.3=bent", (0.0, 0.0, 0.0)),
    ("R17=100k", (0.164, 0.246, 0.328)),
]


@pytest.mark.parametrize(("fault", "expected"), SPLIT)
def test_a_fault_at_s1_shows_by_its_three_values(fault: str, expected: tuple[float, float, float]) -> None:
    """The formulas know no leak and no loss in the plug's follower, which ends 12 mV below its supply."""
    tarn = board(*PLUGGED)
    if fault:
        tarn.apply(fault)
    for level, ratio in zip((0.0, 0.5, 1.0), expected, strict=True):
        tarn.set_pin("GP8", high(level))
        assert tarn.ratio("GP27") == pytest.approx(ratio, abs=0.003)


@pytest.mark.parametrize(("fault", "others"), [("J4.2=bent", "S3"), ("R17=100k", "S3"), ("J6.2=bent", "S1")])
def test_a_fault_at_one_header_leaves_the_others_alone(fault: str, others: str) -> None:
    """The plug's level does not depend on the header that is broken."""
    sound, broken = board(*PLUGGED), board(*PLUGGED)
    broken.apply(fault)
    for tarn in (sound, broken):
        tarn.set_pin("GP8", high(0.5))
    assert broken.volts(f"{others}A") == pytest.approx(sound.volts(f"{others}A"), abs=1e-3)


def test_the_status_lamp_takes_about_four_milliamperes() -> None:
    """And nothing when its joint is open, or when the pin is low."""
    tarn = board(*SUPPLIES)
    assert tarn.lamp_current("D6") == pytest.approx(0.0, abs=1e-6)
    tarn.set_pin("GP7", high())
    assert tarn.lamp_current("D6") == pytest.approx(0.004, abs=0.0005)
    tarn.apply("D6=open")
    assert tarn.lamp_current("D6") == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("fault", ["D6=reversed", "D6=short"])
def test_a_lamp_that_is_turned_or_bridged_stays_dark(fault: str) -> None:
    """Less than a hundredth of the current that makes it shine."""
    tarn = board(*SUPPLIES)
    tarn.set_pin("GP7", high())
    tarn.apply(fault)
    assert abs(tarn.lamp_current("D6")) < 4e-5


def test_the_sounder_is_driven_through_its_transistor() -> None:
    """4.9 V over 80 ohm; nothing with the pin low."""
    tarn = board(*SUPPLIES)
    assert tarn.sounder_current("BZ1") == pytest.approx(0.0, abs=1e-6)
    tarn.set_pin("GP5", high())
    assert tarn.sounder_current("BZ1") == pytest.approx(4.8974 / 80.0, rel=1e-3)


def walked(tarn: Tarn) -> list[tuple[str, str, int, int]]:
    """Each digital pin driven high among pull-downs, then low among pull-ups: (driven, read, level, level)."""
    pins = [f"GP{i}" for i in (0, 1, 4, 6, 8, 9, 10, 11, 13, 14, 16, 17, 18)]
    seen = []
    for driven in pins:
        levels = []
        for one, pull in ((high(), "down"), (low(), "up")):
            for pin in pins:
                tarn.set_pin(pin, one if pin == driven else PinState("in", "down" if pull == "down" else "up"))
            levels.append([tarn.level(pin) for pin in pins])
        seen += [(driven, pin, up, down) for pin, up, down in zip(pins, *levels, strict=True)]
    return seen


# GP6 has the key's pull-up, GP9 the servo's pull-down: they stand where these put them. Nothing joins the others.
HELD = {"GP6": 1, "GP9": 0}


@pytest.mark.parametrize("pull_ohm", [50e3, 65e3, 80e3])
def test_a_walk_over_sound_pins_sees_only_the_pin_that_is_driven(pull_ohm: float) -> None:
    """At both ends of what a pull may be (50 k to 80 k by the data sheet)."""
    tarn = board(*SUPPLIES)
    tarn.pull_ohm = pull_ohm
    for driven, pin, up, down in walked(tarn):
        expected = (1, 0) if pin == driven else (HELD.get(pin, 0), HELD.get(pin, 1))
        assert (up, down) == expected, f"{pin} while {driven} is driven"


@pytest.mark.parametrize(("fault", "pair"), [("GP10-GP11=bridge", ("GP10", "GP11")), ("U4.11-U4.10=bridge", ("GP16", "GP17"))])
def test_a_walk_sees_two_pins_that_are_bridged(fault: str, pair: tuple[str, str]) -> None:
    """By net or by pin of the package, and from either side."""
    tarn = board(*SUPPLIES)
    tarn.apply(fault)
    off = {(driven, pin) for driven, pin, up, down in walked(tarn) if driven != pin and pin not in HELD and (up, down) != (0, 1)}
    assert off == {pair, pair[::-1]}
