"""A virtual person at a virtual board: sees lamps, hears the sounder, plugs, turns, presses, and reads a meter.

The person gets what perception gives and nothing else: neither which test was drawn nor which fault was injected.
"""

import json
import math
import os
import re
import select
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from benchworthy.virtual import watching
from benchworthy.virtual.perception import Glimpse

_CHUNK = 65536
# Where the sheet's question tells to put the probe.
METER_POINTS: Mapping[str, str] = {"PWR-DMM5": "V5", "PWR-DMM33": "V33S", "PWR-DMM3M": "V33M"}
DIODES = ("D1", "D4", "D5", "D8")
_BETWEEN = re.compile(r"R\((?:[A-Z0-9]+ )?(?P<a>[A-Z0-9]+)-(?P<b>[A-Z0-9]+)\)")
_MARKED: Mapping[str, str] = {"IN": "VIN", "OUT": "V5"}  # the legs of U1 and the nets at them
_OVER_OHM, _OVER_VOLTS = 2e7, 9.999  # what a person writes down for a meter that shows over-range
_PRESSES = 5
_RAIL_LAMPS: Mapping[str, str] = {"blue": "D2", "amber": "D3"}
_RIG: Mapping[str, str] = {"rig-motor": "motor", "rig-held": "held", "rig-loads": "loads"}
_PULLED: Mapping[str, str] = {"pull-jack": "jack", "pull-usb": "usb"}


class Hands(Protocol):
    """What a person does with a board; volts and ohms are what a meter shows, with its error."""

    def attach(self, name: str) -> None: ...

    def detach(self, name: str) -> None: ...

    def turn(self, fixture: str, position: str) -> None: ...

    def press(self, key: str, down: bool = True) -> None: ...

    def plan_presses(self, count: int) -> None: ...

    def meter(self, net: str) -> float: ...

    def ohms(self, net_a: str, net_b: str) -> float: ...

    def diode(self, ref: str) -> tuple[float, float]: ...


class VirtualOperator:
    """Perceives through `perceived_fd` (the reading end of a pipe of JSON lines) and acts through `hands`."""

    def __init__(
        self,
        perceived_fd: int,
        hands: Hands,
        plug: str = "TP-4",
        label: str = "",
        points: Mapping[str, str] = METER_POINTS,
        rig: str = "M-1",
    ) -> None:
        self._fd = perceived_fd
        self._hands = hands
        self._plug = plug
        self._label = label
        self._points = points
        self._rig = rig
        self._rest = b""
        self._seen: list[Glimpse] = []
        self._now: Glimpse | None = None  # the last thing seen, also before somebody looked away

    def look_away(self) -> None:
        """Forget everything seen so far; what is counted next begins here."""
        self._look()
        self._seen.clear()

    def blinks(self, since: float | None = None, until: float | None = None) -> int:
        """How often the lamp lit since the last look_away(), from `since` to `until` in the board's milliseconds."""
        self._look()
        return watching.blinks(self._seen, since, until)

    def scan_label(self) -> str:
        """What the scanner reads on the board's label."""
        return self._label

    def fit(self, fixture: str, serial: str = "") -> None:
        """Fit a fixture; the person has one of each on the table, so its serial number changes nothing."""
        self._hands.attach(fixture)

    def remove(self, fixture: str) -> None:
        """Take a fixture off."""
        self._hands.detach(fixture)

    def act(self, action: str, ask: str = "") -> None:
        """Do what a test needs."""
        if action == "press-key":
            self._hands.plan_presses(_PRESSES)
        elif action in _RIG:
            self._hands.turn(self._rig, _RIG[action])
        elif action in _PULLED:
            self._hands.detach(_PULLED[action])
        # what is left, moving the plug, changes nothing on a board whose socket holds it

    def undo(self, action: str) -> None:
        """Put it back as it was."""
        if action in _PULLED:
            self._hands.attach(_PULLED[action])
        elif action in _RIG:
            self._hands.turn(self._rig, "loads")

    def clear(self, hazard: str = "") -> None:
        """Nothing is ever in the way of a virtual motor."""

    def watch(self, procedure: str, ask: str, start: Callable[[], None]) -> str:
        """Look and listen while the board shows something, and say what it was."""
        self.look_away()
        start()
        self._look()
        if procedure == "tone":
            return watching.pattern(self._seen)
        return watching.turns(self._seen) if procedure == "turn" else str(watching.blinks(self._seen))

    def read_meter(self, test: str, ask: str = "", quantity: str = "") -> float:
        """What the meter shows at the test's point: volts to the millivolt, ohms to the ohm."""
        between = _BETWEEN.fullmatch(quantity)
        if between:
            ohms = self._hands.ohms(*(_MARKED.get(end, end) for end in between.groups()))
            return round(min(ohms, _OVER_OHM))
        if quantity in DIODES:
            return round(min(self._hands.diode(quantity)[0], _OVER_VOLTS), 3)
        if quantity.startswith("over-range"):
            return sum(math.isinf(self._hands.diode(ref)[1]) for ref in DIODES)
        return round(self._hands.meter(self._points.get(test, quantity or test)), 3)

    def check_list(self, test: str, ask: str, items: Sequence[str]) -> Mapping[str, str]:
        """Only lamps can be looked at on a board that is a circuit; everything else counts as good."""
        self._look()
        return {item: self._looked_at(item) for item in items}

    def _looked_at(self, item: str) -> str:
        lamps = self._now.lamps if self._now is not None else {}
        wanted = [ref for word, ref in _RAIL_LAMPS.items() if word in item or "rail lamps" in item]
        dark = [word for word, ref in _RAIL_LAMPS.items() if ref in wanted and lamps.get(ref, 0.0) <= watching.SEEN_MA]
        return f"{' and '.join(dark)} dark" if dark else "good"

    def _look(self) -> None:
        while select.select([self._fd], [], [], 0)[0]:
            octets = os.read(self._fd, _CHUNK)
            if not octets:
                return
            *lines, self._rest = (self._rest + octets).split(b"\n")
            self._seen += [Glimpse(**json.loads(line)) for line in lines]
            if self._seen:
                self._now = self._seen[-1]
