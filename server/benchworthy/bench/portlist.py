"""Which serial ports there are now, and what is new among them.

Beside the system's own ports, a folder may hold links to pseudo-terminals of stand-in boards, named by their serial text.
"""

import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import serial.tools.list_ports

FOLDER: Final = "BENCHWORTHY_PORTS"
_POLL_S: Final = 0.05


@dataclass(frozen=True, slots=True)
class PortEntry:
    """A port by its name; `text` is the serial text that the USB device gives itself, "" where there is none."""

    name: str
    text: str = ""
    about: str = ""


@dataclass(frozen=True, slots=True)
class Arrival:
    """What was seen when a board was plugged in: port names before and after, and how long the new one took."""

    before: tuple[PortEntry, ...]
    after: tuple[PortEntry, ...]
    new: tuple[PortEntry, ...]
    appear_us: int


Listing = Callable[[], Sequence[PortEntry]]


def listed(folder: Path | None = None) -> list[PortEntry]:
    """The ports there are, sorted by name; `folder` (default: what BENCHWORTHY_PORTS names) adds links."""
    found = [
        PortEntry(str(entry.device), str(entry.serial_number or ""), str(entry.description or ""))
        for entry in serial.tools.list_ports.comports()
    ]
    return sorted([*found, *_links(folder)], key=lambda entry: entry.name)


def wait_for_new(before: Sequence[PortEntry], timeout_s: float, listing: Listing = listed) -> Arrival:
    """Watch until a port is there that was not there before, or the time is up; `new` is empty then.

    The first that comes is not taken blindly: whoever asked looks which board it is.
    """
    known = {entry.name for entry in before}
    begun = time.monotonic()
    while True:
        after = tuple(listing())
        new = tuple(entry for entry in after if entry.name not in known)
        passed = time.monotonic() - begun
        if new or passed >= timeout_s:
            return Arrival(tuple(before), after, new, int(passed * 1_000_000))
        time.sleep(_POLL_S)


def wait_for_gone(name: str, timeout_s: float, listing: Listing = listed) -> bool:
    """Watch until a port is no longer there; False when it stayed."""
    deadline = time.monotonic() + timeout_s
    while any(entry.name == name for entry in listing()):
        if time.monotonic() >= deadline:
            return False
        time.sleep(_POLL_S)
    return True


def _links(folder: Path | None) -> list[PortEntry]:
    place = folder if folder is not None else _named()
    if place is None or not place.is_dir():
        return []
    # A link whose board is gone points nowhere: that port is absent.
    return [
        PortEntry(str(link), link.name, "stand-in board") for link in place.iterdir() if link.exists() and link.name[0] != "."
    ]


def _named() -> Path | None:
    given = os.environ.get(FOLDER)
    return Path(given) if given else None
