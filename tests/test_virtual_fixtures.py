"""The fixtures and hands of the virtual board: the plug's switch and memory, the rig, a meter, keys, and a port nobody reads."""

import math
import time
import zlib
from pathlib import Path

import pytest

from benchworthy.virtual import bus, unpowered, watching
from benchworthy.virtual.keys import Keys
from benchworthy.virtual.link import SerialPort
from benchworthy.virtual.models import PinState
from benchworthy.virtual.perception import Glimpse, driven_by
from services.virtual_table import PLUG, table
from test_circuit_tarn import FIXTURES, PARTS, PLUGGED, SUPPLIES, board, high, low

RIG = (*SUPPLIES, "TP-4", "M-1")


@pytest.mark.parametrize(
    ("zero", "one", "expected"),
    [
        (low(), low(), 0.472),  # the header's arms, 5k from half the rail
        (high(), low(), 4.986 / 4 / 3.297 * 100 / 101),  # the servo supply under its 50 mA
        (low(), high(), 0.0),  # the motor, which does not turn
        (PinState(), PinState(), 0.472),  # nobody drives: the arms
    ],
)
def test_the_plugs_switch_brings_to_s2_what_its_two_lines_say(zero: PinState, one: PinState, expected: float) -> None:
    """GP0 is the low bit."""
    tarn = board(*PLUGGED)
    tarn.set_pin("GP0", zero)
    tarn.set_pin("GP1", one)
    assert tarn.ratio("GP28") == pytest.approx(expected, abs=0.003)


def test_the_plugs_memory_holds_serial_date_values_and_a_crc(tmp_path: Path) -> None:
    """256 bytes: 16 of serial number, a date, the measured arms, CRC-32 over all that in the last four."""
    with table(tmp_path, 3) as on_table:
        on_table.person.fit("TP-4")
        code = (
            "import machine\nb = machine.I2C(1, scl=machine.Pin(3), sda=machine.Pin(2), freq=100000)\n"
            "print(b''.join([b.readfrom_mem(0x57, at, 64) for at in range(0, 256, 64)]).hex())"
        )
        octets = bytes.fromhex(on_table.wire.exec(code).decode().strip())
    assert len(octets) == 256
    assert octets[:16].rstrip(b"\xff").decode() == PLUG
    assert octets[16:26].decode() == bus.CHECKED_ON
    assert zlib.crc32(octets[:252]) == int.from_bytes(octets[252:], "big")
    values = dict(pair.split("=") for pair in octets[26:252].rstrip(b"\xff").decode().split())
    drawn = {part.ref.rpartition(":")[2]: part for part in board(seed=3).plug_parts()}
    assert {"PR1", "PR9", "PR18"} <= set(values)
    assert all(float(value) == pytest.approx(drawn[ref].value, abs=0.06) for ref, value in values.items())


@pytest.mark.parametrize(("position", "ampere"), [("loads", 0.135), ("motor", 0.04), ("held", 0.38)])
def test_the_rigs_switch_puts_load_motor_or_held_motor_on_the_port(position: str, ampere: float) -> None:
    """Load 22 ohm, motor running free, motor at its stop."""
    tarn = board(*RIG)
    tarn.turn("M-1", position)
    for pin in ("GP10", "GP12"):
        tarn.set_pin(pin, high())
    base = board(*RIG)
    base.turn("M-1", position)
    base.set_pin("GP12", high())
    assert (tarn.volts("MGND") - base.volts("MGND")) / 0.5 == pytest.approx(ampere, rel=0.2)


def test_a_switch_turns_only_to_where_it_can() -> None:
    """And only where there is one."""
    tarn = board(*RIG)
    with pytest.raises(ValueError, match="loads, motor, held"):
        tarn.turn("M-1", "up")
    with pytest.raises(ValueError, match="no switch"):
        tarn.turn("TP-4", "motor")


def test_a_meter_on_a_board_without_supply_finds_bridges_and_diodes() -> None:
    """Ohm's law for what is there, almost nothing for a bridge, over-range for an open joint."""
    parts = board().parts_now()
    assert unpowered.ohms(parts, "VREF", "V33M") == pytest.approx(4700, rel=0.01)
    assert unpowered.ohms(parts, "S1H", "GND") == pytest.approx(101_000, rel=0.01)
    assert unpowered.ohms(parts, "VBAT", "GND") == math.inf
    bridged = board()
    bridged.apply("U2.1-U2.3=bridge")
    assert unpowered.ohms(bridged.parts_now(), "V33S", "GND") < 5
    forward, reverse = unpowered.diode(parts, "D1")
    assert 0.10 <= forward <= 0.45 and reverse == math.inf
    turned = board()
    turned.apply("D4=reversed")
    assert unpowered.diode(turned.parts_now(), "D4")[0] > 0.1
    with pytest.raises(ValueError, match="no net"):
        unpowered.ohms(parts, "NIX", "GND")
    with pytest.raises(ValueError, match="two pins"):
        unpowered.diode(parts, "U4")


