"""The board under test is found by its module's id, whatever its port is called."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from bench_fakes import MODULE, PORT, FakeBoard
from benchworthy.bench.portlist import PortEntry
from benchworthy.bench.probe import Link
from benchworthy.bench.reach import Reach
from benchworthy.errors import BoardAnother, BoardLost, BoardSilent, PortAbsent, PortBusy

STRANGER = "e6ffffffffffffff"


class Table:
    """Ports by name: a board, or the error that opening them ends in. `busy` openings fail before one works."""

    def __init__(self, **ports: FakeBoard | Exception) -> None:
        self.ports, self.there, self.opened, self.busy = ports, list[str](), list[str](), 0

    def listing(self) -> list[PortEntry]:
        return [PortEntry(name) for name in self.there]

    @contextmanager
    def open(self, port: str, recover: bool) -> Iterator[Link]:
        self.opened.append(port)
        if self.busy:
            self.busy -= 1
            raise PortBusy("The system works on it.")
        found = self.ports[port]
        if isinstance(found, Exception):
            raise found
        with found.opened() as link:
            yield link

    def reach(self) -> Reach:
        return Reach(PORT, self.listing, self.open, back_s=0.2, settle_s=2.0)

    def plug(self, *names: str) -> None:
        self.there += names


def _board(module: str = MODULE) -> FakeBoard:
    board = FakeBoard([])
    board.module = module
    return board


def test_a_device_may_bring_a_second_port_that_does_not_answer() -> None:
    """The one that answers with the module's id is the board's."""
    table = Table(a=BoardSilent("Nothing."), b=_board())
    with table.reach() as reach:
        arrival = reach.plugged((), lambda: table.plug("a", "b"), MODULE)
        assert (reach.port, len(arrival.new)) == ("b", 2)


def test_another_board_in_its_place_is_told() -> None:
    """Also when the right one's neighbour answers first."""
    table = Table(a=_board(STRANGER), b=_board())
    with table.reach() as reach:
        reach.plugged((), lambda: table.plug("a", "b"), MODULE)
        assert reach.port == "b"
    with pytest.raises(BoardAnother, match=STRANGER), Table(a=_board(STRANGER)).reach() as reach:
        other = Table(a=_board(STRANGER))
        reach.listing, reach.opener = other.listing, other.open
        reach.plugged((), lambda: other.plug("a"), MODULE)


def test_a_port_that_was_just_plugged_in_may_be_busy_for_a_while() -> None:
    """The system works on it for some seconds."""
    table = Table(a=_board())
    table.busy = 2
    with table.reach() as reach:
        reach.plugged((), lambda: table.plug("a"), MODULE)
    assert table.opened == ["a", "a", "a"]


def test_nothing_that_appears_is_told_after_a_bounded_wait() -> None:
    """What was there before is not taken for it."""
    table = Table(old=_board())
    table.plug("old")
    with pytest.raises(PortAbsent), table.reach() as reach:
        reach.plugged(tuple(table.listing()), lambda: None, MODULE)
    assert table.opened == []


def test_without_an_open_port_there_is_no_link() -> None:
    """A mistake in the order of steps is an error of the bench, not a crash."""
    with pytest.raises(BoardLost), Table().reach() as reach:
        assert reach.link
