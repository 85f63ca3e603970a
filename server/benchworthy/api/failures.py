"""Whoever sends wrong tokens, or wrong codes of loan slips, has to slow down; the two are counted apart.

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

from benchworthy.errors import BenchworthyError, TokenRefused, TooManyFailures, UnknownCode

MOST: Final = 30
WITHIN: Final = timedelta(seconds=60)
_REMEMBERED: Final = 10_000  # addresses, and tokens let in; the oldest are forgotten first


@dataclass(slots=True)
class Failures:
    """What this process remembers; it begins anew when the process does."""

    by_address: OrderedDict[str, deque[datetime]] = field(default_factory=OrderedDict)
    let_in: OrderedDict[tuple[str, str], None] = field(default_factory=OrderedDict)
    guard: threading.Lock = field(default_factory=threading.Lock)

    def gate(self, address: str, token: str, now: datetime, what: str = "tokens") -> None:
        """Raises TooManyFailures."""
        with self.guard:
            times = self.by_address.get(address, deque())
            while times and times[0] <= now - WITHIN:
                times.popleft()
            if len(times) < MOST or (address, token) in self.let_in:
                return
            wait = max(1, math.ceil((times[0] + WITHIN - now).total_seconds()))
        raise TooManyFailures(f"{MOST} wrong {what} came from this address within a minute.", retry_after=wait)

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
    with _counted(app, "tokens", TokenRefused, address, token, now):
        yield


@contextmanager
def counted_codes(app: Flask, address: str, code: str, now: datetime) -> Iterator[None]:
    """Count the block's UnknownCode against the address, apart from tokens. Raises TooManyFailures instead of entering it."""
    with _counted(app, "codes", UnknownCode, address, code, now):
        yield


@contextmanager
def _counted(app: Flask, what: str, wrong: type[BenchworthyError], address: str, name: str, now: datetime) -> Iterator[None]:
    known: Failures = app.extensions.setdefault(f"benchworthy-failures-{what}", Failures())
    known.gate(address, name, now, what)
    try:
        yield
    except wrong:
        known.failed(address, name, now)
        raise
    known.passed(address, name)
