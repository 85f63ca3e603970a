"""Motor pulses end by themselves, whatever becomes of the link, the bench, the program or the interpreter."""

import json
import re
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from agent_on_micropython.at_bench import FAKE, AtBench, OutOfStep, at_bench, flash
from agent_on_micropython.toy import ARGUMENTS
from benchworthy.virtual.board import VirtualBoard
from services.mosquitto import until
from services.virtual_table import Table, table

pytestmark = pytest.mark.real_time

EN1, EN2 = 12, 15
LIMIT_MS = 500


@pytest.fixture
def board(tmp_path: Path) -> Iterator[AtBench]:
    """A board with a run begun on it, which notes when its enables change."""
    with at_bench(flash(tmp_path), machine=f"{FAKE}:{FAKE}_select") as at:
        at.begin()
        at.call("import machine, time; log = []")
        at.call("machine._hook[0] = lambda number, level: number in (12, 15) and log.append((time.ticks_ms(), number, level))")
        yield at


def pulses(board: AtBench) -> list[int]:
    """How long enables were high, each time, in milliseconds of the board's time; none may still be."""
    (text,) = board.call("import json; print(json.dumps(log))")
    since: dict[int, int] = {}
    lengths = []
    for ms, number, level in json.loads(text):
        if level:
            since.setdefault(number, ms)
        elif number in since:
            lengths.append(ms - since.pop(number))
    assert since == {}, "an enable is still high"
    return lengths


def test_the_bench_is_asked_before_each_pulse_and_during_a_long_one(board: AtBench) -> None:
    """Each question has a number of its own."""
    asked: list[int] = []
    board.answers = lambda number: asked.append(number) is None
    assert board.test("currents", ARGUMENTS["currents"])["kind"] == "steps"
    assert len(asked) == 3
    assert board.test("coast", ARGUMENTS["coast"])["kind"] == "steps"
    assert len(asked) >= 3 + 1500 // 300
    assert len(set(asked)) == len(asked)
    lengths = pulses(board)
    assert len(lengths) == 4 and max(lengths[:3]) <= 300 and lengths[3] <= 2000


def test_a_bench_that_never_answers_sees_no_motor_turn(board: AtBench) -> None:
    """The enable stays low, and the test is an error within half a second."""
    board.answers = lambda number: False
    start = time.monotonic()
    assert board.test("currents", ARGUMENTS["currents"]) == {"test": "T", "kind": "error", "text": "bench fell silent"}
    assert time.monotonic() - start < 2
    assert pulses(board) == []


@pytest.mark.parametrize("answers", [1, 2, 4])
def test_a_bench_that_falls_silent_in_the_middle_stops_the_motor(board: AtBench, answers: int) -> None:
    """Within half a second of the board's time after its last answer."""
    left = [answers]
    last: list[int] = []

    def answer(number: int) -> bool:
        left[0] -= 1
        if left[0] >= 0:
            last.append(number)  # the number is the board's time
        return left[0] >= 0

    board.answers = answer
    assert board.test("coast", {**ARGUMENTS["coast"], "ms": 1900})["text"] == "bench fell silent"
    (length,) = pulses(board)
    (text,) = board.call(f"print([ms for ms, number, level in log if not level and ms > {last[0]}][0])")
    fell = int(text)
    assert (fell & 0x3FFFFFFF) - last[-1] <= LIMIT_MS + 50, (fell, last)
    assert length < 1900


def test_answers_to_something_else_do_not_count(tmp_path: Path) -> None:
    """What lies on the line from before, a wrong number, noise: only the number asked for is an answer."""
    with at_bench(flash(tmp_path), machine=f"{FAKE}:{FAKE}_select") as at:
        at.begin()
        at.call("import machine")
        at.call("machine._hook[0] = lambda number, level: number in (12, 15) and print('EN', number, int(level))")
        assert at.process.stdin is not None
        line = at.process.stdin
        at.answers = lambda number: line.write(b"1\n77777\ngarbage \xff\n\n%d0\n%d \n" % (number, number)) == 0
        job = {"part": 1, "id": "T", "p": "currents", "n": [], "a": ARGUMENTS["currents"]}
        said = at.call(f"bench_call.test({json.dumps(job)!r})")
        assert "bench fell silent" in said[-1]
        assert not [each for each in said if each.startswith("EN ") and each.endswith(" 1")]


