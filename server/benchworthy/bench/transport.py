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
from typing import Any, Final

import serial
from mpremote.transport import TransportError
from mpremote.transport_serial import SerialTransport

from benchworthy.errors import BoardFaulted, BoardLost, BoardSilent, PortAbsent, PortBusy

SILENCE_S: Final = 10.0
ENTER_S: Final = 4.0
ENTER_TRIES: Final = 2
IO_S: Final = 2.0
MOST_CODE: Final = 8 * 1024
_POLL_S: Final = 0.2
_LONGEST_LINE: Final = 64 * 1024
_END: Final = b"\x04"


class _Overdue(Exception):
    """The watch ended a call; inside this module only."""

    def __init__(self, how: str) -> None:
        super().__init__(how)
        self.how = how


class _Watch:
    """A serial port with a deadline and a silence limit, both in seconds; it raises _Overdue on use after either."""

    def __init__(self, port: Any) -> None:
        self.port = port
        self.tail = b""
        self.start(ENTER_S, ENTER_S)

    def start(self, overall_s: float, silence_s: float) -> None:
        self._heard = time.monotonic()
        self._deadline = self._heard + overall_s
        self._silence_s = silence_s
        self.tail = b""

    def read(self, size: int = 1) -> bytes:
        self._check()
        octets: bytes = self.port.read(size)
        if octets:
            self._heard = time.monotonic()
            self.tail = (self.tail + octets)[-80:]
        return octets

    def write(self, octets: bytes) -> int:
        self._check()
        return int(self.port.write(octets))

    def inWaiting(self) -> int:  # mpremote asks by this name
        self._check()
        return int(self.port.in_waiting)

    def _check(self) -> None:
        now = time.monotonic()
        if now >= self._heard + self._silence_s:
            raise _Overdue("half-line" if self.tail and not self.tail.endswith((b"\n", _END)) else "silent")
        if now >= self._deadline:
            raise _Overdue("chattering" if self.tail else "silent")


