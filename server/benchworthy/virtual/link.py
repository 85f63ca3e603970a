"""The serial port of a virtual board: two ptys with a pump between them.

The host opens one; the other is the board's controlling terminal, so that a Ctrl-C interrupts running code as on
hardware and is a plain byte at the prompt, where MicroPython switches its terminal to raw. The pump holds back what
follows a Ctrl-C until the prompt is there: the switch throws away what has not been read. Code that came by raw paste
runs without that switch, so for such code the pump follows the protocol and interrupts by signal.
"""

import contextlib
import os
import select
import shutil
import sys
import termios
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

_CHUNK = 4096
_PROMPT_S = 0.5  # how long code may take to give in to a Ctrl-C before what follows is let through
_IDLE_S = 0.05
_DROP_S = 3.0  # a host that does not read for this long loses what the board says; a USB port is less patient
_TO_RAW, _TO_FRIENDLY, _FRIENDLY = b"\x01", b"\x02", b">>> "
_CTRL_C, _END, _PASTE = b"\x03", b"\x04", b"\x05A\x01"


def board_terminal() -> tuple[int, int]:
    """A pty for the board: our end, and the end that becomes its controlling terminal."""
    ours, board = os.openpty()
    tty.setraw(board)
    mode = termios.tcgetattr(board)
    mode[3] |= termios.ISIG | termios.NOFLSH
    for name in ("VQUIT", "VSUSP"):
        mode[6][getattr(termios, name)] = b"\x00"
    mode[6][termios.VINTR] = _CTRL_C
    termios.tcsetattr(board, termios.TCSANOW, mode)
    os.set_blocking(ours, False)
    return ours, board


def in_session() -> list[str]:
    """The command that makes its standard input the controlling terminal of what follows."""
    setsid = shutil.which("setsid")
    if setsid:
        return [setsid, "--ctty"]
    code = "import fcntl,os,sys,termios;os.setsid();fcntl.ioctl(0,termios.TIOCSCTTY,0);os.execvp(sys.argv[1],sys.argv[1:])"
    return [sys.executable, "-S", "-E", "-c", code]


class SerialPort:
    """What the host sees: a port that is there while USB is plugged in, linked in a folder under the module's id."""

    def __init__(self, ports_dir: Path | None, name: str) -> None:
        self._link = None if ports_dir is None else ports_dir / name
        self._lock = threading.Lock()
        self._host: tuple[int, int] | None = None
        self.port = ""
        self._unheard = False
        self.raw = False  # whether the host has the board in the raw REPL

    def plug(self) -> None:
        """Give the host a new port. Does nothing while one is there."""
        with self._lock:
            if self._host is not None:
                return
            ours, host = os.openpty()
            tty.setraw(host)
            os.set_blocking(ours, False)
            # Our copy of the host's end stays open, or the board would read an end of file whenever a host hangs up.
            self._host = (ours, host)
            self.port = os.ttyname(host)
            if self._link is not None:
                self._link.parent.mkdir(parents=True, exist_ok=True)
                new = self._link.with_name(f".{self._link.name}")
                new.unlink(missing_ok=True)
                new.symlink_to(self.port)
                new.rename(self._link)

    def unplug(self) -> None:
        """The host's port goes away; a host that has it open reads an error."""
        with self._lock:
            if self._host is None:
                return
            if self._link is not None:
                self._link.unlink(missing_ok=True)
            ours, host = self._host
            self._host, self.port = None, ""
            os.close(host)
            os.close(ours)

    def read(self, seconds: float) -> bytes:
        """What the host has sent, nothing if nothing comes in this time."""
        with self._lock:
            host = self._host
        if host is None:
            time.sleep(seconds)
            return b""
        # A port that is unplugged meanwhile is no error: nothing came.
        with contextlib.suppress(OSError, ValueError):
            if select.select([host[0]], [], [], seconds)[0]:
                with self._lock:
                    if self._host is host:
                        return os.read(host[0], _CHUNK)
        return b""

    def write(self, octets: bytes) -> None:
        """Pass on what the board says; without a port, or with one that nobody reads, it is lost."""
        deadline = time.monotonic() + _DROP_S
        while octets:
            with self._lock:
                if self._host is None:
                    return
                try:
                    octets = octets[os.write(self._host[0], octets) :]
                    self._unheard = False
                    continue
                except BlockingIOError:
                    pass
            # a host that did not read before is not waited for again
            if self._unheard or time.monotonic() > deadline:
                self._unheard = True
                return
            time.sleep(0.002)


