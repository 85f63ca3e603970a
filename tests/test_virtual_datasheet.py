"""The models of parts against points of their data sheets. Values are second-hand or from memory where it says so.

S3 RP2040 datasheet, pin specifications. S4 UM10204 (I2C-bus specification). S6 RP2040 datasheet, temperature sensor.
S7 pico-adc.markomo.me. S8 MCP1700, DS21826B. S9 L7805 distributor data. S10 LM385B-1.2. S12 L293D, TI SLRS008C and ST.
"""

import math
from collections.abc import Sequence

import numpy as np
import pytest

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.circuit import Circuit, Solution
from benchworthy.virtual.dynamics import Timeline
from benchworthy.virtual.elements import GROUND, Element, resistor, source
from benchworthy.virtual.instruments import Instruments
from benchworthy.virtual.models import PinState
from benchworthy.virtual.modes import Modes, Store
from benchworthy.virtual.readout import Readout
from test_circuit_tarn import LOADED, PARTS, PLUGGED, SUPPLIES, Tarn, board, high, low

STIFF = 1e-4  # ohm of a bench supply


def alone(part: Part, *others: Element) -> Solution:
    """One part of the board with what a bench would connect to it."""
    return Circuit([*models.elements(part, frozenset()), *others]).solve()


def drawing(net: str, ampere: float) -> Element:
    """A load that takes this much from a net, as a large voltage behind a large resistance."""
    return source(net, GROUND, -ampere * 1e9, 1e9)


def supply(net: str, volts: float) -> Element:
    return source(net, GROUND, volts, STIFF)


@pytest.mark.parametrize("milliamperes", [0.1, 100.0, 250.0])
def test_the_small_regulator_holds_two_per_cent_up_to_its_rated_current(milliamperes: float) -> None:
    """S8: +-2 %, 250 mA."""
    at = alone(PARTS["U2"], supply("V5", 5.0), drawing("V33S", milliamperes / 1000))
    assert at["V33S"] == pytest.approx(3.3, rel=0.02)


def test_the_small_regulator_drops_no_more_than_it_may() -> None:
    """S8: 178 mV typical, 350 mV at most at 250 mA (from memory)."""
    at = alone(PARTS["U2"], supply("V5", 3.2), drawing("V33S", 0.25))
    assert 0.15 < 3.2 - at["V33S"] < 0.35


def test_the_small_regulator_limits_a_short() -> None:
    """S8: 408 mA."""
    at = alone(PARTS["U2"], supply("V5", 5.0), resistor("V33S", GROUND, 0.1))
    assert at["V33S"] / 0.1 == pytest.approx(0.408, rel=0.05)


def test_the_small_regulator_takes_microamperes_for_itself() -> None:
    """S8: 1.6 uA typical, 4 uA at most; the model gives 2 uA."""
    assert 1.6e-6 <= PARTS["U2"].model["quiescent"] <= 4e-6


def test_the_large_regulator_keeps_its_tolerance_and_load_regulation() -> None:
    """S9: +-4 %; at most 100 mV from 5 mA to 1.5 A."""
    light, heavy = (alone(PARTS["U1"], supply("VIN", 10.0), drawing("V5", ampere))["V5"] for ampere in (0.005, 1.45))
    assert light == pytest.approx(5.0, rel=0.04)
    assert 0.0 < light - heavy < 0.1


def test_the_large_regulator_drops_two_volts_at_an_ampere() -> None:
    """S9: 2 V typical; the model is a little kinder."""
    at = alone(PARTS["U1"], supply("VIN", 6.0), drawing("V5", 1.0))
    assert 1.6 < 6.0 - at["V5"] <= 2.0


def test_the_reference_stands_within_its_limits_over_the_currents_it_sees() -> None:
    """S10: 1.223 to 1.247 V; the board gives it 0.44 mA."""
    for milliamperes in (0.1, 0.44, 1.0):
        at = alone(PARTS["U3"], drawing("VREF", -milliamperes / 1000))
        assert 1.223 <= at["VREF"] <= 1.247
    assert alone(PARTS["U3"], drawing("VREF", -0.00044))["VREF"] == pytest.approx(1.235, abs=1e-4)


