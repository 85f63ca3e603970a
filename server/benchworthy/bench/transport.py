"""The raw REPL of a MicroPython board over a serial port, bounded in time.

The only module that knows mpremote, whose classes promise no stability. mpremote itself may wait for ever in
several places (a board that prints without end, a two-byte answer that never comes, a port that takes nothing),
so every read and write goes through a watch that ends the call when its time is up.
"""

import contextlib
import io
import os
import struct
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal

import serial
from mpremote.transport import TransportError
from mpremote.transport_serial import SerialTransport

from benchworthy.bench.holders import holders
from benchworthy.bench.watch import Lines, Overdue, Watch
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

SILENCE_S: Final = 15.0  # a board that joins a network and calls a broker may be quiet for eleven
ENTER_S: Final = 4.0
ENTER_TRIES: Final = 2
IO_S: Final = 2.0
MOST_CODE: Final = 8 * 1024
_POLL_S: Final = 0.2
_BOOT_S: Final = 1.0
_END: Final = b"\x04"
_SAID: Final = {
    "silent": "it says nothing",
    "half-line": "it stopped in the middle of a line",
    "stopped": "it said something, but not what was awaited",
    "chattering": "it keeps talking and does not listen",
    "garbled": "it answers in a way that is not MicroPython's",
    "restarting": "it starts again and again",
}
# While the raw REPL is being entered, how it fails says what is at the port.
_AT_ENTRY: Final[dict[str, type[BoardSilent]]] = {
    "chattering": BoardChattering,
    "garbled": NotMicroPython,
    "stopped": NotMicroPython,
    "restarting": BoardRestarting,
}
Rung = Literal["interrupt", "soft reset", "lines"]


class BoardLink:
    """One board on one port, held exclusively; a context manager.

    `silence_s`: a board that says nothing for so long within a call is given up; heartbeats count as speech.
    Nothing is printed. Once open, the board is never reset, as a run's key lives in its RAM; with `recover`, opening
    may reset it: what Ctrl-C cannot reach is tried with a soft reset, then by the lines DTR and RTS.
    """

    def __init__(self, port: str, silence_s: float = SILENCE_S, enter_s: float = ENTER_S, recover: bool = False) -> None:
        self.port = port
        self._silence_s = silence_s
        self._enter_s = enter_s
        self._recover = recover
        self._in_raw = False
        self._transport: Any = None
        self.rung: Rung = "interrupt"

    def __enter__(self) -> "BoardLink":
        """Open the port and reach the raw REPL. Raises BenchFailure: the port's fault, or how the board does not listen.

        Afterwards `rung` says what it took.
        """
        self._transport = _open(self.port)
        # Closing goes past the watch: it must work when a call has run out of time.
        self._plain = self._transport.serial
        self._watch = Watch(self._plain, self._enter_s)
        self._transport.serial = self._watch
        try:
            self._climb()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self._close()

    def call(self, code: str, timeout_s: float, on_line: Callable[[str], None] | None = None) -> list[str]:
        """Run `code` on the board and return the lines it printed; each is handed to `on_line` as it arrives.

        `on_line` may answer with `reply`. `timeout_s` bounds the whole call. Raises BoardSilent, BoardLost,
        BoardFaulted; ValueError for 8 KiB of code or more, which a small board may not survive.
        """
        octets = code.encode()
        if len(octets) >= MOST_CODE:
            raise ValueError(f"{len(octets)} bytes of code in one call, fewer than {MOST_CODE} allowed")
        if not self._in_raw:
            self._enter_raw()
        lines = Lines(on_line)
        self._in_raw = False  # until the call has ended in order
        with self._told_apart("It did not finish what it was told to do"):
            self._watch.start(timeout_s, self._silence_s)
            self._send(octets)
            self._watch.tail = b""  # what was heard counts from here; before it was the protocol's own
            fault = self._follow(lines)
        self._in_raw = True
        if fault:
            raise _board_fault(self.port, fault)
        return lines.all

    def reply(self, text: str) -> None:
        """Say something to the code that runs; only from within `on_line`."""
        self._watch.write(text.encode())

    def _send(self, octets: bytes) -> None:
        self._plain.timeout = IO_S
        with contextlib.redirect_stdout(io.StringIO()):  # mpremote prints raw bytes when it fails
            self._transport.exec_raw_no_follow(octets)

    def _follow(self, lines: Lines) -> bytes:
        """Hand on output up to the first end mark, then collect the error text up to the second."""
        self._plain.timeout = _POLL_S
        fault = bytearray()
        for take in (lines.take, fault.extend):
            ended = b""
            while not ended:
                octets, ended, after = self._watch.read_some().partition(_END)
                # Given back before the lines are told, as whoever hears one may fail.
                self._watch.give_back(after)
                take(octets)
                if ended:
                    lines.finish()
        return bytes(fault)

    def _climb(self) -> None:
        """The ladder: Ctrl-C and the raw REPL; a soft reset; the lines that reset some boards; then a person must help."""
        try:
            self._enter_raw()
            return
        except BoardSilent as fault:
            if not self._recover:
                raise
            first = fault
        for rung, push in (("soft reset", self._soft_reset), ("lines", self._pulse_lines)):
            try:
                with self._told_apart("It does not come back from a reset", entering=True):
                    self._watch.start(self._enter_s, self._enter_s)
                    push()
                self._enter_raw()
            except BoardSilent:
                continue
            self.rung = rung  # type: ignore[assignment]
            return
        raise first  # what it did before it was pushed tells most

    def _soft_reset(self) -> None:
        self._watch.write(b"\r\x03\x03\x02")
        time.sleep(0.1)
        self._watch.write(b"\x04")
        time.sleep(_BOOT_S)

    def _pulse_lines(self) -> None:
        try:
            for level in (False, True):
                self._plain.dtr = self._plain.rts = level
                time.sleep(0.1)
        except OSError as fault:
            raise BoardSilent("The port has no lines to reset a board by.", port=self.port, how="no-lines") from fault
        time.sleep(_BOOT_S)

    def _enter_raw(self) -> None:
        """Ctrl-C twice and the raw REPL, without a soft reset; once more; then a person has to help."""
        for turn in range(1, ENTER_TRIES + 1):
            try:
                with self._told_apart("It does not enter the raw REPL", entering=True):
                    self._try_raw()
                self._in_raw = True
                return
            except BoardSilent:
                if turn == ENTER_TRIES:
                    raise

    def _try_raw(self) -> None:
        self._watch.start(self._enter_s, self._enter_s)
        self._plain.timeout = _POLL_S
        self._watch.write(b"\r\x02\x03")  # out of a raw REPL that is half-way through a line
        time.sleep(0.05)
        self._watch.write(b"\x03")
        time.sleep(0.05)
        with contextlib.redirect_stdout(io.StringIO()):
            self._transport.enter_raw_repl(soft_reset=False, timeout_overall=self._enter_s)

    @contextlib.contextmanager
    def _told_apart(self, what: str, entering: bool = False) -> Iterator[None]:
        """Turn what mpremote, pyserial and the watch raise into this package's errors."""
        try:
            yield
        except Overdue as fault:
            raise self._silent(what, fault.how, entering) from None
        except serial.SerialTimeoutException as fault:
            raise BoardSilent(f"{what}: the port takes no bytes.", port=self.port, how="not-taking") from fault
        except (serial.SerialException, OSError) as fault:
            raise BoardLost(f"{what}: the port went away ({fault}).", port=self.port) from fault
        except (TransportError, struct.error) as fault:
            how = "garbled" if self._watch.tail else "silent"
            raise self._silent(what, how, entering) from fault

    def _silent(self, what: str, how: str, entering: bool) -> BoardSilent:
        if entering and self._watch.loops():
            how = "restarting"
        kind = _AT_ENTRY.get(how, BoardSilent) if entering else BoardSilent
        tail = self._watch.tail[-80:].decode("ascii", "replace")
        return kind(f"{what}: {_SAID[how]}.", port=self.port, how=how, heard=tail)

    def _close(self) -> None:
        """Stop what still runs, so that the agent brings its outputs to rest, and leave the friendly prompt."""
        transport, self._transport = self._transport, None
        if transport is None:
            return
        with contextlib.suppress(OSError, serial.SerialException):
            self._plain.write(b"\r\x03\x02")
        transport.serial = self._plain
        with contextlib.suppress(OSError, serial.SerialException):
            transport.close()
        # mpremote first lowers two lines that a lost port no longer has; then the port would stay held.
        with contextlib.suppress(OSError, serial.SerialException):
            self._plain.close()
        self._in_raw = False


