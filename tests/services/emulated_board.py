"""A small controller board in an emulator, running a real MicroPython 1.9 in 9 kB of heap, its pins reachable from outside.

The only place that knows the emulator, its firmware and their names. The firmware is another board's: it lacks Beck's
module `beck`, so a stand-in for it is brought into RAM before a test. What the emulator does not have, that stand-in says.
"""

import contextlib
import ctypes
import os
import queue
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from benchworthy.bench.portlist import PortEntry
from benchworthy.bench.snippets import wire
from benchworthy.bench.transport import BoardLink
from benchworthy.serve.demo.house import free_port

PROGRAM = "qemu-system-arm"
FIRMWARE = Path("/usr/share/firmware-microbit-micropython/firmware.hex")
START_S = 10.0
_OUT_REGISTER = 0x50000504
_CHIP = "/machine/nrf51"

PINS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 16, 17, 18, 20, 21, 22, 23)  # those that the sheet of a Beck uses
_MASK = sum(1 << pin for pin in PINS)
NO_CONVERTER = "the emulator has no converter"

# The carrier of a Beck is not there. Its three pull-ups (key, data, clock) are played by the pins' own, so what is
# injected from outside still wins; pins 1, 2, 3 are the headers. CNF: 2 rest, 0 input, 4 pulled down, 12 pulled up, 1 output.
# The lamps' driver of the firmware would write to some of the pins by itself, so it is switched off.
SHIM = f"""\
import microbit as M
from machine import mem32 as m,unique_id as unique
from time import ticks_ms,ticks_diff
class NotHere(Exception):pass
STAND_IN=1
U=M.uart
U.init(115200)
M.display.off()
def read(p):return m[0x50000510]>>p&1
def level(p,u):
 m[0x50000700+4*p]=12 if p in (17,22,23) else 4 if u<0 or p==16 else 12*u
 return read(p)
def out(p,v):
 m[0x50000508 if v else 0x5000050C]=1<<p
 m[0x50000700+4*p]=1
def rest():
 for p in {str(PINS).replace(" ", "")}:
  m[0x5000050C]=1<<p
  m[0x50000700+4*p]=2
def code(p):raise NotHere('{NO_CONVERTER}')
def scan(d,c,h):return M.i2c.scan()
def memory(d,c,h,a,k,n):
 M.i2c.write(a,bytes([k]))
 return M.i2c.read(a,n)
def take(n,ms):
 b=b'';t=ticks_ms()
 while len(b)<n and ticks_diff(ticks_ms(),t)<ms:
  b+=U.read(n-len(b)) or b''
 return b
"""
# A converter that is made up, for what a pulse does: it gives 500 while pin 18 is driven high, 20 otherwise.
MADE_UP_CONVERTER = "import beck as B\nB.code=lambda p:500 if B.m[0x50000504]>>18&1 else 20\n"


def missing() -> str | None:
    """What is not installed, or None."""
    found = any((Path(folder) / PROGRAM).exists() for folder in os.get_exec_path())
    return PROGRAM if not found else None if FIRMWARE.exists() else str(FIRMWARE)


