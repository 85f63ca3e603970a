"""What the person at the bench is asked to do, and what they answer."""

import math
import sys
from collections.abc import Callable
from typing import Protocol, TextIO


class Operator(Protocol):
    """The person at the bench. Answers are taken as they are given; the service judges them."""

    def scan_label(self) -> str:
        """The text of the board's label."""

    def fit_plug(self, serial: str) -> None:
        """Fit the test plug of that serial number ("" when any will do); returns when it is in place."""

    def remove_plug(self) -> None:
        """Take the test plug off; returns when it is off."""

    def count_blinks(self, start: Callable[[], None]) -> str:
        """Watch the lamp while `start` makes the board blink, and say how often it lit."""

    def read_meter(self, test: str, ask: str) -> float:
        """Do what `ask` says and read the meter: a finite number in the unit that is asked for."""


class ConsoleOperator:
    """Asks on stderr and reads from stdin, so that stdout stays free for results."""

    def __init__(self, source: TextIO | None = None, voice: TextIO | None = None) -> None:
        self._source = source if source is not None else sys.stdin
        self._voice = voice if voice is not None else sys.stderr

    def scan_label(self) -> str:
        """The text of the board's label. EOFError when nobody is there to answer."""
        return self._until("Scan the board's label: ", _not_empty)

    def fit_plug(self, serial: str) -> None:
        """Ask for the test plug and wait for the Enter key."""
        self._ask(f"Fit the test plug {serial}".rstrip() + ", then press Enter. ")

    def remove_plug(self) -> None:
        """Ask to take the test plug off and wait for the Enter key."""
        self._ask("Take the test plug off, then press Enter. ")

    def count_blinks(self, start: Callable[[], None]) -> str:
        """Wait until the person looks, make the board blink, take the count as typed once it is a number."""
        self._ask("Look at the lamp and press Enter; it will blink. ")
        start()
        return self._until("How often did it blink? ", _whole)

    def read_meter(self, test: str, ask: str) -> float:
        """Show what to measure and take the number; a decimal comma is understood."""
        return float(self._until(f"{test}: {ask} ", _decimal))

    def _ask(self, question: str) -> str:
        self._voice.write(question)
        self._voice.flush()
        line = self._source.readline()
        if not line:
            raise EOFError("Nobody is there to answer: standard input has ended.")
        return line.strip()

    def _until(self, question: str, read: Callable[[str], str]) -> str:
        while True:
            try:
                return read(self._ask(question))
            except ValueError as fault:
                self._voice.write(f"{fault}\n")


def _not_empty(text: str) -> str:
    if not text:
        raise ValueError("Nothing was read; scan or type it again.")
    return text


def _whole(text: str) -> str:
    if not (text.isascii() and text.isdigit() and len(text) <= 4):
        raise ValueError(f"{text[:20]!r} is no count; type digits only, 0 if it stayed dark.")
    return str(int(text))


def _decimal(text: str) -> str:
    number = text.replace(",", ".")
    try:
        finite = math.isfinite(float(number))
    except ValueError:
        finite = False
    if not finite:
        raise ValueError(f"{text[:20]!r} is no number; type what the meter shows, such as 3.301, without the unit.")
    return number