class RawPaste:
    """Whether code that was sent by raw paste is running, told from the octets that pass."""

    def __init__(self) -> None:
        self._asked = False
        self._ends = 0  # how many end marks the board still has to send: code taken, output done, error done

    @property
    def running(self) -> bool:
        return self._ends > 0

    def from_host(self, octets: bytes) -> None:
        if _PASTE in octets:
            self._asked = True
            octets = octets.partition(_PASTE)[2]
        if self._asked and _END in octets:
            self._asked, self._ends = False, 3

    def from_board(self, octets: bytes) -> None:
        self._ends = max(0, self._ends - octets.count(_END))


class Pump:
    """Carries octets between the host's port and the board's terminal until it is stopped.

    `interrupt` is what a Ctrl-C does to code that runs from a raw paste. `back_to_raw`: the board has restarted out of
    the raw REPL, where its first words are not heard and the host finds itself again.
    """

    def __init__(self, port: SerialPort, board: int, interrupt: Callable[[], None], *, back_to_raw: bool) -> None:
        self._port = port
        self._back_to_raw = back_to_raw
        self._interrupt = interrupt
        self._paste = RawPaste()
        self._board = board
        self._stop = threading.Event()
        self._seen = b""
        self._prompt = threading.Event()
        self._threads = [threading.Thread(target=run, name=name, daemon=True) for name, run in
                         (("to board", self._to_board), ("from board", self._from_board))]  # fmt: skip

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(timeout=5)

    def await_prompt(self, seconds: float) -> bytes:
        """Wait until the board has shown its first prompt; what it has said so far."""
        self._prompt.wait(seconds)
        return self._seen

    @property
    def prompted(self) -> bool:
        return self._prompt.is_set()

    def _from_board(self) -> None:
        while not self._stop.is_set():
            if not select.select([self._board], [], [], _IDLE_S)[0]:
                continue
            try:
                octets = os.read(self._board, _CHUNK)
            except OSError:  # the board's side is gone
                return
            if not octets:
                return
            if not self._prompt.is_set():
                self._seen = (self._seen + octets)[-4096:]
                if self._seen.endswith(_FRIENDLY):
                    self._prompt.set()
                    if self._back_to_raw:
                        self._give(_TO_RAW)
                if self._back_to_raw:
                    continue
            self._paste.from_board(octets)
            self._port.write(octets)

    def _to_board(self) -> None:
        while not self._stop.is_set():
            octets = self._port.read(_IDLE_S)
            while octets and not self._stop.is_set():
                before, interrupt, octets = octets.partition(_CTRL_C)
                self._paste.from_host(before)
                self._note_mode(before)
                self._give(before)
                if interrupt:
                    if self._paste.running:
                        self._interrupt()
                    else:
                        self._give(interrupt)
                    self._await_prompt()

    def _note_mode(self, octets: bytes) -> None:
        if not self._paste.running:
            raw, friendly = octets.rfind(_TO_RAW), octets.rfind(_TO_FRIENDLY)
            if raw != friendly:
                self._port.raw = raw > friendly

    def _give(self, octets: bytes) -> None:
        while octets and not self._stop.is_set():
            try:
                octets = octets[os.write(self._board, octets) :]
            except BlockingIOError:
                select.select([], [self._board], [], _IDLE_S)
            except OSError:
                return

    def _await_prompt(self) -> None:
        deadline = time.monotonic() + _PROMPT_S
        while self._running() and time.monotonic() < deadline and not self._stop.is_set():
            time.sleep(0.001)

    def _running(self) -> bool:
        """Whether code runs: from a raw paste, or with a terminal that turns a Ctrl-C into an interrupt."""
        if self._paste.running:
            return True
        try:
            return bool(termios.tcgetattr(self._board)[3] & termios.ISIG)
        except termios.error:
            return False
