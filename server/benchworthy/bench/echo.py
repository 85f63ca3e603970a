"""Text to the board and back again, in pieces that wait for each other; and stamps of two clocks.

Both are one call with answers in between, so they work over any link and leave nothing behind on the board.
"""

import base64
import binascii
import contextlib
import json
import os
import time
from dataclasses import dataclass, field
from typing import Final

from benchworthy.bench.exchange import Exchange
from benchworthy.bench.probe import MARK, Link
from benchworthy.errors import BoardFaulted, BoardSilent

TEXT_BYTES: Final = 64 * 1024
PIECE: Final = 512
_ECHO_S: Final = 60.0
_STAMPS: Final = 12
_BRIEF_S: Final = 15.0
_WRAP_US: Final = 400_000_000  # a board's microseconds may wrap after 2^30; differences hold for half of that
_GO: Final = MARK + '"go"'

_ECHO: Final = """
import sys,binascii
print('=BP= "go"')
c=0
for _ in range(%d):
 s=sys.stdin.read(%d)
 c=binascii.crc32(s.encode(),c)
 sys.stdout.write(s)
print('=BP= %%d'%%(c&0xffffffff))
"""

_BASE: Final = "import time\n_ba=time.ticks_us()"

# The true time of a stand-in's world is used where there is one: its own clock runs ahead of the host's.
_STAMP: Final = """
import sys,time
w=getattr(time,'world_us',None)
print('=BP= "go"')
for _ in range(%d):
 sys.stdin.readline()
 print('=BP= [%%d,%%d]'%%(time.ticks_diff(time.ticks_us(),_ba),w() if w else -1))
"""

_WAIT: Final = """
import time
for _ in range(%d):
 time.sleep_ms(1000)
 print('=HB=',time.ticks_ms())
"""


@dataclass(slots=True)
class Echoed:
    """How an echo went: bytes a second, and pieces that came back wrong or not at all."""

    bytes_per_s: int
    errors: int


def echo(link: Link, size: int = TEXT_BYTES) -> Echoed:
    """Send `size` bytes of random base64 text, take it back, compare piece by piece and by CRC-32. Raises BoardLost.

    A board that swallows some falls silent, which counts as errors: the pieces that never came.
    """
    text = base64.b64encode(os.urandom(size)).decode()
    pieces = [text[start : start + PIECE - 1] for start in range(0, size // PIECE * (PIECE - 1), PIECE - 1)]
    talk, sums = Exchange(link, pieces, _GO, "\n"), list[str]()

    def line(said: str) -> None:
        if said != _GO and said.startswith(MARK):
            sums.append(said.removeprefix(MARK))
        else:
            talk.line(said)

    with contextlib.suppress(BoardSilent, BoardFaulted):
        link.call(_ECHO % (len(pieces), PIECE), _ECHO_S, line)
    right = str(binascii.crc32("".join(f"{piece}\n" for piece in pieces).encode()))
    return Echoed(talk.bytes_per_s, talk.errors + (sums != [right] and talk.heard == len(pieces)))


@dataclass(frozen=True, slots=True)
class Stamp:
    """One moment on both clocks, in microseconds; `way_us` is how long asking for it took."""

    board_us: int
    here_us: int
    way_us: float


def first_stamp(link: Link) -> Stamp:
    """Begin to compare the clocks. Raises BenchFailure."""
    link.call(_BASE, _BRIEF_S)
    return stamp(link)


def stamp(link: Link) -> Stamp:
    """This moment on both clocks.

    It is asked for and answered, several times; the one with the shortest way there and back counts, at its middle, as a
    program's stamps come late by chance and never early. Raises BenchFailure.
    """
    talk = _Stamps(link)
    link.call(_STAMP % _STAMPS, _BRIEF_S, talk.line)
    if len(talk.taken) != _STAMPS:
        raise BoardFaulted("Stamps of the board's clock are missing.", port=link.port)
    return min(talk.taken, key=lambda one: one.way_us)


def clock(link: Link, seconds: int, since: Stamp | None = None) -> tuple[int, int]:
    """Microseconds that passed on the board and here, over `seconds` at least. Raises BenchFailure.

    With the stamp of an earlier moment only what is left is waited for. A board that started anew since, or whose count
    may have wrapped, begins again.
    """
    first, now = since, None
    if first is not None:
        try:
            now = stamp(link)
        except BoardFaulted:
            first = None
    if first is None or now is None or now.here_us - first.here_us > _WRAP_US:
        first = now = first_stamp(link)
    left_us = seconds * 1_000_000 - (now.here_us - first.here_us)
    if left_us > 0:
        wait_s = -(-left_us // 1_000_000)
        link.call(_WAIT % wait_s, wait_s * 2 + _BRIEF_S)
        now = stamp(link)
    return now.board_us - first.board_us, now.here_us - first.here_us


@dataclass(slots=True)
class _Stamps:
    link: Link
    taken: list[Stamp] = field(default_factory=list)
    asked: float = 0.0

    def line(self, line: str) -> None:
        if line == _GO:
            self._ask()
        elif line.startswith(MARK):
            self.taken.append(self._read(line[len(MARK) :]))
            if len(self.taken) < _STAMPS:
                self._ask()

    def _ask(self) -> None:
        self.asked = time.perf_counter()
        self.link.reply("\n")

    def _read(self, text: str) -> Stamp:
        now = time.perf_counter()
        try:
            board_us, world_us = (int(value) for value in json.loads(text))
        except (ValueError, TypeError) as fault:
            raise BoardFaulted("A stamp of the board's clock is garbled.", port=self.link.port) from fault
        middle = int((self.asked + now) / 2 * 1_000_000)
        return Stamp(board_us, world_us if world_us >= 0 else middle, now - self.asked)