@dataclass
class EmulatedBoard:
    """The emulator as a process. `powered` follows the USB cable, which is the board's only supply.

    `changes` holds when which pin changed, whichever way; it grows as long as the board is powered.
    """

    folder: Path
    number: int = 0
    process: subprocess.Popen[bytes] | None = None
    is_beck: bool = False
    changes: list[tuple[float, int]] = field(default_factory=list)
    _qtest: socket.socket | None = None
    _answers: "queue.Queue[str]" = field(default_factory=queue.Queue)
    _turn: threading.Lock = field(default_factory=threading.Lock)
    injected: dict[int, int] = field(default_factory=dict)

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self.number}"

    @property
    def powered(self) -> bool:
        return self.process is not None

    def listing(self) -> list[PortEntry]:
        """The serial ports, as the bench would find them; the text is the bridge's, not the controller's."""
        return [PortEntry(self.port, "BRIDGE-0042", "emulated")] if self.powered else []

    def plug_in(self) -> None:
        """Start it on a port of its own, as a board that gets its supply."""
        assert self.process is None
        self.number = free_port()
        control = self.folder / f"qtest-{self.number}"
        self.process = subprocess.Popen(
            [
                *(PROGRAM, "-M", "microbit", "-nographic", "-monitor", "none", "-net", "none", "-accel", "tcg"),
                *("-device", f"loader,file={FIRMWARE}"),
                *("-serial", f"tcp:127.0.0.1:{self.number},server=on,wait=off,nodelay=on"),
                *("-qtest", f"unix:{control},server=on,wait=off", "-qtest-log", "/dev/null"),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            preexec_fn=_die_with_parent,
        )
        _connected(("127.0.0.1", self.number)).close()
        self._qtest = _connected(control)
        self.is_beck = False
        threading.Thread(target=self._listen, args=(self._qtest,), daemon=True).start()
        assert self._control(f"irq_intercept_out {_CHIP}") == "OK"
        for pin, level in self.injected.items():
            self._inject(pin, level)

    def pull_out(self) -> None:
        """Take its supply away: this process and no other."""
        if self._qtest is not None:
            with contextlib.suppress(OSError):
                self._qtest.shutdown(socket.SHUT_RDWR)  # wakes whoever listens on it
            self._qtest.close()
            self._qtest = None
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)
            self.process = None

    def inject(self, pin: int, level: int | None) -> None:
        """Hold a pin high or low from outside the firmware, as a solder bridge or a jammed key does; None lets it go."""
        if level is None:
            self.injected.pop(pin, None)
        else:
            self.injected[pin] = level
        self._inject(pin, -1 if level is None else level)

    def _inject(self, pin: int, level: int) -> None:
        assert self._control(f"set_irq_in {_CHIP} unnamed-gpio-in {pin} {level}") == "OK"

    def driven(self) -> int:
        """Which of the pins the firmware drives high: bit k is pin k, read past the firmware."""
        return int(self._control(f"readl {_OUT_REGISTER:#x}").split()[1], 16) & _MASK

    def _control(self, command: str) -> str:
        with self._turn:  # a person looks and presses at the same time
            assert self._qtest is not None
            self._qtest.sendall(command.encode() + b"\n")
            return self._answers.get(timeout=START_S)

    def _listen(self, line_in: socket.socket) -> None:
        """Sort the control line: changes of pins come by themselves, between the answers."""
        rest = b""
        with contextlib.suppress(OSError):
            while octets := line_in.recv(65536):
                now = time.monotonic()
                *lines, rest = (rest + octets).split(b"\n")
                for line in lines:
                    if line.startswith(b"IRQ "):
                        self.changes.append((now, int(line.split()[2])))
                    else:
                        self._answers.put(line.decode().strip())

    def become_beck(self, link: BoardLink) -> None:
        """Bring the stand-in for Beck's module into RAM, and leave no file behind."""
        for _ in range(4):
            link.call("f=open('beck.py','w')", 5.0)
            for start in range(0, len(SHIM), 400):
                link.call(f"f.write({SHIM[start : start + 400]!r})", 5.0)
            code = "f.close()\nh=0\nfor c in open('beck.py').read():h=(h*33+ord(c))&16777215\nprint(h)"
            if link.call(code, 5.0) == [str(wire.check(SHIM.encode()))]:
                break
        link.call("import beck,os,gc\nos.remove('beck.py')\ndel f,beck,os\ngc.collect()", 5.0)
        self.is_beck = True


@contextlib.contextmanager
def emulated(folder: Path) -> Iterator[EmulatedBoard]:
    """One emulated board, plugged in; gone afterwards whatever happens."""
    board = EmulatedBoard(folder)
    board.plug_in()
    try:
        yield board
    finally:
        board.pull_out()


def _connected(where: Path | tuple[str, int]) -> socket.socket:
    """A connection to a socket that may not be there yet."""
    deadline = time.monotonic() + START_S
    while True:
        line = socket.socket(socket.AF_UNIX if isinstance(where, Path) else socket.AF_INET)
        try:
            line.connect(str(where) if isinstance(where, Path) else where)
        except OSError:
            line.close()
            if time.monotonic() >= deadline:
                raise
            time.sleep(0.05)
            continue
        return line


def _die_with_parent() -> None:
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)
