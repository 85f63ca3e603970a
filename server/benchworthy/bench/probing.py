"""What is at a serial port: told apart in bounded time, each port in a process of its own that can be killed.

`python -m benchworthy.bench.probing PORT` looks at one port and prints one line of JSON.
"""

import dataclasses
import json
import subprocess
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

from benchworthy.bench import kinds, probe
from benchworthy.bench.portlist import PortEntry
from benchworthy.bench.transport import BoardLink
from benchworthy.errors import (
    BenchFailure,
    BoardChattering,
    BoardFaulted,
    BoardLost,
    BoardRestarting,
    BoardSilent,
    NotMicroPython,
    PortAbsent,
    PortBusy,
    PortForbidden,
)

PROBE_S: Final = 20.0
SIDE_BY_SIDE: Final = 8
_ENTER_S: Final = 2.5
# From the narrowest class to the widest.
_STATES: Final[Sequence[tuple[type[BenchFailure], str]]] = (
    (PortAbsent, "absent"),
    (PortForbidden, "no permission"),
    (PortBusy, "busy"),
    (BoardChattering, "chattering"),
    (NotMicroPython, "not MicroPython"),
    (BoardRestarting, "reset loop"),
    (BoardSilent, "silent"),
    (BoardLost, "lost"),
    (BoardFaulted, "not MicroPython"),
)


@dataclass(frozen=True, slots=True)
class Found:
    """One port: `state` is board, or why there is none; `told` says it in a sentence, `code` is the error's."""

    port: str
    state: str
    told: str
    code: str = ""
    board: probe.Identity | None = None


def look(port: str) -> Found:
    """Look at one port in this process. It never resets what is there."""
    try:
        with BoardLink(port, silence_s=5.0, enter_s=_ENTER_S) as link:
            board = kinds.identity(link)
    except BenchFailure as fault:
        return Found(port, next(state for kind, state in _STATES if isinstance(fault, kind)), str(fault), fault.code)
    return Found(port, "board", _sentence(board), board=board)


def look_apart(port: str, timeout_s: float = PROBE_S) -> Found:
    """The same in a process of its own, killed when the time is up: a stuck driver must not hold the bench."""
    words = [sys.executable, "-m", "benchworthy.bench.probing", port]
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=timeout_s, check=True, stdin=subprocess.DEVNULL)
        return _read(json.loads(done.stdout))
    except subprocess.TimeoutExpired:
        told = f"The port did not answer within {timeout_s:.0f} s and the look at it was ended. Unplug it and plug it in again."
        return Found(port, "stuck", told, BoardSilent.code)
    except (subprocess.CalledProcessError, ValueError, KeyError, TypeError):
        return Found(port, "stuck", "The look at this port failed. Unplug it and plug it in again.", BoardSilent.code)


def look_at_all(ports: Sequence[PortEntry]) -> list[Found]:
    """Every port, side by side; in the order given."""
    if not ports:
        return []
    with ThreadPoolExecutor(SIDE_BY_SIDE) as hands:
        return list(hands.map(lambda entry: look_apart(entry.name), ports))


def _sentence(board: probe.Identity) -> str:
    serial = board.serial or "without a serial number"
    kind = ", a stand-in" if board.stand_in else ""
    return f"board {serial}, module {board.module}{kind}, agent {board.agent_version or 'none'}"


def _read(values: dict[str, Any]) -> Found:
    board = values.pop("board")
    return Found(**values, board=probe.Identity(**board) if board else None)


def main(arguments: Sequence[str]) -> int:
    print(json.dumps(dataclasses.asdict(look(arguments[0]))))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