def test_noise_before_the_right_answer_does_no_harm(board: AtBench) -> None:
    assert board.process.stdin is not None
    board.answers = lambda number: bool(board.process.stdin.write(b"old\r\n12\n"))
    assert board.test("currents", ARGUMENTS["currents"])["kind"] == "steps"


def test_a_line_that_is_cut_stops_the_motor(tmp_path: Path) -> None:
    """The other end hangs up in the middle of a pulse: what the board prints then shows both enables low."""
    with at_bench(flash(tmp_path), machine=f"{FAKE}:{FAKE}_select") as at:
        at.begin()
        at.call("import machine, time")
        at.call("machine._hook[0] = lambda number, level: number in (12, 15) and print('EN', number, int(level))")
        count = [0]

        def hang_up(number: int) -> bool:
            count[0] += 1
            if count[0] == 3:
                assert at.process.stdin is not None
                at.process.stdin.close()
            return count[0] < 3

        at.answers = hang_up
        line = {"part": 1, "id": "T", "p": "coast", "n": [], "a": ARGUMENTS["coast"]}
        said = at.call(f"bench_call.test({json.dumps(line)!r})")
        assert "bench hung up" in said[-1]
        switched = [each for each in said if each.startswith("EN ")]
        assert "EN 12 1" in switched and switched[-1] == "EN 15 0" and "EN 15 1" not in switched
        assert switched[len(switched) - switched[::-1].index("EN 12 1") :][0] == "EN 12 0"
        assert at.process.wait(5) == 0


def test_a_program_that_hangs_does_not_keep_the_motor_on(board: AtBench) -> None:
    """The converter takes five seconds for one reading; the timer drops the enables all the same."""
    board.call("was = machine.ADC.read_u16; machine.ADC.read_u16 = lambda self: time.sleep_ms(5000) or 0")
    said = board.test("currents", {**ARGUMENTS["currents"], "n": 1})
    assert said["text"] == "the pulse was ended by its timer"
    (length,) = pulses(board)
    assert length <= 305


def test_fast_switching_is_ended_by_the_timer_too(board: AtBench) -> None:
    """The pin is taken back from the block that switches it."""
    # The base is read first; then, while the enable is switched fast, a reading does not come back.
    board.call("reads = [0]; hang = lambda: time.sleep_ms(5000) if reads[0] > 11 else 0")
    board.call("machine.ADC.read_u16 = lambda self: reads.append(reads.pop() + 1) or hang() or 0")
    said = board.test("duties", ARGUMENTS["duties"])
    assert said["text"] == "the pulse was ended by its timer"
    assert max(pulses(board)) <= 305


def test_after_the_timer_no_enable_rises_again_in_that_pulse(board: AtBench) -> None:
    """Even if the program goes on and tries."""
    board.call("from benchworthy_agent.boards import rp2; b = rp2.Board({'en1': [12, 'out', 0]})")
    board.call("b.arm(('en1',), 100); b.out('en1', 1); time.sleep_ms(150)")
    for attempt in ("b.out('en1', 1)", "b.duty('en1', 500)"):
        with pytest.raises(OutOfStep, match="Silent"):
            board.call(attempt)
    assert board.call("b.out('en1', 0); print(b.disarm(), b.dropped())") == ["True False"]
    assert len(pulses(board)) == 1


def test_an_interrupt_from_the_keyboard_stops_the_motor(board: AtBench) -> None:
    """Ctrl-C in the middle of a pulse, as the bench sends it when it lets go of a board."""
    board.call("exec('def hang(self):\\n while True:\\n  pass')")
    board.call("machine.ADC.read_u16 = hang")
    board.call("machine.Timer.init = lambda self, **given: None  # the timer alone would do it")
    line = {"part": 1, "id": "T", "p": "currents", "n": [], "a": ARGUMENTS["currents"]}
    threading.Timer(0.5, lambda: board.process.send_signal(signal.SIGINT)).start()
    board.call(f"job = {json.dumps(line)!r}")
    code = 'try:\\n bench_call.test(job)\\nexcept KeyboardInterrupt:\\n print("interrupted")'
    assert "interrupted" in board.call(f"exec('{code}')")
    assert len(pulses(board)) == 1


