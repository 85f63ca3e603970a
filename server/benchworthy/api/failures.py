"""Whoever sends wrong tokens has to slow down.

Nobody guesses 256 random bits; the limit keeps a script gone wrong from filling the log, and one address from busying the
database. A token that was let in from an address before stays welcome: a school's desk and its pupils may share one.
"""

import math
import threading
from collections import OrderedDict, deque
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from flask import Flask

from benchworthy.errors import TokenRefused, TooManyFailures

MOST: Final = 30
WITHIN: Final = timedelta(seconds=60)
_REMEMBERED: Final = 10_000  # addresses, and tokens let in; the oldest are forgotten first


@dataclass(slots=True)
class Failures:
    """What this process remembers; it begins anew when the process does."""

    by_address: OrderedDict[str, deque[datetime]] = field(default_factory=OrderedDict)
    let_in: OrderedDict[tuple[str, str], None] = field(default_factory=OrderedDict)
    guard: threading.Lock = field(default_factory=threading.Lock)

    def gate(self, address: str, token: str, now: datetime) -> None:
        """Raises TooManyFailures."""
        with self.guard:
            times = self.by_address.get(address, deque())
            while times and times[0] <= now - WITHIN:
                times.popleft()
            if len(times) < MOST or (address, token) in self.let_in:
                return
            wait = max(1, math.ceil((times[0] + WITHIN - now).total_seconds()))
        raise TooManyFailures(f"{MOST} wrong tokens came from this address within a minute.", retry_after=wait)

    def failed(self, address: str, token: str, now: datetime) -> None:
        with self.guard:
            self.let_in.pop((address, token), None)
            self.by_address.setdefault(address, deque(maxlen=MOST)).append(now)
            self.by_address.move_to_end(address)
            while len(self.by_address) > _REMEMBERED:
                self.by_address.popitem(last=False)

    def passed(self, address: str, token: str) -> None:
        with self.guard:
            self.let_in[(address, token)] = None
            self.let_in.move_to_end((address, token))
            while len(self.let_in) > _REMEMBERED:
                self.let_in.popitem(last=False)


@contextmanager
def counted(app: Flask, address: str, token: str, now: datetime) -> Iterator[None]:
    """Count the block's TokenRefused against the address. Raises TooManyFailures instead of entering it."""
    known: Failures = app.extensions.setdefault("benchworthy-failures", Failures())
    known.gate(address, token, now)
    try:
        yield
    except TokenRefused:
        known.failed(address, token, now)
        raise
    known.passed(address, token)
