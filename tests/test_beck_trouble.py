"""What goes wrong at a bench-driven board, each bounded in time, told apart, and with what to do."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing

import pytest

from benchworthy.bench import snippets
from benchworthy.bench.snippets import shows, wire
from benchworthy.bench.transport import BoardLink
from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.errors import BenchFailure, BoardFaulted, BoardGarbled, BoardLost, BoardSilent, NotMicroPython, PortAbsent
from services import emulated_table as people
from services.emulated_board import EmulatedBoard, emulated, missing
from services.proxy import bad_wire

pytestmark = [pytest.mark.real_time, pytest.mark.skipif(missing() is not None, reason=f"{missing()} is not installed")]

PLAN = plan_for(catalogue.find("beck-a"), "full").text.splitlines()
PORTS = json.loads(PLAN[0])["ports"]
LINES = {json.loads(line)["id"]: line for line in PLAN[1:]}
SHORT_S = {"silence_s": 3.0, "enter_s": 1.0}


@pytest.fixture(scope="module")
def one_board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[EmulatedBoard]:
    """One emulated board for this file."""
    with emulated(tmp_path_factory.mktemp("e")) as made:
        yield made


@pytest.fixture
def board(one_board: EmulatedBoard) -> EmulatedBoard:
    """A Beck that is up and well: these tests leave it stuck or dead."""
    if not one_board.powered:
        one_board.plug_in()
    with people.link_to(one_board):
        return one_board


def test_lost_bytes_are_noticed_and_sent_again(board: EmulatedBoard) -> None:
    """One byte in 1,000 vanishes, ten times as many as the emulated line loses by itself, and every reading is right."""
    with bad_wire(board.number, seed=4) as line, BoardLink(line.port, **SHORT_S) as link:
        line.lose = 1 / 1000
        readings = [snippets.reading(link, LINES[name], PORTS) for name in ("KEY-IDLE", "GPIO-WALK", "I2C-SCAN") * 2]
    assert line.lost >= 2
    assert [reading["steps"][0][4] for reading in readings] == [1, 1023 - 64, 112] * 2


def test_a_wire_that_damages_everything_is_told_in_seconds(board: EmulatedBoard) -> None:
    """One byte in twelve: no piece arrives whole."""
    with bad_wire(board.number) as line, BoardLink(line.port, silence_s=1.0, enter_s=1.5) as link:
        line.lose = 1 / 12
        fault = _bounded(60.0, lambda: snippets.reading(link, LINES["KEY-IDLE"], PORTS))
    assert isinstance(fault, BoardGarbled | BoardSilent)
    assert fault.code in ("board-garbled", "board-silent", "not-micropython") and fault.advice


def test_damage_alone_is_board_garbled() -> None:
    """Whatever arrives is refused by the board: six tries, then the wire is named as the cause."""

    class Damaging:
        port = "/dev/ttyFAKE0"
        tries = 0

        def call(self, code: str, timeout_s: float, on_line: object = None) -> list[str]:
            if "garbled" in code:
                self.tries += 1
                raise BoardFaulted("raised", traceback="ValueError: garbled")
            return []

        def reply(self, text: str) -> None: ...

    link = Damaging()
    with pytest.raises(BoardGarbled) as fault:
        wire.ask(link, "O([1])", 1.0)
    assert (fault.value.code, link.tries) == ("board-garbled", wire.TRIES) and "cable" in fault.value.advice


def test_silence_while_the_helpers_go_over_again_is_forgiven_once() -> None:
    """The helpers were missing, and the mark that ends one of their parts is lost on the way: the next try brings both."""

    class Forgetful:
        port = "/dev/ttyFAKE0"

        def __init__(self, silences: int) -> None:
            self.silences, self.helped = silences, False

        def call(self, code: str, timeout_s: float, on_line: object = None) -> list[str]:
            if code.endswith("R(_t)\n"):
                if not self.helped:
                    raise BoardFaulted("raised", traceback="NameError: name 'R' is not defined")
                return [f"=BS= 1 2 2 {wire.check([1, 2])}", "=BE= 1"]
            if "def R(t)" in code and self.silences:
                self.silences -= 1
                raise BoardSilent("It did not finish what it was told to do", port=self.port)
            self.helped = self.helped or "exec(t" in code or "def R(t)" in code
            return []

        def reply(self, text: str) -> None: ...

    assert wire.ask(Forgetful(1), "O([1])", 1.0) == [[1, 2]]
    with pytest.raises(BoardSilent):
        wire.ask(Forgetful(2), "O([1])", 1.0)


def test_a_board_that_dies_in_the_middle_is_lost(board: EmulatedBoard) -> None:
    """Its supply goes while a test runs; told at once, and the port is absent afterwards."""
    with (
        people.serial_link(board.port, **SHORT_S) as link,
        closing(link._plain._socket),
    ):  # pyserial forgets a socket that is lost
        dying = threading.Timer(1.0, board.pull_out)
        dying.start()
        fault = _bounded(5.0, lambda: snippets.reading(link, LINES["KEY-PRESS"], PORTS))
        dying.join()
    assert isinstance(fault, BoardLost) and (fault.code, "cable" in fault.advice) == ("board-lost", True)
    again = _bounded(5.0, lambda: BoardLink(board.port).__enter__())
    assert isinstance(again, PortAbsent) and again.code == "port-absent"


def test_a_loop_that_swallows_ctrl_c_is_silent(board: EmulatedBoard) -> None:
    """The raw REPL cannot be reached any more; a person has to press reset."""
    with people.serial_link(board.port, **SHORT_S) as link:
        loop = "import time\nwhile 1:\n try:\n  while 1:time.sleep_ms(9)\n except BaseException:pass\n"
        with pytest.raises(BoardSilent):
            link.call(loop, 1.0)
        fault = _bounded(12.0, lambda: snippets.reading(link, LINES["KEY-IDLE"], PORTS))
    board.pull_out()
    assert isinstance(fault, BoardSilent) and (fault.code, "reset" in fault.advice) == ("board-silent", True)


def test_a_test_that_hangs_ends_and_the_next_one_runs(board: EmulatedBoard) -> None:
    """A loop that Ctrl-C does reach costs its own time only; the error is that test's."""
    with people.serial_link(board.port, silence_s=1.0, enter_s=1.5) as link:
        link.call("import beck as B\ndef f(p):\n while 1:pass\nB.code=f", 5.0)
        fault = _bounded(10.0, lambda: snippets.reading(link, LINES["PWR-V33S"], PORTS))
        assert isinstance(fault, BoardSilent) and fault.code == "board-silent"
        assert snippets.reading(link, LINES["KEY-IDLE"], PORTS)["steps"][0][4] == 1
    board.pull_out()


