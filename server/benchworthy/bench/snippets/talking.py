"""Echo and clock of a board without a standard input: exchanges in which each side waits for the other."""

import base64
import os
import time
from dataclasses import dataclass, field
from typing import Final

from benchworthy.bench.echo import Echoed
from benchworthy.bench.exchange import Exchange
from benchworthy.bench.probe import Link
from benchworthy.bench.snippets import code, wire
from benchworthy.errors import BoardFaulted, BoardGarbled, BoardSilent

ECHO_BYTES: Final = 8 * 1024
PIECE: Final = 24  # two of them fit the receive buffer of a small controller, 64 bytes
STAMPS: Final = 12
_GO: Final = "=BA="
_ECHO_S: Final = 60.0
_WRAP: Final = 2**30  # where the board's microseconds begin anew


def echo(link: Link, size: int | None = None) -> Echoed:
    """Send random text (8 kB) piece by piece and take it back; a piece that is not the one sent is an error. Raises BoardLost."""
    size = size or ECHO_BYTES
    text = base64.b64encode(os.urandom(size)).decode()
    talk = Exchange(link, [text[start : start + PIECE] for start in range(0, size - PIECE + 1, PIECE)], _GO)
    try:
        wire.ask(link, code.echo(len(talk.pieces), PIECE), _ECHO_S, talk.line)
    except (BoardSilent, BoardFaulted, BoardGarbled):
        pass  # the pieces that never came are counted as errors
    except wire.NotThere as fault:
        raise BoardFaulted(f"The board cannot echo: {fault}.", port=link.port) from fault
    return Echoed(talk.bytes_per_s, talk.errors)


def clock(link: Link, seconds: int = 30) -> tuple[int, int]:
    """Microseconds that passed on the board and here, between two sets of stamps about `seconds` apart. Raises BenchFailure.

    Of each set the stamp with the shortest way there and back counts, at its middle.
    """
    talk = _Stamps(link)
    try:
        rows = wire.ask(link, code.clock(STAMPS, seconds), seconds * 2 + 30.0, talk.line)
    except wire.NotThere as fault:
        raise BoardFaulted(f"The board gives no stamps: {fault}.", port=link.port) from fault
    if len(rows) != 2 * STAMPS or [len(ways) for ways in talk.rounds] != [STAMPS, STAMPS]:
        raise BoardFaulted("Stamps of the board's clock are missing.", port=link.port)
    ends = []
    for number, ways in enumerate(talk.rounds):
        place = min(range(STAMPS), key=lambda at: ways[at][1] - ways[at][0])
        ends.append((rows[number * STAMPS + place][0], sum(ways[place]) / 2))
    (board_first, here_first), (board_last, here_last) = ends
    return (board_last - board_first) % _WRAP, int((here_last - here_first) * 1_000_000)


@dataclass(slots=True)
class _Stamps:
    """When each stamp was asked for and when it was heard, in two rounds."""

    link: Link
    rounds: list[list[tuple[float, float]]] = field(default_factory=list)
    asked: float = 0.0

    def line(self, line: str) -> None:
        if line == _GO:
            if len(self.rounds) == 2:  # the board was told once more
                self.rounds.clear()
            self.rounds.append([])
            self._ask()
        elif line.startswith(wire.NUMBERS) and self.rounds and len(self.rounds[-1]) < STAMPS:
            self.rounds[-1].append((self.asked, time.perf_counter()))
            if len(self.rounds[-1]) < STAMPS:
                self._ask()

    def _ask(self) -> None:
        self.asked = time.perf_counter()
        self.link.reply("\n")
