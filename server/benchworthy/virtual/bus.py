"""The two-wire bus as the module's controller finds it: who answers, and with what."""

import zlib
from collections.abc import Callable
from dataclasses import dataclass

from benchworthy.designs.parts import Part
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.models import PinState

_SUPPLY_LEAST = 2.0  # V
_HIGH = 1.65  # V: half the supply, where a memory takes a line for high
_SIZE, _SERIAL, _DATE = 256, 16, 10
_ARM = 0.002  # relative: an arm that headers are measured with is at least this exact
_SLOWEST_PERIODS = 10  # clock periods a line may take to rise: the controller waits for it, but not for ever
CHECKED_ON = "2026-11-02"  # the last check of a virtual plug


@dataclass(frozen=True, slots=True)
class Bus:
    """A bus at two pins of the module; `rise_ns` tells how long a pin takes to rise when it is let go."""

    circuit: BoardCircuit
    rise_ns: Callable[[str], int]
    data: str
    clock: str

    def answering(self, hertz: int) -> list[tuple[int, Part]]:
        """Address and part of everybody who answers now; nobody while a line is held or rises too slowly."""
        if not all(self.circuit.level(pin) for pin in (self.data, self.clock)) or not self._apart():
            return []
        slowest = max(self.rise_ns(pin) for pin in (self.data, self.clock))
        if hertz and slowest * 1e-9 * hertz > _SLOWEST_PERIODS:
            return []
        memories = [part for part in self.circuit.netlist().parts.values() if part.kind == "memory"]
        return [(int(part.value), part) for part in memories if part.value is not None and self._alive(part)]

    def _apart(self) -> bool:
        """Whether one line stays high while the other is held low: joined they carry no message."""
        netlist = self.circuit.netlist()
        for held, other in ((self.data, self.clock), (self.clock, self.data)):
            pins = {**self.circuit.pins, held: PinState("out")}
            if not self.circuit.read_as(self.circuit.settled(pins).solution[netlist.pin_net(other)]):
                return False
        return True

    def _alive(self, part: Part) -> bool:
        """A memory answers while supply and both lines reach it."""
        ground, supply, data, clock = (self.circuit.volts(net) for net in part.nets)
        return min(supply, data, clock) - ground > _SUPPLY_LEAST


class Hanging:
    """Memories that hang in the middle of an answer: each lets the data line go after so many clocks."""

    def __init__(self, circuit: BoardCircuit) -> None:
        self._circuit = circuit
        self._clocks: dict[str, int] = {}
        self._high: dict[str, bool] = {}

    def look(self) -> bool:
        """Count the clocks that have come; whether a memory has let go."""
        done = []
        for part in self._circuit.holding():
            ground, _, _, clock = (self._circuit.volts(net) for net in part.nets)
            high = clock - ground > _HIGH
            if high and not self._high.get(part.ref, True):
                self._clocks[part.ref] = self._clocks.get(part.ref, 0) + 1
            self._high[part.ref] = high
            if self._clocks.get(part.ref, 0) >= part.model["holds"]:
                done.append(part.ref)
        for ref in done:
            self._circuit.let_go(ref)
        return bool(done)


def content(serial: str, values: str = "") -> bytes:
    """A plug's memory: serial number, date of its last check, measured values, and over all that a CRC-32."""
    body = serial.encode().ljust(_SERIAL, b"\xff") + CHECKED_ON.encode().ljust(_DATE, b"\xff") + values.encode()
    body = body[: _SIZE - 4].ljust(_SIZE - 4, b"\xff")
    return body + zlib.crc32(body).to_bytes(4, "big")


def measured(parts: tuple[Part, ...]) -> str:
    """A plug's own values as they were measured: its arms in ohm, to a tenth."""
    arms = (part for part in parts if part.kind == "resistor" and part.tolerance <= _ARM and part.value)
    return " ".join(f"{part.ref.rpartition(':')[2]}={part.value:.1f}" for part in arms)
