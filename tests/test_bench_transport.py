"""The link to a board: every way in which it fails is bounded in time and told apart from the others."""

import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from bench_doubles import PtyBoard, real_board
from benchworthy.bench import probe
from benchworthy.bench.transport import MOST_CODE, BoardLink
from benchworthy.errors import (
    BenchFailure,
    BoardChattering,
    BoardFaulted,
    BoardLost,
    BoardRestarting,
    BoardSilent,
    NotMicroPython,
    PortAbsent,
    PortBusy,
    PortForbidden,
)

pytestmark = pytest.mark.real_time


@contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """The block takes no longer than that."""
    begun = time.monotonic()
    yield
    assert time.monotonic() - begun < seconds


def _says(board: PtyBoard, code: str) -> None:
    board.write(b"one\r\ntwo\r\n")


def _falls_silent(board: PtyBoard, code: str) -> None:
    board.write(b"one\r\n")
    board.rest(30)


def _stops_mid_line(board: PtyBoard, code: str) -> None:
    board.write(b"one\r\ntw")
    board.rest(30)


def _chatters(board: PtyBoard, code: str) -> None:
    for _ in range(3000):
        board.write(b"la la la\r\n")
        board.rest(0.01)


def _dies(board: PtyBoard, code: str) -> None:
    board.write(b"one\r\ntw")
    board.rest(0.2)
    board.vanish()


def _beats(board: PtyBoard, code: str) -> None:
    for beat in range(6):
        board.write(b"=HB= %d\r\n" % beat)
        board.rest(0.25)
    board.write(b"done\r\n")


def _first_stops_short(board: PtyBoard, code: str) -> None:
    if code == "first":
        board.rest(1)
    else:
        _says(board, code)


def _divides(board: PtyBoard, code: str) -> None:
    board.write(b"one\r\n")
    raise ZeroDivisionError("divide by zero")


def _refused(board: PtyBoard, kind: type[BenchFailure], **options: Any) -> BenchFailure:
    """How opening a link ends; of that class and no other."""
    with pytest.raises(kind) as fault, BoardLink(board.port, **{"enter_s": 1.0, **options}):
        pass
    assert type(fault.value) is kind
    return fault.value


def test_lines_come_back_and_are_handed_on_as_they_arrive() -> None:
    """A call gives the printed lines without line ends, twice over one link."""
    heard: list[str] = []
    with PtyBoard(_says) as board, BoardLink(board.port) as link:
        assert link.call("print('one')", 5, heard.append) == ["one", "two"]
        assert link.call("print('one')", 5) == ["one", "two"]
    assert heard == ["one", "two"]


def test_nothing_reaches_stdout_even_when_the_board_fails(capsys: pytest.CaptureFixture[str]) -> None:
    """The library's own prints are swallowed, so that results on stdout stay whole."""
    with PtyBoard(start="mute") as board, pytest.raises(BoardSilent), BoardLink(board.port, enter_s=0.5):
        pass
    assert capsys.readouterr().out == ""


def test_a_mute_board_is_silent() -> None:
    """No answer at all ends within the tries, and is said so."""
    with PtyBoard(start="mute") as board, at_most(6), pytest.raises(BoardSilent) as fault, BoardLink(board.port, enter_s=1):
        pass
    assert fault.value.facts["how"] == "silent"


def test_a_board_that_never_stops_talking_is_chattering() -> None:
    """Talk without end does not hold the bench for ever."""
    with PtyBoard(start="chatter") as board, at_most(8):
        fault = _refused(board, BoardChattering)
    assert fault.facts["how"] == "chattering"
    assert "tick" in fault.facts["heard"]


def test_another_kind_of_device_is_not_micropython() -> None:
    """It answers, but not as a board does."""
    with PtyBoard(start="printer") as board, at_most(8):
        _refused(board, NotMicroPython)


def test_a_board_that_starts_again_and_again_is_told_from_one_that_chatters() -> None:
    """What to do is another thing: cable and supply instead of the program."""
    with PtyBoard(start="loop") as board, at_most(10):
        assert "supply" in _refused(board, BoardRestarting, enter_s=1.5).advice


def test_where_ctrl_c_does_not_help_a_soft_reset_may() -> None:
    """Only where resetting is allowed, and it is said how far up the ladder that was."""
    with PtyBoard(_says, start="deep") as board:
        _refused(board, BoardSilent, enter_s=0.5)
        with BoardLink(board.port, enter_s=0.8, recover=True) as link:
            assert link.call("x", 5) == ["one", "two"]
            assert link.rung == "soft reset"


def test_a_board_that_no_reset_reaches_is_told_as_it_was_found() -> None:
    """A port without control lines, a board that never answers: the whole ladder is bounded."""
    with PtyBoard(start="mute") as board, at_most(14):
        fault = _refused(board, BoardSilent, enter_s=0.5, recover=True)
    assert fault.facts["how"] == "silent" and "reset" in fault.advice


def test_silence_within_a_call_ends_it() -> None:
    """The silence limit counts from the last byte."""
    with (
        PtyBoard(_falls_silent) as board,
        BoardLink(board.port, silence_s=0.6) as link,
        at_most(3),
        pytest.raises(BoardSilent) as fault,
    ):
        link.call("wait()", 20)
    assert fault.value.facts["how"] == "silent"


def test_half_a_line_is_told_apart_from_silence() -> None:
    """A board that stops mid-line probably reset or lost power."""
    with (
        PtyBoard(_stops_mid_line) as board,
        BoardLink(board.port, silence_s=0.6) as link,
        at_most(3),
        pytest.raises(BoardSilent) as fault,
    ):
        link.call("wait()", 20)
    assert fault.value.facts["how"] == "half-line"


