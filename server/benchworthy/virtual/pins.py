"""The module's pins as the board's program reaches them: one frame a question or a change, answered by the circuit.

The frames are described in agent/virtual/machine.py. Every frame carries the board's virtual time; a question may be
about moments that are still to come, since the program sees nothing of the world in between.
"""

import collections
import contextlib
import os
import select
import struct
import threading
from collections.abc import Callable, Mapping
from typing import Literal

import numpy as np

from benchworthy.errors import CircuitUnsolved
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.bus import Bus, Hanging
from benchworthy.virtual.dynamics import Timeline
from benchworthy.virtual.instruments import Instruments
from benchworthy.virtual.keys import Keys
from benchworthy.virtual.models import MODULE_PINS, PinState
from benchworthy.virtual.perception import Glimpse, Perception

FRAME = struct.Struct("<BBHIIQ")
_WRITE, _DUTY, _LEVEL, _CODE, _MEMORY, _IDENTITY, _SCAN, _PULSE, _EDGES, _RISE, _RADIO, _STILL, _MARK = range(1, 14)
_MARKED = b"benchworthy mark"
_PULL: Mapping[int, Literal["none", "up", "down"]] = {0: "none", 1: "up", 2: "down"}
_FALLING, _RISING = 4, 8
_LOGGED = 100_000  # the last changes of pins that are kept
_NO_ANSWER = 0xFFFF  # in place of a length
_QUIET_S = 0.02  # real seconds without a frame after which the present state is looked at
_LONG_S = 1.0
RESET = PinState("in", "down")  # what every pin is while the module is reset; RP2040 datasheet, pad controls
RAIL_LEAST = 1.8  # V: the least supply of an RP2040's pins, from memory

Logged = tuple[float, str, float]  # virtual milliseconds, pin, level or duty; an input is logged as -1


class BrownOut(Exception):
    """The module's rail has fallen below what it runs on."""


