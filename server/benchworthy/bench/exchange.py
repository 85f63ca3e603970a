"""Text sent to a board piece by piece, each when an earlier one came back: neither side ever has more to hold than it can."""

import time
from collections.abc import Sequence
from dataclasses import dataclass

from benchworthy.bench.probe import Link

_AHEAD = 2  # pieces under way at a time


@dataclass(slots=True)
class Exchange:
    """One echo under way; it starts over when the board says once more that it has begun, by the line `go`.

    Each piece goes out followed by `ending`, and has to come back as a line of its own.
    """

    link: Link
    pieces: Sequence[str]
    go: str
    ending: str = ""
    sent: int = 0
    heard: int = 0
    wrong: int = 0
    begun: float = 0.0
    ended: float = 0.0

    def line(self, line: str) -> None:
        """Take a line that the board printed."""
        if line == self.go:
            self.sent = self.heard = self.wrong = 0
            self.begun = time.monotonic()
            for _ in range(_AHEAD):
                self._next()
        elif self.begun and self.heard < len(self.pieces):
            self.wrong += line != self.pieces[self.heard]
            self.heard += 1
            self.ended = time.monotonic()
            self._next()

    def _next(self) -> None:
        if self.sent < len(self.pieces):
            self.link.reply(self.pieces[self.sent] + self.ending)
            self.sent += 1

    @property
    def errors(self) -> int:
        """Pieces that came back wrong or not at all."""
        return self.wrong + len(self.pieces) - self.heard

    @property
    def bytes_per_s(self) -> int:
        """What came back in a second, line ends included."""
        seconds = max(self.ended - self.begun, 1e-6)
        octets = sum(len(piece) + len(self.ending) for piece in self.pieces[: self.heard])
        return min(int(octets / seconds), 2**31 - 1)
