"""A virtual board's life: power, USB, resets, interrupts, and what its pins do when a program ends."""

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from benchworthy.errors import BoardSilent
from benchworthy.virtual.board import VirtualBoard
from services.micropython import interpreter
from services.virtual_table import MODULE, SERIAL, SHEET, table

pytestmark = pytest.mark.real_time


def test_every_start_is_counted(tmp_path: Path) -> None:
    """main.py counts it in the flash, and a board can be switched off and on again."""
    interpreter()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path)
    for boot in (1, 2, 3):
        board.start()
        assert json.loads((tmp_path / "state.json").read_text()) == {"serial": SERIAL, "epoch": 1, "boot": boot, "key": ""}
        board.stop()
    board.close()


def test_a_module_without_supply_stays_silent(tmp_path: Path) -> None:
    """Nothing runs where nothing is plugged in."""
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path)
    board.hands.detach("usb")
    interpreter()
    with pytest.raises(BoardSilent, match="cannot run"):
        board.start()
    board.close()


def test_a_broken_state_file_does_not_keep_the_board_from_starting(tmp_path: Path) -> None:
    """The prompt comes all the same, and the enables are low."""
    interpreter()
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path)
    board.prepare()
    (tmp_path / "state.json").write_text("{")
    (tmp_path / "lib/benchworthy_agent/state.py").write_text("broken(")
    with board:
        assert board.hands.meter("ENA") == pytest.approx(0, abs=0.01)
        assert board.hands.meter("ENB") == pytest.approx(0, abs=0.01)


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[VirtualBoard]:
    """A board whose main.py does nothing, on jack and USB, with a folder of ports."""
    interpreter()
    (tmp_path / "flash").mkdir()
    (tmp_path / "flash/main.py").write_text("print('started')\n")
    board = VirtualBoard(
        SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path / "flash", ports_dir=tmp_path / "ports"
    )
    board.hands.attach("jack")
    with board:
        yield board


def wired(board: VirtualBoard, soft_reset: bool = False) -> SerialTransport:
    """A raw REPL on the board's present port."""
    wire = SerialTransport(board.port, timeout=2)
    for turn in (1, 2):
        try:
            wire.enter_raw_repl(soft_reset=soft_reset)
            wire.exec("pass")
            return wire
        except TransportError:  # on a busy computer a prompt may still be on its way; the bench asks twice too
            if turn == 2:
                raise
    raise AssertionError


def until(true: object, seconds: float = 10.0) -> bool:
    """Whether it comes true in time."""
    deadline = time.monotonic() + seconds
    while not true():  # type: ignore[operator]
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


def test_ctrl_c_interrupts_running_code_and_leaves_the_prompt(bare: VirtualBoard) -> None:
    """Whether it came by raw paste or was typed; at the prompt the same octet does nothing."""
    wire = wired(bare)
    for paste in (True, False):
        wire.use_raw_paste = paste
        wire.exec_raw_no_follow("while True:\n    pass\n")
        time.sleep(0.1)
        wire.serial.write(b"\r\x03")
        assert b"KeyboardInterrupt" in wire.follow(5)[1]
        wire.serial.write(b"\x03\x03")
        assert wire.exec("print(6 * 7)") == b"42\n"
    wire.close()


def test_a_ctrl_c_in_the_middle_of_a_reading_leaves_the_pins_usable(bare: VirtualBoard) -> None:
    """The answer that nobody took is thrown away."""
    wire = wired(bare)
    wire.exec("import machine\na = machine.ADC(machine.Pin(27))\np = machine.Pin(6)")
    for _ in range(5):
        wire.exec_raw_no_follow("while True:\n    a.read_u16()\n    p.value()\n")
        time.sleep(0.05)
        wire.serial.write(b"\x03")
        assert b"KeyboardInterrupt" in wire.follow(5)[1]
    assert wire.exec("print(p.value(), machine.unique_id().hex())") == f"1 {MODULE}\n".encode()
    wire.close()


def test_a_soft_reset_starts_the_program_anew(bare: VirtualBoard) -> None:
    """Out of the raw REPL without main.py, and the host finds itself in the raw REPL again, as on hardware."""
    wire = wired(bare)
    wire.exec("kept = 1")
    wire.enter_raw_repl(soft_reset=True)
    assert wire.exec("print('kept' in globals())") == b"False\n"
    wire.close()


