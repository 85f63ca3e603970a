"""Which port the board is at: never the first one found."""

import time
from collections.abc import Callable, Sequence
from typing import Final

from benchworthy.bench import portlist, probing
from benchworthy.bench.people import Operator
from benchworthy.bench.portlist import Arrival, Listing, PortEntry
from benchworthy.errors import BoardAnother, PortAbsent

WATCH_S: Final = 60.0
SETTLE_S: Final = 15.0
_AGAIN_S: Final = 0.5
_PASSING: Final = frozenset({"absent", "busy", "no permission", "lost"})
Looking = Callable[[Sequence[PortEntry]], Sequence[probing.Found]]


def watch(operator: Operator, listing: Listing = portlist.listed) -> Arrival:
    """Note the ports, have the board plugged in, and say what appeared. Raises PortAbsent."""
    before = tuple(listing())
    operator.undo("pull-usb")
    arrival = portlist.wait_for_new(before, WATCH_S, listing)
    if not arrival.new:
        raise PortAbsent(f"No port appeared within {WATCH_S:.0f} s.", ports=[entry.name for entry in before])
    return arrival


def _once_settled(arrival: Arrival, look: Looking) -> Sequence[probing.Found]:
    """What is at the new ports. One that was just plugged in may be busy or forbidden while the system works on it."""
    deadline = time.monotonic() + SETTLE_S
    while True:
        looked = look(arrival.new)
        unsettled = all(found.board is None for found in looked) and any(found.state in _PASSING for found in looked)
        if not unsettled or time.monotonic() >= deadline:
            return looked
        time.sleep(_AGAIN_S)


def port_of(
    module: str | None,
    operator: Operator,
    say: Callable[[str], None],
    listing: Listing = portlist.listed,
    look: Looking = probing.look_at_all,
) -> tuple[str, Arrival | None]:
    """The port of a module, and what was seen when it was plugged in.

    A known module that is plugged in already is recognised by its id, first by what the USB device says of itself.
    Otherwise it is the port that appears when a person plugs the board in. Raises PortAbsent, BoardAnother.
    """
    if module is not None:
        ports = list(listing())
        by_text = [entry for entry in ports if entry.text.lower() == module.lower()]
        for found in look(by_text or ports):
            if found.board is not None and found.board.module == module.lower():
                say(f"Module {module} is at {found.port}.")
                return found.port, None
    arrival = watch(operator, listing)
    looked = _once_settled(arrival, look)
    boards = [found for found in looked if found.board is not None]
    if len(boards) != 1:
        told = "; ".join(f"{found.port}: {found.told}" for found in looked)
        raise BoardAnother(f"{len(boards)} boards appeared where one was awaited. {told}", boards=len(boards))
    found = boards[0]
    assert found.board is not None
    if module is not None and found.board.module != module.lower():
        say(f"Module {found.board.module} is plugged in; the record says {module}. The run will tell.")
    return found.port, arrival
