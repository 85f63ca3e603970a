"""A virtual person at a virtual board: sees lamps, hears the sounder, plugs, and reads a meter.

The person gets what perception gives and nothing else: neither which test was drawn nor which fault was injected.
"""

import json
import os
import select
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

_SEEN_MA = 0.5  # own choice: a lamp with less current than this looks dark in a lit room
_CHUNK = 65536
METER_POINTS: Mapping[str, str] = {"PWR-DMM33": "V33S"}  # where the sheet's question tells to put the probe


class Hands(Protocol):
    """What a person does with a board; volts are what a meter shows, with its error."""

    def attach(self, name: str) -> None: ...

    def detach(self, name: str) -> None: ...

    def press(self, key: str, down: bool = True) -> None: ...

    def meter(self, net: str) -> float: ...


@dataclass(frozen=True, slots=True)
class _Glimpse:
    ms: int
    lamp_ma: float
    sounder_ma: float


class VirtualOperator:
    """Perceives through `perceived_fd` (the reading end of a pipe of JSON lines) and acts through `hands`."""

    def __init__(
        self,
        perceived_fd: int,
        hands: Hands,
        plug: str = "TP-4",
        label: str = "",
        points: Mapping[str, str] = METER_POINTS,
    ) -> None:
        self._fd = perceived_fd
        self._hands = hands
        self._plug = plug
        self._label = label
        self._points = points
        self._rest = b""
        self._seen: list[_Glimpse] = []

    def look_away(self) -> None:
        """Forget everything seen so far; what is counted next begins here."""
        self._look()
        self._seen.clear()

    def blinks(self, since: int | None = None, until: int | None = None) -> int:
        """How often the lamp lit since the last look_away(), from `since` to `until` in the board's milliseconds."""
        self._look()
        count, lit = 0, False
        for glimpse in self._seen:
            now = glimpse.lamp_ma > _SEEN_MA
            inside = (since is None or glimpse.ms >= since) and (until is None or glimpse.ms <= until)
            count += now and not lit and inside
            lit = now
        return count

    def count_blinks(self, start: Callable[[], None]) -> str:
        """Watch the lamp while start() runs, and say how often it blinked."""
        self.look_away()
        start()
        return str(self.blinks())

    def fit_plug(self, serial: str = "") -> None:
        """Put the test plug in; the person has one board on the table, so its serial number changes nothing."""
        self._hands.attach(self._plug)

    def remove_plug(self) -> None:
        """Take the test plug out."""
        self._hands.detach(self._plug)

    def read_meter(self, test: str, ask: str = "") -> float:
        """What the meter shows at the test's point, or at the net of that name, in volts, to the millivolt."""
        return round(self._hands.meter(self._points.get(test, test)), 3)

    def scan_label(self) -> str:
        """What the scanner reads on the board's label."""
        return self._label

    def _look(self) -> None:
        while select.select([self._fd], [], [], 0)[0]:
            octets = os.read(self._fd, _CHUNK)
            if not octets:
                return
            *lines, self._rest = (self._rest + octets).split(b"\n")
            self._seen += [_Glimpse(**json.loads(line)) for line in lines]