def test_machine_reset_starts_the_module_anew(bare: VirtualBoard) -> None:
    """With main.py; the port stays."""
    wire = wired(bare)
    wire.exec_raw_no_follow("import machine\nmachine.reset()\n")
    wire.read_until(1, b">>> ", timeout=5)
    wire.enter_raw_repl(soft_reset=False)
    assert wire.exec("print('machine' in globals())") == b"False\n"
    wire.close()


def test_unplugging_usb_takes_the_port_and_leaves_the_program_on_the_jack(bare: VirtualBoard, tmp_path: Path) -> None:
    """The link goes and comes with the port, the memory stays."""
    link = tmp_path / "ports" / MODULE
    assert str(link.readlink()) == bare.port
    wire = wired(bare)
    wire.exec("kept = 7")
    bare.hands.detach("usb")
    assert (bare.port, link.is_symlink()) == ("", False)
    with pytest.raises(OSError):
        wire.exec("print(kept)")
    wire.serial.close()
    bare.hands.attach("usb")
    assert str(link.readlink()) == bare.port
    wire = wired(bare)
    assert wire.exec("print(kept)") == b"7\n"
    wire.close()


def test_without_jack_and_usb_the_module_forgets_and_starts_again(bare: VirtualBoard) -> None:
    """As after any loss of power."""
    wire = wired(bare)
    wire.exec("kept = 7")
    wire.close()
    first = bare._pump
    bare.hands.detach("jack")
    bare.hands.detach("usb")
    assert until(lambda: bare._process is None)
    bare.hands.attach("usb")
    assert until(lambda: bare._pump is not None and bare._pump is not first and bare._pump.prompted)
    wire = wired(bare)
    assert wire.exec("print('kept' in globals())") == b"False\n"
    wire.close()


def test_when_the_interpreter_dies_its_pins_are_inputs_with_pull_downs(bare: VirtualBoard) -> None:
    """So an enable that was high is low."""
    wire = wired(bare)
    wire.exec("import machine\nmachine.Pin(12, machine.Pin.OUT, value=1)\nmachine.Pin(12).value()")
    assert bare.hands.meter("ENA") > 3.0
    bare._process.kill()
    assert until(lambda: bare.hands.meter("ENA") < 0.01)
    wire.close()


def test_a_module_whose_rail_breaks_down_stops(bare: VirtualBoard) -> None:
    """A drop of solder across it; the port is still there, and nobody answers."""
    bare.inject("V33M-GND=bridge")
    assert until(lambda: bare._process is None)
    assert bare.port and bare.fault is None


def test_a_pin_that_pulls_the_rail_down_stops_the_module(bare: VirtualBoard) -> None:
    """A brown-out in the middle of a program: its process ends as at a loss of power, and the pins are inputs."""
    bare.inject("R12=0.4")
    bare.inject("GP7-GND=bridge")
    wire = wired(bare)
    wire.exec_raw_no_follow("import machine\nmachine.Pin(7, machine.Pin.OUT, value=1)\nmachine.Pin(7).value()\n")
    assert until(lambda: bare._process is None)
    wire.close()
    assert bare.browned_out
    assert bare.hands.meter("GP7") < 0.01


def test_a_reading_without_an_answer_is_an_error_of_its_own(tmp_path: Path) -> None:
    """A board that oscillates: the test that sees it is an error, the next is measured."""
    with table(tmp_path, None, "OUT2-ENA=bridge") as swinging:
        swinging.person.fit("L-2")
        assert "error" in swinging.measure("OUT-I1")["OUT-I1"]
        assert "steps" in swinging.measure("KEY-IDLE")["KEY-IDLE"]
        assert any("oscillates" in text for text in swinging.board.unsolved)


def test_a_regulator_that_is_bridged_endangers_what_hangs_on_its_rail(bare: VirtualBoard) -> None:
    """8.6 V where 5 V belongs: said, and not acted out."""
    assert bare.endangered == ()
    bare.inject("U1.1-U1.3=bridge")
    assert any(text.startswith("U2.2 V5 at 8.") for text in bare.endangered)