def bridge(ampere: float, state: int) -> float:
    """What the first half of the driver loses at a current: from its supply when high (2), over its ground when low (1)."""
    part = PARTS["U6"]
    elements = [*models.elements(part, frozenset()), *models.bridge_halves(part, (state, 0, 0, 0))]
    load = drawing("OUT1", ampere if state == 2 else -ampere)
    at = Circuit([*elements, supply("VMOT", 5.0), supply("V5", 5.0), supply("MGND", 0.0), load]).solve()
    return 5.0 - at["OUT1"] if state == 2 else at["OUT1"]


def test_the_driver_loses_what_its_data_sheet_says_at_its_rated_current() -> None:
    """S12 at 0.6 A: VOH 1.4 V below the supply, VOL 1.2 V typical, 1.8 V each at most. The model has one figure for both."""
    over, under = bridge(0.6, 2), bridge(0.6, 1)
    assert max(over, under) <= 1.8
    assert (over + under) / 2 == pytest.approx((1.4 + 1.2) / 2, abs=0.05)


def test_the_driver_draws_what_its_data_sheet_says() -> None:
    """S12: ICC1 8 mA typical, 24 mA at most while off; with one port on between the typical figures and their limits."""
    ohm = 0.5
    tarn = board(*LOADED)
    assert 0.008 <= tarn.volts("MGND") / ohm <= 0.024
    tarn.set_pin("GP12", high())
    assert 0.013 <= tarn.volts("MGND") / ohm <= 0.060


def test_the_drivers_threshold_lies_between_its_input_limits() -> None:
    """S12: low up to 1.5 V, high from 2.3 V; a pin gives at least 2.62 V at its rated current (S3), less 0.3 V of lift."""
    assert 1.5 <= PARTS["U6"].model["vih"] <= 2.3


def test_a_pin_gives_and_takes_its_rated_current() -> None:
    """S3: VOH at least 2.62 V, VOL at most 0.5 V at 4 mA."""
    m = PARTS["U5"].model
    assert 3.3 - 0.004 * m["high"] >= 2.62
    assert 0.004 * m["low"] <= 0.5


def test_pulls_and_thresholds_are_those_of_the_chip() -> None:
    """S3: pulls 50 to 80 kohm; VIL 0.8 V, VIH 2.0 V (from memory), hysteresis 0.2 V at least."""
    m = PARTS["U5"].model
    assert 50e3 <= m["pull"] <= 80e3
    assert 0.8 <= m["vil"] <= m["vih"] - 0.2 <= 2.0


def test_the_multiplexer_leaks_what_its_maker_allows() -> None:
    """74HC4051 (Nexperia): 0.1 to 0.4 uA while off. On the 100 kohm of S3 that is 0.3 to 1.2 % of full scale."""
    tarn = board(*SUPPLIES)
    tarn.mux(2)
    assert 0.0025 <= tarn.ratio("GP26") <= 0.012


def test_a_line_rises_from_30_to_70_per_cent_in_0_8473_time_constants() -> None:
    """S4, as used for the longest pull-up: Rp = tr / (0.8473 Cb)."""
    circuit = Circuit([source("V", GROUND, 3.3, STIFF), resistor("V", "A", 4700.0)])
    at = circuit.solve()
    modes = Modes(circuit.slopes(at), at.index, [Store("A", GROUND, 1e-9)])
    amplitudes = modes.split(np.array([-at["A"]]))
    times = np.linspace(0.0, 2e-5, 200001)
    course = at["A"] + modes.at("A") @ modes.joined(amplitudes[:, None] * np.exp(-modes.rates[:, None] * times))
    crossings = [times[int(np.argmax(course > share * at["A"]))] for share in (0.3, 0.7)]
    assert crossings[1] - crossings[0] == pytest.approx(0.8473 * 4.7e-6, rel=1e-3)


def instruments(tarn: Tarn, seed: int | None = None) -> Instruments:
    return Instruments(tarn, Timeline(tarn), seed)