def test_which_pins_a_lamp_or_a_sounder_hangs_on_follows_from_the_circuit() -> None:
    """The red lamp and the sounder; the rail lamps hang on no pin."""
    parts = list(PARTS.values())
    assert [driven_by(parts, ref) for ref in ("D6", "BZ1", "D2")] == [{"GP7"}, {"GP5"}, frozenset()]


def test_a_key_bounces_as_it_is_worn() -> None:
    """Over two thousand presses: 1.2 ms (spread 0.5) for a sound key, 14 ms (6) for a worn one, which misses 6 %."""
    lengths = {}
    for worn in (0.0, 1.0):
        key = PARTS["SW1"].__class__("SW1", "switch", None, 0.0, ("BTN", "GND"), model={"worn": worn})
        keys, made = Keys([key], 7), []
        for press in range(2000):
            at = press * 1_000_000
            keys.move("SW1", True, at)
            made.append([edge[0] - at for edge in keys.edges(at - 1, at + 500_000)])
            keys.move("SW1", False, at + 500_000)
        lengths[worn] = [edges[-1] / 1000 for edges in made if edges]
    assert len(lengths[0.0]) == 2000 and 1850 <= len(lengths[1.0]) <= 1910
    assert sum(lengths[0.0]) / 2000 == pytest.approx(1.2, abs=0.05)
    assert sum(lengths[1.0]) / len(lengths[1.0]) == pytest.approx(14.0, abs=0.6)


def test_a_key_that_is_let_go_is_open_in_the_end() -> None:
    """However it bounced."""
    keys = Keys([PARTS["SW1"]], 1)
    for press in range(20):
        keys.move("SW1", True, press * 100_000)
        assert keys.pressed(press * 100_000 + 40_000) == {"SW1"}
        keys.move("SW1", False, press * 100_000 + 50_000)
        assert keys.pressed(press * 100_000 + 90_000) == frozenset()
    with pytest.raises(ValueError, match="no key"):
        keys.move("R1", True, 0)


def tones(*notes: tuple[float, float]) -> list[Glimpse]:
    """What is heard of (hertz, ms) one after the other, ending in silence."""
    seen, at = [], 0.0
    for hertz, ms in (*notes, (0.0, 0.0)):
        seen.append(Glimpse(at, sounder_ma=60.0 if hertz else 0.0, sounder_hz=hertz))
        at += ms
    return seen


def test_a_tune_without_a_name_is_unclear() -> None:
    """And none is silence."""
    assert watching.pattern(tones((1000.0, 200.0))) == watching.UNCLEAR
    assert watching.pattern([Glimpse(0.0)]) == "silence"
    assert watching.pattern(tones((400.0, 400.0), (0.0, 100.0), (400.0, 400.0))) == "long-long"
    assert (
        watching.pattern(tones((2000.0, 400.0), (0.0, 100.0), (2000.0, 400.0), (0.0, 100.0), (2000.0, 400.0))) == watching.UNCLEAR
    )


def test_a_port_that_nobody_reads_does_not_hold_up_the_board(tmp_path: Path) -> None:
    """What it says is lost after a moment, as with a USB port."""
    port = SerialPort(tmp_path, "e661000000000000")
    port.plug()
    start = time.monotonic()
    for _ in range(50):
        port.write(b"x" * 100_000)
    assert time.monotonic() - start < 8
    port.unplug()
    port.write(b"lost")
    assert port.read(0.01) == b""


def test_every_fixture_of_the_sheet_can_be_plugged_in_alone_and_together() -> None:
    """With a steady state in each case."""
    for plugs in ([name] for name in FIXTURES):
        assert board(*SUPPLIES, *plugs).volts("V33S") == pytest.approx(3.3, abs=0.01)
    assert board(*SUPPLIES, *FIXTURES).volts("V33S") == pytest.approx(3.3, abs=0.01)
