"""How the bench reaches the board under test: by its module's id, whatever the port is called at the moment."""

import time
from collections.abc import Callable
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field
from types import TracebackType
from typing import Final, Protocol

from benchworthy.bench import kinds, portlist, probe
from benchworthy.bench.portlist import Arrival, Listing, PortEntry
from benchworthy.bench.transport import BoardLink
from benchworthy.errors import BenchFailure, BoardAnother, BoardLost, PortAbsent, PortBusy, PortForbidden

BACK_S: Final = 30.0
SETTLE_S: Final = 15.0
_AGAIN_S: Final = 0.3
_START_S: Final = 0.3  # a board that is just starting is left alone for a moment


class Opener(Protocol):
    """Makes a link to a port; with `recover` it may reset a board that does not listen."""

    def __call__(self, port: str, recover: bool) -> AbstractContextManager[probe.Link]: ...


def open_link(port: str, recover: bool) -> AbstractContextManager[probe.Link]:
    """The opener for real ports."""
    return BoardLink(port, recover=recover)


@dataclass(slots=True)
class Reach:
    """One board on the table. A context manager: leaving it closes the port.

    `port` is where the board is now; `listing` tells which ports there are; `settle_s` is how long a port that was just
    plugged in may be busy or forbidden (the system works on it for some seconds).
    """

    port: str
    listing: Listing = portlist.listed
    opener: Opener = open_link
    back_s: float = BACK_S
    settle_s: float = SETTLE_S
    _held: ExitStack = field(default_factory=ExitStack)
    _link: probe.Link | None = None

    @property
    def link(self) -> probe.Link:
        """The open link. Raises BoardLost when there is none."""
        if self._link is None:
            raise BoardLost("The port is not open.", port=self.port)
        return self._link

    def open(self, recover: bool = False) -> probe.Link:
        """Open the port where the board was last; an open one stays as it is."""
        if self._link is None:
            self._link = self._held.enter_context(self.opener(self.port, recover))
        return self._link

    def close(self) -> None:
        self._link = None
        self._held.pop_all().close()

    def unplugged(self, act: Callable[[], None]) -> tuple[PortEntry, ...]:
        """Let the port go, have a person pull the cable, and say which ports are left."""
        self.close()
        act()
        portlist.wait_for_gone(self.port, 2.0, self.listing)
        return tuple(self.listing())

    def plugged(self, before: tuple[PortEntry, ...], act: Callable[[], None], module: str | None) -> Arrival:
        """Have a person plug the cable in, and open the port that appears.

        It must be the module asked for where that is known; its port may have another name than before. Raises PortAbsent
        when nothing appears, BoardAnother when it is another board.
        """
        act()
        arrival = portlist.wait_for_new(before, self.back_s, self.listing)
        if not arrival.new:
            raise PortAbsent("No port appeared after the board was plugged in.", ports=[entry.name for entry in before])
        time.sleep(_START_S)
        seen: list[str] = []
        failure: BenchFailure | None = None
        for entry in arrival.new:  # a device may bring several ports, of which one answers
            self.port = entry.name
            try:
                found = self._identity()
            except BenchFailure as fault:
                failure = fault
            else:
                if module is None or found == module:
                    return arrival
                seen.append(found)
            self.close()
        if seen or failure is None:
            raise BoardAnother(f"Module {module} did not come back; plugged in is {', '.join(seen)}.", found=seen)
        raise failure

    def find_again(self, module: str) -> None:
        """After the port went away by itself: wait for it, or for the one that comes in its place."""
        others = tuple(entry for entry in self.listing() if entry.name != self.port)
        self.plugged(others, lambda: None, module)

    def _identity(self) -> str:
        """Who is at the port; a port that has just come may still be held by the system."""
        deadline = time.monotonic() + self.settle_s
        while True:
            try:
                return kinds.identity(self.open()).module
            except (PortAbsent, PortBusy, PortForbidden, BoardLost):
                self.close()
                if time.monotonic() >= deadline:
                    raise
                time.sleep(_AGAIN_S)

    def __enter__(self) -> "Reach":
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None) -> None:
        self.close()