def test_a_bus_line_with_the_plugs_nanofarad_rises_by_its_pull_up() -> None:
    """t = R C ln(V / (V - Vth)) with 4.7k + 100 ohm, 1 nF and the input's threshold."""
    tarn = board(*PLUGGED)
    for pin in ("GP2", "GP3"):
        tarn.set_pin(pin, PinState())
    threshold, volts = PARTS["U5"].model["vih"], tarn.volts("SDA")
    # the line itself stands a little above the capacitor while it charges: 100 of 4800 ohm lie between
    begins = volts * 100.0 / 4800.0
    expected = 4800.0 * 1e-9 * math.log((volts - begins) / (volts - threshold)) * 1e9
    assert instruments(tarn).rise_ns("GP2") == pytest.approx(expected, rel=0.02)


def test_the_die_sensor_follows_its_formula() -> None:
    """S6: 0.706 V at 27 degC, 1.721 mV less per degree."""
    tarn = board(*SUPPLIES)
    code = float(instruments(tarn).die_code(np.array([0]))[0])
    volts = code / 4096.0 * tarn.rail()
    assert 27.0 - (volts - 0.706) / 0.001721 == pytest.approx(30.0, abs=0.01)


def test_the_converters_noise_lies_where_others_measured_it() -> None:
    """S7: 0.97 to 1.36 codes."""
    assert 0.97 <= float(np.std(Readout(3).errors(np.full(4000, 2000.0), 0))) <= 1.36


def settled(tarn: Tarn, timeline: Timeline, pins: Sequence[tuple[str, PinState]], t_us: int) -> None:
    for pin, state in pins:
        timeline.set(pin, state, t_us)


@pytest.mark.parametrize(
    ("net", "pin", "seconds"),
    [("DACF", "GP8", 0.1), ("ISENSE", "GP12", 0.001)],
)
def test_a_filter_runs_with_its_time_constant(net: str, pin: str, seconds: float) -> None:
    """10k and 10 uF of the plug's level, 1k and 1 uF of the current reading: 63 % after R C."""
    tarn = board(*PLUGGED)
    timeline = Timeline(tarn)
    settled(tarn, timeline, [("GP8", low()), ("GP10", high()), ("GP12", low())], 0)
    start = timeline.volts(net, 1_000_000)
    timeline.set(pin, high(), 1_000_000)
    end = timeline.volts(net, 1_000_000 + round(40e6 * seconds))
    after = timeline.volts(net, 1_000_000 + round(1e6 * seconds))
    assert (after - start) / (end - start) == pytest.approx(1.0 - math.exp(-1.0), abs=0.01)


def test_a_slow_pulse_width_gives_its_mean_and_its_ripple() -> None:
    """1 kHz on the enable behind 1k and 1 uF: mean of the step by the duty, ripple by the exponential between the edges."""
    tarn = board(*LOADED)
    timeline = Timeline(tarn)
    settled(tarn, timeline, [("GP10", high()), ("GP12", low())], 0)
    off = timeline.volts("ISENSE", 100_000)
    timeline.set("GP12", high(), 100_000)
    on = timeline.volts("ISENSE", 200_000)
    timeline.set("GP12", high(0.5), 200_000, 1000.0)
    times = 300_000 + np.arange(0, 2000, 1)
    course = timeline.burst("ISENSE", times)
    assert float(np.mean(course)) == pytest.approx((on + off) / 2, rel=1e-3)
    # periodic state of a first-order filter: from a/(1+a) to 1/(1+a) of the step, a = exp(-T/2/RC)
    a = math.exp(-0.5e-3 / 1.0005e-3)
    assert float(np.ptp(course)) == pytest.approx((on - off) * (1.0 - a) / (1.0 + a), rel=0.01)


def test_what_is_asked_does_not_change_what_is_answered() -> None:
    """A voltage at a moment is the same whatever was asked before."""
    courses = []
    for early in (False, True):
        tarn = board(*PLUGGED)
        timeline = Timeline(tarn)
        settled(tarn, timeline, [("GP8", low()), ("GP12", low())], 0)
        if early:
            timeline.burst("S1A", np.array([10, 20, 400_000]))
        timeline.set("GP8", high(0.5), 500_000, 20_000.0)
        if early:
            timeline.volts("DACF", 530_000)
        timeline.set("GP7", high(), 540_000)
        courses.append(timeline.burst("S1A", np.array([540_010, 600_000])).tolist())
    assert courses[0] == courses[1]
