"""A log of bounded size: whoever can connect could otherwise write into it without end."""

import logging
import time
from collections.abc import Callable
from typing import Final

LINES_A_MINUTE: Final = 60
LONGEST: Final = 300
_MINUTE: Final = 60.0


class LineLimit(logging.Filter):
    """Lets LINES_A_MINUTE lines through, and says with the next minute's first line how many were left out."""

    def __init__(self, lines: int = LINES_A_MINUTE, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._lines, self._clock = lines, clock
        self._began, self._said, self._left_out = clock(), 0, 0

    def filter(self, record: logging.LogRecord) -> bool:
        now = self._clock()
        if now - self._began >= _MINUTE:
            if self._left_out:
                record.msg, record.args = f"{record.getMessage()} (and {self._left_out} lines before it left out)", ()
            self._began, self._said, self._left_out = now, 0, 0
        if self._said >= self._lines:
            self._left_out += 1
            return False
        self._said += 1
        return True


class OneLine(logging.Formatter):
    """Text from clients is hostile: no control characters, no line of its own, no traceback, not longer than LONGEST."""

    def format(self, record: logging.LogRecord) -> str:
        text = record.getMessage()
        if record.exc_info and record.exc_info[1] is not None:
            text = f"{text}: {record.exc_info[1]!r}"
        defused = "".join(letter if letter.isprintable() else "?" for letter in text[:LONGEST])
        return f"{self.formatTime(record)} {record.name} {defused}"


def set_up() -> None:
    """Everything that this process says goes through one handler with both; amqtt itself is heard from warnings on."""
    handler = logging.StreamHandler()
    handler.addFilter(LineLimit())
    handler.setFormatter(OneLine())
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("benchworthy").setLevel(logging.INFO)
    logging.getLogger("transitions").setLevel(logging.ERROR)