def test_a_pulse_that_was_broken_off_does_not_spoil_the_next(board: AtBench) -> None:
    """An interrupt between arming and leaving: the old timer is forgotten, and the new one is set."""
    board.test("idle", ARGUMENTS["idle"])
    board.call("hw = bench_call._session.hw; hw.arm(('en1',), 50); time.sleep_ms(100); print(hw.dropped())")
    assert board.test("currents", ARGUMENTS["currents"])["kind"] == "steps"
    board.call("machine.ADC.read_u16 = lambda self: time.sleep_ms(5000) or 0")
    assert board.test("currents", {**ARGUMENTS["currents"], "n": 1})["text"] == "the pulse was ended by its timer"


def test_a_timer_that_knows_no_hard_interrupts_is_used_without_them(board: AtBench) -> None:
    """Older ports refuse the word."""
    board.call("new = machine.Timer.init")
    board.call("machine.Timer.init = lambda self, mode, period, callback: new(self, mode, period, callback)")
    assert board.test("currents", ARGUMENTS["currents"])["kind"] == "steps"
    board.call("machine.ADC.read_u16 = lambda self: time.sleep_ms(5000) or 0")
    assert board.test("currents", {**ARGUMENTS["currents"], "n": 1})["text"] == "the pulse was ended by its timer"
    assert max(pulses(board)) <= 305


# -- on the virtual board, whose circuit sees the pins


KILLS: dict[str, Callable[[Table], None]] = {
    "the link": lambda at: at.board.hands.detach("usb"),
    "the bench": lambda at: at.wire.serial.close(),
    "the interpreter": lambda at: at.board._kill(),
}


@pytest.mark.parametrize("what", KILLS)
def test_whatever_is_killed_in_the_middle_of_a_pulse_the_enables_fall_within_half_a_second(tmp_path: Path, what: str) -> None:
    """Of the board's time, after the bench's last answer; the rig's motor was running until then."""
    with table(tmp_path) as at:
        at.person.fit("TP-4")
        at.person.fit("M-1")
        answered = running_motor(at)
        KILLS[what](at)
        assert until(lambda: not enables_high(at.board), 10)
        levels = [(ms, level) for ms, pin, level in at.board.pins_log if pin == "GP12"]
        rise = max(place for place, (_, level) in enumerate(levels) if level > 0)
        assert levels[rise + 1][0] - levels[rise][0] <= answered[-1] - answered[0] + LIMIT_MS + 60
        at.wire.serial.close()


def running_motor(at: Table) -> list[int]:
    """Begin a long pulse and answer its first questions; those answered. On a busy machine an answer may come too late."""
    line = {"part": 1, "id": "OUT-COAST", "p": "coast", "n": [], "a": {**ARGUMENTS["coast"], "ms": 1900}}
    for _ in range(5):
        at.wire.exec_raw_no_follow(f"from benchworthy_agent import bench_call\nbench_call.test({json.dumps(line)!r})")
        answered = answer_until(at, 3)
        if enables_high(at.board) == {"GP12"}:
            return answered
        at.wire.follow(20)
    raise AssertionError("this machine is too busy to answer a board in half a second")


def answer_until(at: Table, most: int) -> list[int]:
    """Answer so many of the board's questions, then wait for the next; the numbers answered, which are its time in ms."""
    heard, answered = b"", []
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        heard += at.wire.serial.read(at.wire.serial.in_waiting or 1)
        asked = [int(number) for number in re.findall(rb"=DM= ([0-9]+)\r?\n", heard)]
        for number in asked[len(answered) : most]:
            at.wire.serial.write(b"%d\n" % number)
            answered.append(number)
        if len(asked) >= most:
            return answered
    raise AssertionError(f"no question came: {heard!r}")


def enables_high(board: VirtualBoard) -> set[str]:
    """The enables that the last entries of the log say are high."""
    last: dict[str, float | None] = {}
    for _, pin, level in board.pins_log:
        last[pin] = level
    return {pin for pin in ("GP12", "GP15") if (last.get(pin) or 0) > 0}