def test_the_overall_deadline_holds_against_chatter() -> None:
    """Speech puts off the silence limit, never the deadline."""
    with PtyBoard(_chatters) as board, BoardLink(board.port) as link, at_most(4), pytest.raises(BoardSilent) as fault:
        link.call("sing()", 1)
    assert fault.value.facts["how"] == "chattering"


def test_heartbeats_put_off_the_silence_limit() -> None:
    """A step may be longer than the limit as long as the board says that it is at work."""
    with PtyBoard(_beats) as board, BoardLink(board.port, silence_s=0.8) as link:
        assert link.call("work()", 10)[-1] == "done"


def test_a_board_that_dies_mid_answer_is_lost() -> None:
    """The cable was pulled: another error than silence."""
    with PtyBoard(_dies) as board, at_most(5), pytest.raises(BoardLost), BoardLink(board.port) as link:
        link.call("wait()", 20)


def test_a_board_that_dies_while_code_is_sent_is_lost() -> None:
    """In the middle of what the bench says, too."""
    with PtyBoard(start="dies-on-code") as board, at_most(5), pytest.raises(BoardLost), BoardLink(board.port) as link:
        link.call("x = 1\n" * 1000, 20)


def test_a_port_that_takes_nothing_does_not_hold_the_bench() -> None:
    """Writes are bounded as well as reads."""
    with PtyBoard(start="stuck-on-code") as board, BoardLink(board.port, silence_s=5) as link:
        # The system buffers some thousand bytes for a board that has stopped reading.
        other = os.open(board.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        os.write(other, b"#" * 100_000)
        os.close(other)
        with at_most(6), pytest.raises(BoardSilent):
            link.call("x = 1", 4)


def test_garbage_before_the_prompt_is_passed_over() -> None:
    """Boot messages and random bytes are no answer."""
    with PtyBoard(_says) as board:
        board.write(bytes(range(3, 256)) + b"\r\nrst cause:2, boot mode:(3,6)\r\n")
        with BoardLink(board.port) as link:
            assert link.call("x", 5) == ["one", "two"]


def test_a_call_after_a_failed_one_enters_the_raw_repl_again() -> None:
    """One bad call does not spoil the link."""
    with PtyBoard(_first_stops_short) as board, BoardLink(board.port, silence_s=0.5) as link:
        with pytest.raises(BoardSilent):
            link.call("first", 5)
        assert link.call("second", 5) == ["one", "two"]


def test_an_error_on_the_board_brings_its_traceback() -> None:
    """The last line is the message, the whole text a fact; the link stays usable."""
    with PtyBoard(_divides) as board, BoardLink(board.port) as link:
        for _ in range(2):
            with pytest.raises(BoardFaulted, match="ZeroDivisionError: divide by zero") as fault:
                link.call("1/0", 5)
        assert fault.value.facts["traceback"].startswith("Traceback")


def test_a_port_that_does_not_exist_is_absent(tmp_path: Path) -> None:
    """Not plugged in, or another name."""
    with at_most(2), pytest.raises(PortAbsent), BoardLink(str(tmp_path / "ttyACM0")):
        pass


def test_a_port_that_another_program_holds_is_busy() -> None:
    """Two benches on one port would each get half of the bytes."""
    with PtyBoard(_says) as board:
        other = os.open(board.port, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        with at_most(3), pytest.raises(PortBusy) as fault, BoardLink(board.port):
            pass
        os.close(other)
        assert fault.value.facts["how"] == "held"
        assert f"(process {os.getpid()})" in str(fault.value), "who holds it is named where the system knows"
        with BoardLink(board.port) as link:
            assert link.call("x", 5) == ["one", "two"]


def test_a_port_that_this_user_may_not_use_is_forbidden(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another thing to do than for a busy one. Root may use every port, so the system's answer is put in."""
    monkeypatch.setattr("benchworthy.bench.transport.os.access", lambda *_: False)
    with PtyBoard(_says) as board:
        other = os.open(board.port, os.O_RDWR | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        assert "dialout" in _refused(board, PortForbidden).advice
        os.close(other)


def test_code_that_may_take_a_board_down_is_refused() -> None:
    """8 KiB and more are a mistake of the caller."""
    with PtyBoard(_says) as board, BoardLink(board.port) as link, pytest.raises(ValueError, match="bytes of code"):
        link.call("#" * MOST_CODE, 5)


def test_real_micropython_answers_the_probe(tmp_path: Path) -> None:
    """Identity, files and echo as they come from the interpreter that boards run."""
    flash = tmp_path / "flash"
    (flash / "lib").mkdir(parents=True)
    (flash / "main.py").write_bytes(b"abc")
    (flash / "lib" / "empty.py").write_bytes(b"")
    (flash / "state.json").write_text('{"serial": "T", "epoch": 1, "boot": 7}')
    with real_board(flash) as port, BoardLink(port) as link:
        identity = probe.identity(link)
        found = probe.files(link)
        with pytest.raises(BoardFaulted, match="ZeroDivisionError"):
            link.call("1/0", 5)
        assert link.call("x='" + "y" * 6000 + "'\nprint(len(x))", 5) == ["6000"]
    assert (identity.module, identity.stand_in, identity.boot, identity.serial) == ("e66001", True, 7, "T")
    assert "MicroPython" in identity.firmware
    # SHA-256 of "abc" and of nothing: FIPS 180-4 examples (NIST).
    assert found["main.py"] == probe.BoardFile(3, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad")
    assert found["lib/empty.py"].sha256 == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
    assert sorted(found) == ["lib/empty.py", "main.py", "state.json"]
