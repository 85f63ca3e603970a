"""What a person in front of the board can see and hear: lamps, the sounder's tone, which way a motor turns."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchworthy.designs.parts import Part
from benchworthy.virtual import models
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.dynamics import Timeline
from benchworthy.virtual.elements import GROUND

_AUDIBLE = (50.0, 15000.0)  # Hz
_TURNS_MA = 10.0  # own choice: a motor with less current does not start against its own friction


@dataclass(frozen=True, slots=True)
class Glimpse:
    """One moment: currents in mA, the tone's frequency (0: none), and 1, 0 or -1 for each motor plugged in."""

    ms: float
    lamp_ma: float = 0.0
    sounder_ma: float = 0.0
    sounder_hz: float = 0.0
    lamps: Mapping[str, float] = field(default_factory=dict)
    turns: Mapping[str, int] = field(default_factory=dict)

    def line(self) -> bytes:
        """As it goes through the pipe that the person looks at."""
        said = {name: getattr(self, name) for name in self.__slots__}
        return (json.dumps(said) + "\n").encode()


def driven_by(parts: Iterable[Part], ref: str) -> frozenset[str]:
    """The pins of the module from which a part can be reached without passing a supply or ground."""
    known = list(parts)
    module = next((part for part in known if part.kind == "module"), None)
    start = next((part for part in known if part.ref == ref), None)
    if module is None or start is None:
        return frozenset()
    barred = _supplies(known)
    reached, fresh = set(start.nets) - barred, set(start.nets) - barred
    while fresh:
        near = {net for part in known if part.kind in _PASSING and fresh & set(part.nets) for net in part.nets}
        fresh = near - barred - reached
        reached |= fresh
    return frozenset(pin for pin, number in models.MODULE_PINS.items() if models.net_at(module, number) in reached)


_PASSING = frozenset({"resistor", "transistor", "lamp", "diode"})


def _supplies(parts: Iterable[Part]) -> set[str]:
    found = {GROUND}
    for part in parts:
        if part.kind in ("regulator", "source", "reference"):
            found |= set(part.nets)
        elif part.kind == "module":
            found |= {models.net_at(part, pin) for pin in (models.MODULE_RAIL, models.MODULE_VSYS, models.MODULE_VBUS)}
    return found


class Perception:
    """Looks at a board and tells what has changed for a person since the last look."""

    def __init__(self, circuit: BoardCircuit, timeline: Timeline) -> None:
        self._circuit = circuit
        self._timeline = timeline
        parts = circuit.parts_now()
        self._lamps = tuple(part.ref for part in parts if part.kind == "lamp")
        self._sounders = {part.ref: driven_by(parts, part.ref) for part in parts if part.kind == "sounder"}
        # the status lamp is the one that the program can light
        self._status = next((ref for ref in self._lamps if driven_by(parts, ref)), "")
        self._last: Glimpse | None = None

    def look(self, t_us: int) -> Glimpse | None:
        """What the present steady state shows, None if it shows nothing new."""
        solution = self._circuit.solution()
        lamps = {ref: round(self._circuit.lamp_current(ref, solution) * 1000, 1) + 0.0 for ref in self._lamps}
        seen = Glimpse(0.0, lamps.get(self._status, 0.0), *self._heard(), lamps, self._circuit_turns())
        if self._last == seen:
            return None
        self._last = seen
        return Glimpse(t_us / 1000, seen.lamp_ma, seen.sounder_ma, seen.sounder_hz, lamps, seen.turns)

    def _heard(self) -> tuple[float, float]:
        """The current that comes and goes, and how often; a steady current makes no sound."""
        for ref, pins in self._sounders.items():
            for pin in pins:
                width = self._timeline.width(pin)
                if width is not None and _AUDIBLE[0] <= width.hertz <= _AUDIBLE[1]:
                    low, high = (abs(self._circuit.sounder_current(ref, at)) for at in self._timeline.sides(pin))
                    return round(abs(high - low) * 1000, 1), width.hertz
            return round(abs(self._circuit.sounder_current(ref)) * 1000, 1), 0.0
        return 0.0, 0.0

    def _circuit_turns(self) -> dict[str, int]:
        solution = self._circuit.solution()
        turns = {}
        for part in self._circuit.netlist().parts.values():
            if part.kind == "motor":
                a, b, inner = (solution[net] for net in part.nets)
                milliamperes = (a - inner) / part.model["winding"] * 1000
                held = abs(inner - b) < part.model["friction"] * abs(milliamperes) / 1000 / 2
                turns[part.ref] = 0 if held or abs(milliamperes) < _TURNS_MA else (1 if milliamperes > 0 else -1)
        return turns
