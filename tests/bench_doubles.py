"""Boards at the other end of a pseudo-terminal, well behaved and not."""

import contextlib
import os
import select
import subprocess
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType

from services import micropython

PROMPT = b"raw REPL; CTRL-B to exit\r\n>"
MACHINE = """
STAND_IN = True
def unique_id():
    return b"\\xe6\\x60\\x01"
"""


class PtyBoard:
    """A thread that speaks MicroPython's raw REPL, without raw paste; `answer` is told the code and writes the output.

    `mute` never says a word; `chatter` talks without end from the start and hears nothing; `printer` answers each line as
    another kind of device would; `loop` starts again and again; `deep` listens only after a soft reset; `dies-on-code` and
    `stuck-on-code` pull the cable or stop reading as soon as code is announced.
    """

    def __init__(self, answer: Callable[["PtyBoard", str], None] | None = None, start: str = "") -> None:
        self._answer = answer
        self._start = start
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._live, daemon=True)

    def __enter__(self) -> "PtyBoard":
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self._stop.set()
        self._thread.join(5)
        self.vanish()

    def write(self, octets: bytes) -> None:
        """Say something; dropped when nobody takes it."""
        while octets and not self._stop.is_set() and self._master >= 0:
            _, ready, _ = select.select([], [self._master], [], 0.1)
            if ready:
                octets = octets[os.write(self._master, octets[:256]) :]

    def take(self, size: int) -> bytes:
        """As many bytes of what the host says; fewer when the test ends."""
        octets = b""
        while len(octets) < size and not self._stop.is_set():
            octets += self._read()
        return octets

    def rest(self, seconds: float) -> None:
        """Do nothing for a while, or until the test ends."""
        self._stop.wait(seconds)

    def vanish(self) -> None:
        """The cable is pulled."""
        for descriptor in (self._slave, self._master):
            with contextlib.suppress(OSError):
                os.close(descriptor)
        self._slave = self._master = -1

    def _live(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            while not self._stop.is_set() and self._master >= 0:
                if self._start == "chatter":
                    self.write(b"tick tock ")
                elif self._start == "mute":
                    self._read()
                elif self._start == "printer":
                    if self._read() in (b"\r", b"\n", b"\x03"):
                        self.write(b"echo:Unknown command\nok\n")
                elif self._start == "loop":
                    self.write(b"\r\nMPY: soft reboot\r\nload:0x3fff0030,len:1184\r\n")
                    self._stop.wait(0.3)
                elif self._start == "deep":
                    if self._read() == b"\x04":
                        self._start = ""
                        self.write(b"MPY: soft reboot\r\n>>> ")
                else:
                    self._repl(self._read())

    def _read(self) -> bytes:
        ready, _, _ = select.select([self._master], [], [], 0.1)
        return os.read(self._master, 1) if ready else b""

    def _repl(self, octet: bytes) -> None:
        if octet == b"\x01":
            self._code = b""
            self.write(PROMPT)
        elif octet == b"\x05" and self._start == "dies-on-code":
            self.vanish()
        elif octet == b"\x05" and self._start == "stuck-on-code":
            self._stop.wait()
        elif octet == b"\x05":
            self._read(), self._read()
            self._code = b""
            self.write(b"R\x00")
        elif octet == b"\x04":
            self.write(b"OK")
            code, self._code = self._code.decode(), b""
            fault = b""
            try:
                if self._answer is not None:
                    self._answer(self, code)
            except ArithmeticError as error:
                fault = f"Traceback (most recent call last):\r\n{type(error).__name__}: {error}\r\n".encode()
            self.write(b"\x04" + fault + b"\x04>")
        elif octet not in b"\x02\x03\r":
            self._code = getattr(self, "_code", b"") + octet


@contextlib.contextmanager
def real_board(flash: Path) -> Iterator[str]:
    """Real MicroPython at its prompt on a pseudo-terminal, with a `machine` of its own; gives the port's name."""
    stand_in = flash.parent / "stand-in"
    stand_in.mkdir()
    (stand_in / "machine.py").write_text(MACHINE)
    interpreter = micropython.interpreter()
    master, slave = os.openpty()
    tty.setraw(slave)
    tty.setraw(master)
    process = subprocess.Popen(
        [interpreter, "-i"],
        cwd=flash,
        env={**os.environ, "MICROPYPATH": f"{stand_in}:{flash}/lib:.frozen"},
        stdin=master,
        stdout=master,
        stderr=master,
    )
    time.sleep(0.2)
    try:
        yield os.ttyname(slave)
    finally:
        process.kill()
        process.wait(5)
        os.close(master)
        os.close(slave)