def test_something_else_at_the_port_is_not_micropython(board: EmulatedBoard) -> None:
    """Garbage for every byte sent."""
    with bad_wire(board.number) as line:
        line.nonsense = b"\x9f\x00?q\r\n"
        fault = _bounded(20.0, lambda: BoardLink(line.port, **SHORT_S).__enter__())
    assert isinstance(fault, NotMicroPython) and fault.code == "not-micropython" and fault.advice


def test_garbage_in_the_middle_of_an_answer_is_asked_for_again() -> None:
    """Noise between, a line cut short, a wrong count: the answer is not believed."""
    good = [f"=BS= 1 2 3 3 {wire.check([1, 2, 3])}", "=BE= 1"]
    bad = [
        ["noise", "=BS= 1 2 3 3 9", "=BE= 1"],
        ["=BS= 1 2 3", "=BE= 1"],
        ["=BS= 1 x 2 5", "=BE= 1"],
        [good[0], "=BE= 2"],
        [good[0]],
    ]

    class Noisy:
        port = "/dev/ttyFAKE0"

        def __init__(self, answers: list[list[str]]) -> None:
            self.answers = answers

        def call(self, code: str, timeout_s: float, on_line: object = None) -> list[str]:
            return self.answers.pop(0) if code.endswith("R(_t)\n") else []

        def reply(self, text: str) -> None: ...

    for answer in bad:
        assert wire.ask(Noisy([answer, ["boot noise", *good]]), "O([1,2,3])", 1.0) == [[1, 2, 3]]


def test_a_drive_ends_by_itself_when_the_bench_is_gone(board: EmulatedBoard) -> None:
    """The link is cut in the middle of a turn of 400 ms; from outside the output is seen high, then low."""
    with people.link_to(board) as link:
        wire.ask(link, "O([1])", 5.0)
        run = wire.put(link, shows.turn(PORTS, "m1", ["forward"], 400, None), "R")
        link._transport.serial.write(run.encode() + b"\x04")  # told, and nobody waits for the answer
        _until(lambda: board.driven() >> people.M1 & 1 == 1, 2.0)
        link._plain.close()
    _until(lambda: board.driven() >> people.M1 & 1 == 0, 1.5)


def test_a_reset_on_the_way_is_noticed(board: EmulatedBoard) -> None:
    """The mark in RAM is gone, whether or not the firmware's module still answers."""
    with people.link_to(board) as link:
        snippets.begin(link)
        assert snippets.reading(link, LINES["MCU-RST"], PORTS)["steps"] == [[1, 0, 0, 0, 0]]
    board.pull_out()
    board.plug_in()
    with people.serial_link(board.port) as link:
        assert snippets.reading(link, LINES["MCU-RST"], PORTS)["steps"] == [[1, 1, 1, 1, 1]]


def test_a_controller_without_the_firmware_says_so(one_board: EmulatedBoard) -> None:
    """A board that came back from a reset without its module, or another small board."""
    one_board.pull_out()
    one_board.plug_in()
    with people.serial_link(one_board.port) as link:
        fault = _bounded(5.0, lambda: snippets.identity(link))
        assert isinstance(fault, BoardFaulted) and "beck" in fault.detail
        assert "ImportError" in snippets.reading(link, LINES["KEY-IDLE"], PORTS)["error"]


def _bounded(seconds: float, act: Callable[[], object]) -> BenchFailure:
    """The failure that `act` ends in, within that time."""
    begun = time.monotonic()
    with pytest.raises(BenchFailure) as fault:
        act()
    assert time.monotonic() - begun < seconds
    return fault.value


def _until(so: Callable[[], bool], seconds: float) -> None:
    deadline = time.monotonic() + seconds
    while not so():
        assert time.monotonic() < deadline, "it did not come about in time"
        time.sleep(0.005)
