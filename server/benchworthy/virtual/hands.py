"""What a person can do to a virtual board with hands and a meter."""

import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from benchworthy.virtual import unpowered
from benchworthy.virtual.boardcircuit import BoardCircuit
from benchworthy.virtual.dynamics import Timeline
from benchworthy.virtual.keys import Keys

_METER_SPREAD = 0.001


class CircuitHands:
    """One person with one meter, whose gain is off by one factor whatever it measures."""

    def __init__(
        self,
        circuit: BoardCircuit,
        timeline: Timeline,
        keys: Keys,
        lock: threading.RLock,
        seed: int | None,
        now_us: Callable[[], int],
        changed: Callable[[], None],
    ) -> None:
        self._circuit = circuit
        self._timeline = timeline
        self._keys = keys
        self._lock = lock
        self._now_us = now_us
        self._changed = changed
        spread = 0.0 if seed is None else _METER_SPREAD
        self._gain = 1.0 + random.Random(f"meter {seed}").uniform(-spread, spread)

    def attach(self, name: str) -> None:
        """Plug in a supply ("jack", "usb") or a fixture ("TP-4", "L-2", "M-1")."""
        with self._acting():
            self._circuit.attach(name)

    def detach(self, name: str) -> None:
        """Unplug what attach() plugged in."""
        with self._acting():
            self._circuit.detach(name)

    def turn(self, fixture: str, position: str) -> None:
        """Turn a fixture's switch, such as the rig's to "loads", "motor" or "held"."""
        with self._acting():
            self._circuit.turn(fixture, position)

    def press(self, key: str, down: bool = True) -> None:
        """Hold a key down, or let it go."""
        with self._lock:
            self._keys.move(key, down, self._now_us())
            self._changed()

    def plan_presses(self, count: int) -> None:
        """Press the key so many times, beginning when the lamp lights next."""
        with self._lock:
            self._keys.plan(count)

    def meter(self, net: str) -> float:
        """What the meter shows between a net and ground, in volts."""
        with self._lock:
            return self._circuit.volts(net) * self._gain

    def ohms(self, net_a: str, net_b: str) -> float:
        """Ohms between two nets, nothing plugged in and the modules out of their sockets; infinite over the range."""
        with self._lock:
            return unpowered.ohms(self._circuit.parts_now(), net_a, net_b) * self._gain

    def diode(self, ref: str) -> tuple[float, float]:
        """The meter's diode range on a part in place, both ways round, in volts; infinite over the range."""
        with self._lock:
            forward, reverse = unpowered.diode(self._circuit.parts_now(), ref)
            return forward * self._gain, reverse * self._gain

    @contextmanager
    def _acting(self) -> Iterator[None]:
        with self._lock:
            yield
            self._timeline.disturb()
            self._changed()
