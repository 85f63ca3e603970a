"""Starts web and listener, and ends both when either ends or the supervisor is told to."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from types import FrameType

from benchworthy.settings import Settings

PATIENCE_SECONDS = 10.0


def supervise(settings: Settings) -> int:
    """Run until a child ends or SIGTERM/SIGINT comes. Returns 0 when told to end, else the child's code."""
    names = ["web"] + (["listener"] if settings.mqtt else [])
    told = False

    def leave(_: int, __: FrameType | None) -> None:
        nonlocal told
        told = True

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    children = {name: _start(name) for name in names}
    print(
        f"serving http://{settings.http[0]}:{settings.http[1]}" + ("" if settings.mqtt else "; no broker is configured"),
        file=sys.stderr,
        flush=True,
    )
    code = 0
    while not told:
        ended = {name: child.returncode for name, child in children.items() if child.poll() is not None}
        if ended:
            name, returned = next(iter(ended.items()))
            print(f"benchworthy serve: {name} ended with {returned}; ending the others", file=sys.stderr, flush=True)
            code = returned or 1
            break
        time.sleep(0.1)
    _end(list(children.values()))
    return code


def _start(name: str) -> "subprocess.Popen[bytes]":
    """A child in its own session: a Ctrl-C at the terminal reaches only the supervisor, which then ends it in order."""
    return subprocess.Popen([sys.executable, "-m", f"benchworthy.serve.{name}"], env=os.environ.copy(), start_new_session=True)


def _end(children: Sequence["subprocess.Popen[bytes]"]) -> None:
    for child in children:
        if child.poll() is None:
            child.send_signal(signal.SIGTERM)
    deadline = time.monotonic() + PATIENCE_SECONDS
    for child in children:
        try:
            child.wait(max(0.1, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
