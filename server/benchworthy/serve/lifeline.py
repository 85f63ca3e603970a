"""What ties a child to `serve`: two pipes. By its stdout a child says that it is up; by its stdin it learns how its
siblings are, and that `serve` is gone: then it ends by itself, so that no child outlives a killed supervisor.

Only with `--child`: started by hand, a child knows of nobody.
"""

import json
import os
import signal
import threading
from collections.abc import Mapping, Sequence
from typing import Any, Final

OPTION: Final = "--child"
_UP: Final = b"up\n"


class Lifeline:
    """The child's end."""

    def __init__(self, arguments: Sequence[str]) -> None:
        self._tied = OPTION in arguments
        self._parts: Mapping[str, Any] = {}
        if self._tied:
            threading.Thread(target=self._listen, daemon=True).start()

    def parts(self) -> Mapping[str, Any]:
        """State and number of restarts by name of each part, as `serve` told it last; empty without a supervisor."""
        return self._parts

    def up(self) -> None:
        """Say that this child does its work from now on."""
        if self._tied:
            os.write(1, _UP)

    def _listen(self) -> None:
        # os.read, not sys.stdin: a buffered reader waiting in a thread makes the interpreter fail at its end.
        waiting = b""
        while octets := os.read(0, 65536):
            *lines, waiting = (waiting + octets).split(b"\n")
            if lines:
                self._parts = json.loads(lines[-1])
        os.kill(os.getpid(), signal.SIGTERM)


def said_up(pipe: int) -> bool:
    """The supervisor's end: whether the child said it since the last look; `pipe` does not block."""
    try:
        return _UP in os.read(pipe, 4096)
    except BlockingIOError:
        return False


def tell(pipe: int, parts: Mapping[str, Any]) -> None:
    """Tell a child how all are. A child that is just dying, or does not read, is not waited for."""
    try:
        os.write(pipe, json.dumps(parts).encode() + b"\n")
    except (BlockingIOError, BrokenPipeError):
        return
