"""Echo and clock stamps, against real MicroPython on a pseudo-terminal and against boards that fail in the middle."""

import time
from pathlib import Path

import pytest

from bench_doubles import PtyBoard, real_board
from benchworthy.bench import echo, probe
from benchworthy.bench.transport import BoardLink
from benchworthy.errors import BoardFaulted, BoardLost


@pytest.fixture
def flash(tmp_path: Path) -> Path:
    folder = tmp_path / "flash"
    folder.mkdir()
    return folder


def test_64_kilobytes_come_back_whole_and_leave_the_board_listening(flash: Path) -> None:
    """Nothing lost, and the speed is one; afterwards the board answers as before."""
    with real_board(flash) as port, BoardLink(port) as link:
        done = echo.echo(link)
        assert done.errors == 0 and done.bytes_per_s > 40_000
        assert link.call("print('still here')", 5) == ["still here"]


def _swallows(board: PtyBoard, code: str) -> None:
    """A board that loses one piece: it waits for the rest, which never comes."""
    board.write(b'=BP= "go"\r\n')
    board.take(echo.PIECE)
    board.rest(30)


def _garbles(board: PtyBoard, code: str) -> None:
    """One letter wrong in every piece, and a CRC of its own opinion."""
    board.write(b'=BP= "go"\r\n')
    for _ in range(echo.TEXT_BYTES // echo.PIECE):
        board.write(b"#" + board.take(echo.PIECE)[1:])
    board.write(b"=BP= 1\r\n")


def test_pieces_that_never_come_back_are_counted() -> None:
    """The silence ends the call; what is missing counts as wrong."""
    with PtyBoard(_swallows) as board, BoardLink(board.port, silence_s=0.5) as link:
        done = echo.echo(link)
    assert done.errors == echo.TEXT_BYTES // echo.PIECE and done.bytes_per_s == 0


def test_pieces_that_come_back_otherwise_are_counted() -> None:
    """Each piece, and not one more for the sum over all."""
    with PtyBoard(_garbles) as board, BoardLink(board.port) as link:
        assert echo.echo(link).errors >= echo.TEXT_BYTES // echo.PIECE


def test_a_cable_pulled_in_the_middle_is_told_as_that() -> None:
    """Not as errors of the echo."""

    def pulled(board: PtyBoard, code: str) -> None:
        board.write(b'=BP= "go"\r\n')
        board.take(echo.PIECE)
        board.vanish()

    begun = time.monotonic()
    with PtyBoard(pulled) as board, pytest.raises(BoardLost), BoardLink(board.port) as link:
        echo.echo(link)
    assert time.monotonic() - begun < 5


def test_both_clocks_tell_the_same_time(flash: Path) -> None:
    """The unix port's clock is the host's: a second apart, they agree to a millisecond."""
    with real_board(flash) as port, BoardLink(port) as link:
        board_us, here_us = echo.clock(link, 1)
    assert here_us == pytest.approx(1_000_000, abs=200_000)
    assert board_us == pytest.approx(here_us, abs=1000)


def test_time_that_passed_already_is_not_waited_for(flash: Path) -> None:
    """Other tests ran meanwhile; and a board that started anew since begins again."""
    with real_board(flash) as port, BoardLink(port) as link:
        since = echo.first_stamp(link)
        time.sleep(1.1)
        begun = time.monotonic()
        board_us, here_us = echo.clock(link, 1, since)
        assert time.monotonic() - begun < 0.8
        assert here_us > 1_100_000 and board_us == pytest.approx(here_us, abs=1000)
        link.call("del _ba", 5)
        board_us, here_us = echo.clock(link, 1, since)
        assert here_us == pytest.approx(1_000_000, abs=200_000) and board_us == pytest.approx(here_us, abs=1000)


def test_a_garbled_stamp_is_the_boards_fault() -> None:
    """It is never taken for a time."""

    def garbled(board: PtyBoard, code: str) -> None:
        board.write(b'=BP= "go"\r\n=BP= [12,]\r\n')

    with PtyBoard(garbled) as board, BoardLink(board.port) as link, pytest.raises(BoardFaulted, match="garbled"):
        echo.clock(link, 1)


def test_a_mark_in_the_boards_memory_outlives_the_link_and_not_a_start(flash: Path) -> None:
    """That is how the bench knows that nothing started anew while the cable was out."""
    with real_board(flash) as port:
        with BoardLink(port) as link:
            since = probe.mark(link, "r-1")
        with BoardLink(port) as link:
            assert probe.mark_stands(link, "r-1", since)
            assert not probe.mark_stands(link, "r-2")
            assert not probe.mark_stands(link, "r-1", since + 10_000_000)