def _board_fault(port: str, octets: bytes) -> BoardFaulted:
    text = octets.decode("utf-8", "replace").strip()
    last = text.splitlines()[-1] if text else "no text"
    return BoardFaulted(f"The board raised {last[:120]}", port=port, traceback=text[-2000:])


def _open(port: str) -> Any:
    """Open exclusively. mpremote says one sentence for every cause, so the cause is looked up afterwards."""
    try:
        transport = SerialTransport(port, wait=0, exclusive=True, timeout=IO_S)
    except (TransportError, OSError) as fault:
        raise _why_not(port) from fault
    try:
        transport.serial.write_timeout = IO_S
    except (serial.SerialException, OSError) as fault:
        with contextlib.suppress(OSError):
            transport.serial.close()
        raise BoardLost(f"{port} went away while it was opened.", port=port) from fault
    return transport


def _why_not(port: str) -> BenchFailure:
    """Try once more without mpremote, for the system's own reason."""
    try:
        serial.Serial(port, exclusive=True, timeout=IO_S).close()
    except (serial.SerialException, OSError, ValueError) as fault:
        if _is_absent(port, fault, str(fault)):
            return PortAbsent(f"There is no port {port}.", port=port)
        if _is_forbidden(port):
            return PortForbidden(f"You may not use {port}.", port=port, how="no-permission")
        by = holders(port)
        told = f"is held by {', '.join(by)}" if by else f"cannot be opened: {str(fault)[:160]}"
        return PortBusy(f"{port} {told}.", port=port, how="held", holders=by)
    return PortBusy(f"{port} could not be opened, and a moment later it could.", port=port, how="just-freed")


def _is_absent(port: str, fault: Exception, text: str) -> bool:
    # Windows gives no errno here, only the name of the system's error inside the text.
    if os.name == "nt":
        return "FileNotFoundError" in text
    return not Path(port).exists() or isinstance(fault, ValueError)


def _is_forbidden(port: str) -> bool:
    return os.name != "nt" and not os.access(port, os.R_OK | os.W_OK)
