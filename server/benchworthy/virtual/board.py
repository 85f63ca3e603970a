"""A virtual board: the real agent on real MicroPython behind a serial port, its pins answered by a circuit."""

import concurrent.futures
import contextlib
import fcntl
import functools
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchworthy.designs import agent_release
from benchworthy.designs.parts import Part
from benchworthy.errors import BoardSilent, PartMissing
from benchworthy.virtual import bus, link
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.dynamics import Timeline
from benchworthy.virtual.hands import CircuitHands
from benchworthy.virtual.instruments import Instruments
from benchworthy.virtual.keys import Keys
from benchworthy.virtual.perception import Glimpse
from benchworthy.virtual.pins import RAIL_LEAST, BrownOut, Logged, Pins

_START_S = 15.0
_F_SETPIPE_SZ = 1031
_STATE, _SECRETS = "state.json", "secrets.json"


class VirtualBoard:
    """One board. `port` is the serial port that the host opens; `perceived` the fd an operator looks at; `hands`.

    `seed` None gives nominal values, an ideal converter and a true meter. `module_id` is 16 hex digits. `flash` is the
    folder that stands for the module's file system. USB is plugged in from the beginning: it carries the serial port,
    and unplugging it takes the port away, and the module's supply if the jack gives none. In `ports_dir` lies a link
    to the present port under the module's id. `heap_kib` limits the program's memory.
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
        *,
        ports_dir: Path | None = None,
        heap_kib: int | None = None,
    ) -> None:
        self._circuit = BoardCircuit(sheet_parts, conditions, fixtures, seed)
        self._timeline = Timeline(self._circuit)
        self._keys = Keys(self._circuit.parts_now(), seed)
        self._instruments = Instruments(self._circuit, self._timeline, seed)
        self._serial = serial
        self._flash = flash
        self._heap_kib = heap_kib
        self._lock = threading.RLock()
        memory = b"" if plug_serial is None else bus.content(plug_serial, bus.measured(self._circuit.plug_parts()))
        self._pins = Pins(
            self._circuit, self._timeline, self._keys, self._instruments, bytes.fromhex(module_id), memory, self._lock, self._seen
        )
        self._usb = link.SerialPort(ports_dir, module_id)
        self._process: subprocess.Popen[bytes] | None = None
        self._pump: link.Pump | None = None
        self._server: threading.Thread | None = None
        self._on = False
        self.fault: Exception | None = None
        self.browned_out = False
        self.perceived, self._show = os.pipe()
        fcntl.fcntl(self._show, _F_SETPIPE_SZ, 1 << 20)
        os.set_blocking(self._show, False)
        self.hands = CircuitHands(
            self._circuit, self._timeline, self._keys, self._lock, seed, lambda: self._pins.now_us, self._changed
        )
        self.hands.attach("usb")

    @property
    def port(self) -> str:
        """The serial port as it is called now; empty while USB is unplugged."""
        return self._usb.port

    @property
    def pins_log(self) -> Sequence[Logged]:
        """What the program drove, the last hundred thousand changes: virtual milliseconds, pin, level or duty; -1 an input."""
        return tuple(self._pins.log)

    @property
    def endangered(self) -> Sequence[str]:
        """What has stood beyond the limits of a part, such as `U5.4 SDA at 4.7 V`."""
        return tuple(self._circuit.endangered)

    @property
    def unsolved(self) -> Sequence[str]:
        """Why readings had no answer: the circuit, as it is broken, has no steady state that can be computed."""
        return tuple(self._pins.unsolved)

    def prepare(self, epoch: int = 1, key: str = "") -> None:
        """Install the agent in the flash, and the state of a new board if it has none. `key` is its field key, in hex."""
        for path, content in agent_release.sources().items():
            target = self._flash / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        state = self._flash / _STATE
        if not state.exists():
            state.write_text(json.dumps({"serial": self._serial, "epoch": epoch, "boot": 0, "key": key}))

    def start(self) -> None:
        """Power the module: main.py runs, then the REPL waits on `port`. An empty flash is prepared first.

        A board that has secrets.json serves in the field and shows no prompt: it is not waited for. A module that runs
        already is stopped first. Raises PartMissing without a MicroPython, BoardSilent when the module has no supply
        or no prompt comes.
        """
        self.stop()
        find_micropython()
        with self._lock:
            rail = self._circuit.rail()
        if rail < RAIL_LEAST:
            raise BoardSilent(f"The module's rail stands at {rail:.2f} V; it cannot run.")
        if not (self._flash / "main.py").exists():
            self.prepare()
        with self._lock:
            self._on = True
            self._changed()
        if not (self._flash / _SECRETS).exists():
            self._await_prompt()

    def stop(self) -> None:
        """Cut the power. May be called twice; start() works again afterwards and counts as another boot."""
        with self._lock:
            self._on = False
            self._usb.unplug()
            process, server, pump = self._process, self._server, self._pump
            self._kill()
        if server is not None:
            server.join(timeout=5)
        if pump is not None:
            pump.stop()
        if process is not None:
            process.wait()

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
            self._keys.put(self._circuit.parts_now())
            self._timeline.disturb()
            self._changed()

    def __enter__(self) -> "VirtualBoard":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _changed(self) -> None:
        """Something was plugged, turned or broken: the module may have gained or lost its supply or its port."""
        if not self._on:
            return
        if "usb" in self._circuit.attached:
            self._usb.plug()
        else:
            self._usb.unplug()
        if self._circuit.rail() < RAIL_LEAST:
            self._kill()
            self._process = None  # the next supply starts it anew, however soon it comes
            return
        if self._process is None:
            self._boot()
        self._pins.changed()

    def _kill(self) -> None:
        if self._process is not None:
            self._process.kill()

    def _boot(self, from_raw: bool = False) -> None:
        """Start the program. A soft reset out of the raw REPL does not run main.py, on hardware as here."""
        self.browned_out = False
        script = [] if from_raw else ["main.py"]
        ours, terminal = link.board_terminal()
        frames_in, frames_out = os.pipe()
        answers_in, answers_out = os.pipe()
        self._pins.reset()
        heap = [] if self._heap_kib is None else ["-X", f"heapsize={self._heap_kib}k"]
        self._process = _started(
            [*link.in_session(), *_tied_to_its_owner(), find_micropython(), *heap, "-i", *script],
            terminal,
            self._flash,
            self._environment(frames_out, answers_in),
            (frames_out, answers_in),
        )
        os.close(frames_out)
        os.close(answers_in)
        interrupt = functools.partial(self._process.send_signal, signal.SIGINT)
        self._pump = link.Pump(self._usb, ours, interrupt, back_to_raw=from_raw)
        self._pump.start()
        self._server = threading.Thread(
            target=self._serve,
            args=(self._process, self._pump, (ours, terminal), frames_in, answers_out),
            name="pins",
            daemon=True,
        )
        self._server.start()

    def _restart(self, code: int) -> None:
        """After a Ctrl-D at the prompt, or machine.reset(), the module starts again; a killed one stays silent."""
        if code == 0:
            self._usb.write(b"MPY: soft reboot\r\n")
            self._boot(self._usb.raw)
        elif code == -signal.SIGHUP:
            self._usb.raw = False
            self._boot()

    def _environment(self, frames: int, answers: int) -> dict[str, str]:
        return {
            "PATH": os.environ.get("PATH", ""),
            # absolute, or installing a package would not find the folder lib
            "MICROPYPATH": f"{Path(str(agent_release.folder())) / 'virtual'}:{(self._flash / 'lib').absolute()}:.:.frozen",
            "BENCHWORTHY_PINS_OUT": str(frames),
            "BENCHWORTHY_PINS_IN": str(answers),
            "BENCHWORTHY_PPM": f"{self._instruments.crystal_ppm():.3f}",
        }

    def _serve(self, process: subprocess.Popen[bytes], pump: link.Pump, ends: tuple[int, int], frames: int, answers: int) -> None:
        """The life of one boot: answer its pins, and clear up after it."""
        try:
            self._pins.serve(frames, answers)
        except BrownOut:
            self.browned_out = True
            process.kill()
        except Exception as fault:  # noqa: BLE001
            # Kept for whoever owns the board: in this thread nobody would see it, and the board, whose pipe closes,
            # reports an input/output error of the check.
            self.fault = fault
        finally:
            os.close(answers)
        process.wait()
        pump.stop()
        for end in ends:
            os.close(end)
        with self._lock:
            if self._process is not process:
                return
            self._process = None
            self._pins.reset()
            if self._on and not self.browned_out:
                self._restart(process.returncode)

    def _await_prompt(self) -> None:
        deadline = time.monotonic() + _START_S
        pump = self._pump
        assert pump is not None
        while not pump.prompted:
            process = self._process
            if time.monotonic() > deadline or process is None or process.poll() is not None:
                said = pump.await_prompt(0)
                self.stop()
                raise BoardSilent(f"MicroPython gave no prompt; it printed: {said[-300:]!r}")
            pump.await_prompt(0.05)

    def _seen(self, glimpse: Glimpse) -> None:
        # A full pipe means that nobody looks, and has not for ten thousand changes.
        if self._show >= 0:
            with contextlib.suppress(BlockingIOError):
                os.write(self._show, glimpse.line())


def find_micropython() -> str:
    """The interpreter beside this Python, or on PATH. Raises PartMissing."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.is_file() else shutil.which("micropython")
    if found is None:
        raise PartMissing("The virtual board needs MicroPython: install benchworthy[virtual].", part="micropython")
    return found


@functools.cache
def _owner() -> concurrent.futures.ThreadPoolExecutor:
    """One thread that lives as long as this program: the kernel ends a board when the thread that started it ends."""
    return concurrent.futures.ThreadPoolExecutor(max_workers=1, thread_name_prefix="owner of boards")


def _started(
    command: list[str], terminal: int, folder: Path, environment: dict[str, str], kept: tuple[int, int]
) -> subprocess.Popen[bytes]:
    def begin() -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            command, stdin=terminal, stdout=terminal, stderr=terminal, cwd=folder, env=environment, pass_fds=kept
        )

    return _owner().submit(begin).result()


def _tied_to_its_owner() -> list[str]:
    """A board whose owner was killed would read a hung-up port for ever; where util-linux is, the kernel ends it instead."""
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "KILL"] if setpriv else []