class BoardLink:
    """One board on one port, held exclusively; a context manager.

    `silence_s`: a board that says nothing for so long within a call is given up; heartbeats count as speech.
    Nothing is printed, and the board is never reset: a run's key lives in its RAM.
    """

    def __init__(self, port: str, silence_s: float = SILENCE_S, enter_s: float = ENTER_S) -> None:
        self.port = port
        self._silence_s = silence_s
        self._enter_s = enter_s
        self._in_raw = False
        self._transport: Any = None

    def __enter__(self) -> "BoardLink":
        """Open the port and reach the raw REPL. Raises PortAbsent, PortBusy, BoardSilent, BoardLost."""
        self._transport = _open(self.port)
        # Closing goes past the watch: it must work when a call has run out of time.
        self._plain = self._transport.serial
        self._watch = _Watch(self._plain)
        self._transport.serial = self._watch
        try:
            self._enter_raw()
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self._close()

    def call(self, code: str, timeout_s: float, on_line: Callable[[str], None] | None = None) -> list[str]:
        """Run `code` on the board and return the lines it printed; each is handed to `on_line` as it arrives.

        `timeout_s` bounds the whole call. Raises BoardSilent, BoardLost, BoardFaulted; ValueError for 8 KiB of code
        or more, which a small board may not survive.
        """
        octets = code.encode()
        if len(octets) >= MOST_CODE:
            raise ValueError(f"{len(octets)} bytes of code in one call, fewer than {MOST_CODE} allowed")
        if not self._in_raw:
            self._enter_raw()
        lines = _Lines(on_line)
        self._in_raw = False  # until the call has ended in order
        with self._told_apart("It did not finish what it was told to do"):
            self._watch.start(timeout_s, self._silence_s)
            self._send(octets)
            fault = self._follow(lines)
        lines.finish()
        self._in_raw = True
        if fault:
            raise _board_fault(self.port, fault)
        return lines.all

    def _send(self, octets: bytes) -> None:
        self._plain.timeout = IO_S
        with contextlib.redirect_stdout(io.StringIO()):  # mpremote prints raw bytes when it fails
            self._transport.exec_raw_no_follow(octets)

    def _follow(self, lines: "_Lines") -> bytes:
        """Collect output up to the first end mark, then the error text up to the second."""
        self._plain.timeout = _POLL_S
        fault: list[bytes] = []
        for take in (lines.take, fault.append):
            while (octet := self._next()) != _END:
                take(octet)
        return b"".join(fault)

    def _next(self) -> bytes:
        while not (octet := self._watch.read(1)):
            pass  # each read waits a moment, and the watch ends the loop
        return octet

    def _enter_raw(self) -> None:
        """Ctrl-C twice and the raw REPL, without a soft reset; once more; then a person has to help."""
        for turn in range(1, ENTER_TRIES + 1):
            try:
                with self._told_apart("It does not enter the raw REPL"):
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
    def _told_apart(self, what: str) -> Iterator[None]:
        """Turn what mpremote, pyserial and the watch raise into this package's errors."""
        try:
            yield
        except _Overdue as fault:
            raise self._silent(what, fault.how) from None
        except serial.SerialTimeoutException as fault:
            raise BoardSilent(f"{what}: the port takes no bytes.", port=self.port, how="not-taking") from fault
        except (serial.SerialException, OSError) as fault:
            raise BoardLost(f"{what}: the port went away ({fault}).", port=self.port) from fault
        except (TransportError, struct.error) as fault:
            how = "garbled" if self._watch.tail else "silent"
            raise self._silent(what, how) from fault

    def _silent(self, what: str, how: str) -> BoardSilent:
        said = {
            "silent": "it says nothing",
            "half-line": "it stopped in the middle of a line",
            "chattering": "it keeps talking and does not listen",
            "garbled": "it answers in a way that is not MicroPython's",
        }[how]
        tail = self._watch.tail.decode("ascii", "replace")
        return BoardSilent(f"{what}: {said}.", port=self.port, how=how, heard=tail)

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


class _Lines:
    """Cuts bytes into lines of text, hands each on and keeps them."""

    def __init__(self, on_line: Callable[[str], None] | None) -> None:
        self.all: list[str] = []
        self._on_line = on_line
        self._held = bytearray()

    def take(self, octet: bytes) -> None:
        if octet == b"\n" or len(self._held) >= _LONGEST_LINE:
            self._emit()
        if octet != b"\n":
            self._held += octet

    def finish(self) -> None:
        if self._held:
            self._emit()

    def _emit(self) -> None:
        line = bytes(self._held).rstrip(b"\r").decode("utf-8", "replace")
        self._held.clear()
        self.all.append(line)
        if self._on_line is not None:
            self._on_line(line)


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


def _why_not(port: str) -> PortAbsent | PortBusy:
    """Try once more without mpremote, for the system's own reason."""
    try:
        serial.Serial(port, exclusive=True, timeout=IO_S).close()
    except (serial.SerialException, OSError, ValueError) as fault:
        text = str(fault)
        if _is_absent(port, fault, text):
            return PortAbsent(f"There is no port {port}.", port=port)
        if _is_forbidden(port):
            detail = f"You may not use {port}: join the group that owns it (often dialout) and log in again."
            return PortBusy(detail, port=port, how="no-permission")
        return PortBusy(f"{port} cannot be opened: {text[:160]}.", port=port, how="held")
    return PortBusy(f"{port} could not be opened, and a moment later it could.", port=port, how="just-freed")


def _is_absent(port: str, fault: Exception, text: str) -> bool:
    # Windows gives no errno here, only the name of the system's error inside the text.
    if os.name == "nt":
        return "FileNotFoundError" in text
    return not Path(port).exists() or isinstance(fault, ValueError)


def _is_forbidden(port: str) -> bool:
    return os.name != "nt" and not os.access(port, os.R_OK | os.W_OK)