class Pins:
    """Answers the frames of one board. `log` keeps what the program drove, `now_us` the time of the last frame."""

    def __init__(
        self,
        circuit: BoardCircuit,
        timeline: Timeline,
        keys: Keys,
        instruments: Instruments,
        module: bytes,
        memory: bytes,
        lock: threading.RLock,
        show: Callable[[Glimpse], None],
    ) -> None:
        self._circuit = circuit
        self._timeline = timeline
        self._keys = keys
        self._instruments = instruments
        self._module = module
        self._memory = memory
        self._lock = lock
        self._show = show
        self._perception: Perception | None = None
        self._lit = False
        self._unseen = True
        self._changed_us = self.now_us = 0
        self.log: collections.deque[Logged] = collections.deque(maxlen=_LOGGED)
        self.unsolved: list[str] = []
        self._hanging = Hanging(circuit)
        self._answers: Mapping[int, Callable[[int, int, int, int, int], bytes]] = {
            _LEVEL: lambda pin, _, more, index, t: bytes((self._level(f"GP{pin}", t),)),
            _CODE: self._codes,
            _MEMORY: self._read_memory,
            _IDENTITY: lambda *_: self._module,
            _SCAN: lambda pin, _, more, index, t: bytes(sorted(each for each, _ in self._bus(more).answering(index))),
            _PULSE: self._pulse,
            _EDGES: self._edges,
            _RISE: lambda pin, *_: struct.pack("<I", self._rise(f"GP{pin}")),
            _RADIO: lambda pin, _, more, index, t: struct.pack("<h", self._instruments.radio_dbm(index)),
        }

    def reset(self) -> None:
        """The module's pins as they are without a program: inputs, pulled down."""
        for pin in MODULE_PINS:
            if self._circuit.pins.get(pin) != RESET:
                self._timeline.set(pin, RESET, self.now_us)
                self.log.append((self.now_us / 1000, pin, -1.0))
        self._timeline.restart()
        self._keys.restart()
        self.now_us = self._changed_us = 0
        self._unseen = True

    def changed(self) -> None:
        """Something outside has changed; a person may see it at once."""
        self._perception = None
        self._see()

    def serve(self, frames: int, answers: int) -> None:
        """Answer until the board's process ends. Raises BrownOut when the module's rail has broken down."""
        with os.fdopen(frames, "rb", buffering=0) as requests:
            waiting = b""
            while True:
                if not select.select([frames], [], [], _QUIET_S if self._unseen else _LONG_S)[0]:
                    with self._lock, contextlib.suppress(CircuitUnsolved):
                        self._see()
                    continue
                octets = requests.read(1 << 16)
                if not octets:
                    return
                waiting += octets
                whole = len(waiting) // FRAME.size * FRAME.size
                for place in range(0, whole, FRAME.size):
                    with self._lock:
                        self._take(answers, *FRAME.unpack_from(waiting, place))
                waiting = waiting[whole:]

    def _take(self, answers: int, operation: int, pin: int, argument: int, more: int, index: int, t_us: int) -> None:
        if t_us > self.now_us:
            self.now_us = t_us
        if operation in (_WRITE, _DUTY, _STILL):
            self._change(operation, pin, argument, more, t_us)
            return
        if operation == _MARK:
            os.write(answers, _MARKED + struct.pack("<I", index))
            return
        if operation not in self._answers:
            raise ValueError(f"pin frame with the unknown operation {operation}")
        try:
            self._see()
            octets = self._answers[operation](pin, argument, more, index, t_us)
        except CircuitUnsolved as unsolved:
            # This reading has no answer; the next may have one.
            self.unsolved.append(unsolved.detail)
            os.write(answers, struct.pack("<H", _NO_ANSWER))
            return
        os.write(answers, struct.pack("<H", len(octets)) + octets)

    def _change(self, operation: int, number: int, argument: int, more: int, t_us: int) -> None:
        pin = f"GP{number}"
        if self._unseen and t_us > self._changed_us:
            with contextlib.suppress(CircuitUnsolved):  # what cannot be computed cannot be shown
                self._see()
        if operation == _STILL:
            self._timeline.freeze(pin, t_us)
        elif operation == _DUTY:
            share = min(1.0, more * argument * 1e-9)
            self._timeline.set(pin, PinState("out", "none", share), t_us, float(argument))
        else:
            out = argument & 1
            state = PinState("out" if out else "in", _PULL[argument >> 1 & 3], float(argument >> 3 & 1) if out else 0.0)
            if self._circuit.pins.get(pin) == state and self._timeline.width(pin) is None:
                return
            self._timeline.set(pin, state, t_us)
        now = self._circuit.pins[pin]
        self.log.append((t_us / 1000, pin, now.level if now.mode == "out" else -1.0))
        self._unseen, self._changed_us = True, t_us

    def _see(self) -> None:
        """Show the present state to whoever looks, once."""
        if not self._unseen:
            return
        self._unseen = False
        if self._hanging.look():
            self._timeline.rebuilt()
        if self._circuit.rail() < RAIL_LEAST:
            raise BrownOut
        if self._perception is None:
            self._perception = Perception(self._circuit, self._timeline)
        glimpse = self._perception.look(self._changed_us)
        if glimpse is not None:
            self._show(glimpse)
            lit = glimpse.lamp_ma > 0.5
            if lit and not self._lit:
                self._keys.lamp_lit(self._changed_us)
            self._lit = lit

    def _hold_keys(self, t_us: int) -> None:
        """Have the circuit's keys as they are at a moment."""
        pressed = self._keys.pressed(t_us)
        if pressed != self._circuit.pressed:
            for ref in self._keys.refs:
                self._circuit.press(ref, ref in pressed)
            self._timeline.rebuilt()

    def _level(self, pin: str, t_us: int) -> int:
        self._hold_keys(t_us)
        return self._circuit.read_as(self._timeline.volts(self._circuit.net_of(pin), t_us))

    def _codes(self, number: int, count: int, gap: int, index: int, t_us: int) -> bytes:
        times = t_us + gap * np.arange(count)
        if number == self._instruments.die_channel:
            ideal = self._instruments.die_code(times)
        else:
            net = self._circuit.net_of(f"GP{number}")
            ideal = self._instruments.code(net, times)
        codes = self._instruments.read(ideal, index)
        return np.asarray(codes << 4 | codes >> 8, dtype="<u2").tobytes()

    def _bus(self, more: int) -> Bus:
        """The bus at the two pins that a frame names in its upper half."""
        return Bus(self._circuit, self._rise, f"GP{more >> 16 & 0xFF}", f"GP{more >> 24}")

    def _read_memory(self, address: int, start: int, more: int, hertz: int, _t: int) -> bytes:
        """One byte that says whether somebody answered, then the bytes of the plug's memory."""
        size = more & 0xFFFF
        if not self._memory or address not in dict(self._bus(more).answering(hertz)):
            return bytes(size + 1)
        return b"\x01" + bytes(self._memory[(start + place) % len(self._memory)] for place in range(size))

    def _edges(self, number: int, trigger: int, window: int, _index: int, t_us: int) -> bytes:
        """The moments at which a pin changes because of a key, as offsets from the beginning of the window."""
        pin, found = f"GP{number}", b""
        level: int | None = None
        for at, _ref, _down in self._keys.edges(t_us, t_us + window):
            level = self._level(pin, t_us) if level is None else level
            now = self._level(pin, at)
            if now != level and trigger & (_RISING if now else _FALLING):
                found += struct.pack("<I", at - t_us)
            level = now
        return found

    def _pulse(self, number: int, level: int, timeout_us: int, index: int, t_us: int) -> bytes:
        self._hold_keys(t_us)
        length, elapsed = self._instruments.pulse(self._circuit.net_of(f"GP{number}"), level, timeout_us, index, t_us)
        return struct.pack("<iI", length, elapsed)

    def _rise(self, pin: str) -> int:
        return self._instruments.rise_ns(pin)
