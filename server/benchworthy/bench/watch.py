"""Reading a serial port within bounds: a watch over the port, and lines cut out of its bytes."""

import re
import time
from collections.abc import Callable
from typing import Any, Final

_LONGEST_LINE: Final = 64 * 1024
_KEPT: Final = 1200
_MOST_AT_ONCE: Final = 4096
_BOOT: Final = re.compile(rb"soft reboot|\brst\b|boot|brown|MicroPython v|main\.py", re.IGNORECASE)
_LOOP: Final = 3
_TALKING_S: Final = 0.5


class Overdue(Exception):
    """The watch ended a call. `how`: silent, half-line, stopped (it had said something) or chattering."""

    def __init__(self, how: str) -> None:
        super().__init__(how)
        self.how = how


class Watch:
    """A serial port with a deadline and a silence limit, both in seconds; it raises Overdue on use after either."""

    def __init__(self, port: Any, overall_s: float) -> None:
        self.port = port
        self.tail = b""
        self._back = b""
        self.start(overall_s, overall_s)

    def start(self, overall_s: float, silence_s: float) -> None:
        self._heard = time.monotonic()
        self._deadline = self._heard + overall_s
        self._silence_s = silence_s
        self.tail = b""

    def read(self, size: int = 1) -> bytes:
        self._check()
        if self._back:
            octets, self._back = self._back[:size], self._back[size:]
            return octets
        octets = bytes(self.port.read(size))
        if octets:
            self._heard = time.monotonic()
            self.tail = (self.tail + octets)[-_KEPT:]
        return octets

    def read_some(self) -> bytes:
        """Whatever is there, and at least one byte unless the port's own timeout comes first."""
        return self.read(min(max(1, self.inWaiting()), _MOST_AT_ONCE))

    def give_back(self, octets: bytes) -> None:
        """Bytes that were read too far; they come first again."""
        self._back = octets + self._back

    def write(self, octets: bytes) -> int:
        self._check()
        return int(self.port.write(octets))

    def inWaiting(self) -> int:  # mpremote asks by this name
        self._check()
        return len(self._back) or int(self.port.in_waiting)

    def loops(self) -> bool:
        """Whether what was heard looks like one start after the other: a line about starting, three times the same."""
        lines = [line.strip() for line in self.tail.splitlines()]
        boots = [line for line in lines if len(line) >= 8 and _BOOT.search(line)]
        return any(boots.count(line) >= _LOOP for line in set(boots))

    def _check(self) -> None:
        now = time.monotonic()
        if now >= self._heard + self._silence_s:
            raise Overdue("half-line" if self.tail and not self.tail.endswith((b"\n", b"\x04")) else "silent")
        if now >= self._deadline:
            talking = now < self._heard + _TALKING_S
            raise Overdue("silent" if not self.tail else "chattering" if talking else "stopped")


class Lines:
    """Cuts bytes into lines of text, hands each on and keeps them."""

    def __init__(self, on_line: Callable[[str], None] | None) -> None:
        self.all: list[str] = []
        self._on_line = on_line
        self._held = bytearray()

    def take(self, octets: bytes) -> None:
        *whole, rest = octets.split(b"\n")
        for line in whole:
            self._held += line
            while len(self._held) > _LONGEST_LINE:
                self._emit()
            self._emit()
        self._held += rest
        while len(self._held) > _LONGEST_LINE:
            self._emit()

    def finish(self) -> None:
        if self._held:
            self._emit()

    def _emit(self) -> None:
        held, self._held = self._held[:_LONGEST_LINE], self._held[_LONGEST_LINE:]
        line = bytes(held).rstrip(b"\r").decode("utf-8", "replace")
        self.all.append(line)
        if self._on_line is not None:
            self._on_line(line)
