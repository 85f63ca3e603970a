"""The holder of a lease as text, `pid N start T on HOST`, and whether that process is known to be gone."""

import os
import re
import socket
from pathlib import Path

_OWNER = re.compile(r"pid (?P<pid>[0-9]+) start (?P<start>[0-9]+) on (?P<host>.+)")


def this_process() -> str:
    """The owner text of this process. A number is used again, so the moment it started stands beside it."""
    return f"pid {os.getpid()} start {_start(os.getpid()) or 0} on {_host()}"


def is_gone(owner: str) -> bool:
    """True only when the owner was a process of this machine and is no longer there; in doubt it still lives."""
    match = _OWNER.fullmatch(owner)
    if match is None or match["host"] != _host():
        return False
    pid, start = int(match["pid"]), int(match["start"])
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    except OSError:  # it belongs to another account, so it is there
        pass
    now = _start(pid)
    return now is not None and now != start


def _host() -> str:
    return socket.gethostname()[:40] or "unnamed"


def _start(pid: int) -> int | None:
    """Start time in clock ticks since boot, where /proc tells it; 0 for a dead process whose parent has not asked yet."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return None
    state, *rest = text.rpartition(")")[2].split()
    return 0 if state in "ZX" else int(rest[18])
