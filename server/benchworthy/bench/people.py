"""What the person at the bench is asked to do, and what they answer."""

import math
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Final, Protocol, TextIO

from benchworthy.errors import NoAnswer


class Operator(Protocol):
    """The person at the bench. Answers are taken as they are given; the service judges them."""

    def scan_label(self) -> str:
        """The text of the board's label."""

    def fit(self, fixture: str, serial: str) -> None:
        """Fit a fixture of that serial number; returns when it is in place."""

    def remove(self, fixture: str) -> None:
        """Take a fixture off; returns when it is off."""

    def act(self, action: str, ask: str) -> None:
        """Get ready for, or do, what a test needs; returns when that is so."""

    def undo(self, action: str) -> None:
        """Put back what `act` changed."""

    def clear(self, hazard: str) -> None:
        """Returns once the person says that nothing is in the way of what will move."""

    def watch(self, procedure: str, ask: str, start: Callable[[], None]) -> str:
        """Look or listen while `start` makes the board show something, and say what it was."""

    def read_meter(self, test: str, ask: str, quantity: str = "") -> float:
        """Do what `ask` says and read the meter: a finite number in the unit that is asked for."""

    def check_list(self, test: str, ask: str, items: Sequence[str]) -> Mapping[str, str]:
        """Look at each item; `good`, or what is wrong with it."""


_TRIES: Final = 30  # a person gives up earlier; a program that types empty lines would go on for ever
GOOD: Final = "good"
CLEAR: Final = "clear"
PATTERNS: Final = ("rising", "long-long", "dot-dash-dot")
TURNS: Final = ("off", "forward", "back")
_ACTS: Final = {
    "press-key": "Get ready: when the lamp lights, press the board's key five times, about twice a second.",
    "pull-jack": "Pull the jack out; leave USB in.",
    "pull-usb": "Pull the USB cable out.",
    "rig-motor": "Set the rig's switch to motor; fingers away.",
    "rig-held": "Set the rig's switch to held; fingers away.",
    "rig-loads": "Set the rig's switch to loads.",
    "move-plug": "Move the USB plug gently to and fro until you are told to stop.",
}
_UNDONE: Final = {
    "press-key": "",
    "pull-jack": "Put the jack back in.",
    "pull-usb": "Plug the USB cable in",
    "rig-motor": "Set the rig's switch back to loads.",
    "rig-held": "Set the rig's switch back to loads.",
    "rig-loads": "",
    "move-plug": "",
}


class ConsoleOperator:
    """Asks on stderr and reads from stdin, so that stdout stays free for results."""

    def __init__(self, source: TextIO | None = None, voice: TextIO | None = None) -> None:
        self._source = source if source is not None else sys.stdin
        self._voice = voice if voice is not None else sys.stderr

    def scan_label(self) -> str:
        """The text of the board's label. EOFError when nobody is there to answer."""
        return self._until("Scan the board's label: ", _not_empty)

    def fit(self, fixture: str, serial: str) -> None:
        """Ask for the fixture and wait for the Enter key."""
        self._ask(f"Fit {fixture} {serial}".rstrip() + ", then press Enter. ")

    def remove(self, fixture: str) -> None:
        """Ask to take it off and wait for the Enter key."""
        self._ask(f"Take {fixture} off, then press Enter. ")

    def act(self, action: str, ask: str) -> None:
        """Say what to do, in the sheet's words where it has some, and wait for the Enter key."""
        self._ask(f"{ask or _ACTS.get(action, action)} Then press Enter. ")

    def undo(self, action: str) -> None:
        """Ask to put it back. The Enter key tells the moment: how long a port takes to appear counts from there."""
        told = _UNDONE.get(action, f"Undo: {action}.")
        if told:
            self._ask(f"{told} and press Enter at once. " if action == "pull-usb" else f"{told} Then press Enter. ")

    def clear(self, hazard: str) -> None:
        """Insist on the word: an Enter out of habit must not start a motor."""
        self._until(f"{hazard} Outputs will be driven. Nothing in the way? Type {CLEAR}: ", _is_clear)

    def watch(self, procedure: str, ask: str, start: Callable[[], None]) -> str:
        """Wait until the person attends, make the board show it, take the answer as typed once it is one."""
        before, question, read = _PERCEIVED.get(procedure, _PERCEIVED[""])
        self._ask(f"{ask} {before}".strip() + " ")
        start()
        return self._until(question, read)

    def read_meter(self, test: str, ask: str, quantity: str = "") -> float:
        """Show what to measure and take the number; a decimal comma is understood."""
        what = f"{test}{f', {quantity}' if quantity else ''}"
        return float(self._until(f"{what}: {ask} ", _decimal))

    def check_list(self, test: str, ask: str, items: Sequence[str]) -> Mapping[str, str]:
        """Item by item: Enter is good, anything typed says what is wrong."""
        self._voice.write(f"{test}: {ask}\n")
        return {item: self._ask(f"  {item} (Enter if good, else what is wrong): ")[:64] or GOOD for item in items}

    def _ask(self, question: str) -> str:
        self._voice.write(question)
        self._voice.flush()
        line = self._source.readline()
        if not line:
            raise EOFError("Nobody is there to answer: standard input has ended.")
        return line.strip()

    def _until(self, question: str, read: Callable[[str], str]) -> str:
        for _ in range(_TRIES):
            try:
                return read(self._ask(question))
            except ValueError as fault:
                self._voice.write(f"{fault}\n")
        raise NoAnswer(f"No answer that could be used came in {_TRIES} tries.")


def _not_empty(text: str) -> str:
    if not text:
        raise ValueError("Nothing was read; scan or type it again.")
    return text[:64]


def _is_clear(text: str) -> str:
    if text.lower() != CLEAR:
        raise ValueError(f"Only the word {CLEAR} starts it.")
    return text


def _whole(text: str) -> str:
    if not (text.isascii() and text.isdigit() and len(text) <= 4):
        raise ValueError(f"{text[:20]!r} is no count; type digits only, 0 if it stayed dark.")
    return str(int(text))


def _pattern(text: str) -> str:
    if text not in (*PATTERNS, "none"):
        raise ValueError(f"{text[:20]!r} is no pattern; type {', '.join(PATTERNS)}, or none if it stayed quiet.")
    return text


def _turns(text: str) -> str:
    words = text.lower().split()
    if not words or any(word not in TURNS for word in words) or len(words) > 8:
        raise ValueError(f"Type what the arrow did, in order, out of {', '.join(TURNS)}.")
    return " ".join(words)


_PERCEIVED: Final[dict[str, tuple[str, str, Callable[[str], str]]]] = {
    "blink": ("Look at the lamp and press Enter; it will blink.", "How often did it blink? ", _whole),
    "tone": ("Listen and press Enter.", f"Which was it: {', '.join(PATTERNS)}, or none? ", _pattern),
    "turn": ("Look at the arrow and press Enter; it will move three times.", "What did it do, in order? ", _turns),
    "dark": ("Look at the lamps and press Enter; some will stay dark.", "How many stayed dark? ", _whole),
    "": ("Press Enter.", "What did you perceive? ", _not_empty),
}


def _decimal(text: str) -> str:
    number = text.replace(",", ".")
    try:
        finite = math.isfinite(float(number))
    except ValueError:
        finite = False
    if not finite:
        raise ValueError(f"{text[:20]!r} is no number; type what the meter shows, such as 3.301, without the unit.")
    return number