def test_a_timer_ends_what_the_program_began(bare: VirtualBoard) -> None:
    """It comes in while the program sleeps, at its own moment of virtual time."""
    wire = wired(bare)
    code = """
import machine, time
p = machine.Pin(12, machine.Pin.OUT, value=1)
t = machine.Timer(-1)
t.init(mode=machine.Timer.ONE_SHOT, period=300, callback=lambda _: p.init(machine.Pin.OUT, value=0))
time.sleep_ms(5000)
print(p.value())
"""
    assert wire.exec(code) == b"0\n"
    wire.close()
    (rise, fall) = [entry for entry in bare.pins_log if entry[1] == "GP12" and entry[2] >= 0.0][-2:]
    assert (rise[2], fall[2]) == (1.0, 0.0)
    assert fall[0] - rise[0] == pytest.approx(300, abs=0.1)


def test_the_boards_clock_is_off_by_its_crystal(bare: VirtualBoard) -> None:
    """200 parts in a million over thirty seconds are six milliseconds."""
    bare.stop()
    bare.inject("Y1=+200ppm")
    bare.start()
    wire = wired(bare)
    code = """
import time
a, w = time.ticks_us(), time.world_us()
time.sleep(30)
print(time.ticks_diff(time.ticks_us(), a) - time.world_us() + w)
"""
    assert int(wire.exec(code)) == pytest.approx(6000, abs=10)
    wire.close()


def test_the_date_can_be_set_and_runs_with_virtual_time(bare: VirtualBoard) -> None:
    """By the module's own clock, as a board without a bench does after asking a time server."""
    wire = wired(bare)
    code = """
import machine, time
machine.RTC().datetime((2026, 11, 25, 2, 15, 0, 0, 0))
time.sleep(90)
print(time.gmtime()[:6], machine.RTC().datetime()[:7])
"""
    assert wire.exec(code) == b"(2026, 11, 25, 15, 1, 30) (2026, 11, 25, 2, 15, 1, 30)\n"
    wire.close()


def test_a_heap_can_be_as_small_as_a_boards(tmp_path: Path) -> None:
    """So that a program which needs more fails here as it would there."""
    interpreter()
    (tmp_path / "main.py").write_text("")
    board = VirtualBoard(SHEET.parts, SHEET.conditions, SHEET.fixtures, None, MODULE, SERIAL, tmp_path, heap_kib=64)
    with board:
        wire = wired(board)
        assert int(wire.exec("import gc; gc.collect(); print(gc.mem_free() + gc.mem_alloc())")) < 64 * 1024
        with pytest.raises(TransportExecError):
            wire.exec("bytearray(70000)")
        wire.close()


def test_a_key_press_comes_in_as_interrupts_with_bounce(bare: VirtualBoard) -> None:
    """Each at its own time; the bounce of a sound key is below five milliseconds."""
    bare.hands.plan_presses(3)
    wire = wired(bare)
    code = """
import json, machine, time
seen = []
k = machine.Pin(6, machine.Pin.IN)
k.irq(lambda p: seen.append((time.ticks_ms(), p.value())))
machine.Pin(7, machine.Pin.OUT, value=1)
time.sleep(4)
k.irq(None)
print(json.dumps(seen))
"""
    moves: list[list[list[int]]] = []
    for edge in json.loads(wire.exec(code)):
        if not moves or edge[0] - moves[-1][-1][0] > 30:
            moves.append([])
        moves[-1].append(edge)
    wire.close()
    assert [edges[-1][1] for edges in moves] == [0, 1] * 3
    assert max(edges[-1][0] - edges[0][0] for edges in moves) <= 5


def test_a_bench_that_falls_silent_lets_no_enable_stay_high(tmp_path: Path) -> None:
    """No answer to the first question: nothing is driven. No answer to a later one: low within half a second."""
    with table(tmp_path) as silent:
        silent.person.fit("L-2")
        silent.answers = False
        readings = silent.measure("OUT-I1")
        assert readings["OUT-I1"] == {"test": "OUT-I1", "error": "bench fell silent"}
        driven = [entry for entry in silent.board.pins_log if entry[1] in ("GP12", "GP15") and entry[2] > 0.0]
        assert driven == []
