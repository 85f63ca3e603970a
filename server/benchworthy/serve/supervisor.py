"""Starts web, listener and embedded broker, starts one again when it dies, and ends both when told to.

A child that refuses at the first start (exit 2: the settings are wrong, the port is taken) is not tried again: what keeps it
from starting has to be mended by a person.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import FrameType
from typing import Any

from benchworthy.serve import lifeline
from benchworthy.settings import EMBEDDED, Settings

PATIENCE_SECONDS = 12.0
BENCH_MODE = "bench mode"
LOOK_SECONDS = 0.1
SHORTEST_WAIT, LONGEST_WAIT = 0.2, 30.0
SOUND_SECONDS = 10.0  # a child that was up this long failed by chance, not at once


@dataclass(slots=True)
class Child:
    """One child: its process, or None while its next start is awaited."""

    name: str
    process: "subprocess.Popen[bytes] | None" = None
    up: bool = False
    ever_up: bool = False
    restarts: int = 0
    started_at: float = 0.0
    next_start: float = 0.0
    wait: float = SHORTEST_WAIT
    last_exit: int | None = None
    mode: str = ""

    def state(self) -> dict[str, Any]:
        """As `/health/ready` shows it."""
        word = "up" if self.up else "starting" if self.process else "waiting to start again"
        told: dict[str, Any] = {"state": word, "restarts": self.restarts}
        told |= {"last_exit": self.last_exit} if self.restarts else {}
        return told | ({"mode": self.mode} if self.mode else {})


@dataclass(slots=True)
class Household:
    """All children, and what was told of them last."""

    children: Sequence[Child]
    told: Mapping[str, Any] = field(default_factory=dict)

    def look(self, now: float) -> int | None:
        """Notice who came up or died, start who is due, tell the others. A number: a child refuses, end with it."""
        for child in self.children:
            if child.process is None:
                if now >= child.next_start:
                    _start(child, now)
                    self.told = {}  # the new one has heard nothing yet
                continue
            if (code := child.process.poll()) is not None:
                if not child.ever_up and code == 2:
                    return code
                _plan_restart(child, code, now)
            elif not child.up and lifeline.said_up(_pipe(child.process.stdout)):
                child.up = child.ever_up = True
        self._tell()
        return None

    def _tell(self) -> None:
        parts = {child.name: child.state() for child in self.children}
        if parts == self.told:
            return
        self.told = parts
        for child in self.children:
            if child.process is not None:
                lifeline.tell(_pipe(child.process.stdin), parts)


def supervise(settings: Settings) -> int:
    """Run until SIGTERM or SIGINT, then return 0; or until a child refuses its first start, then its code."""
    told = False

    def leave(_: int, __: FrameType | None) -> None:
        nonlocal told
        told = True

    signal.signal(signal.SIGTERM, leave)
    signal.signal(signal.SIGINT, leave)
    household = Household(_children(settings))
    code = household.look(time.monotonic())
    _say(f"serving http://{settings.http[0]}:{settings.http[1]}; {_of_the_broker(settings)}")
    while not told and code is None:
        time.sleep(LOOK_SECONDS)
        code = household.look(time.monotonic())
    if code is not None:
        _say(f"benchworthy serve: a part cannot start (exit {code}); ending the others")
    _end([child.process for child in household.children if child.process is not None])
    return code or 0


def _children(settings: Settings) -> list[Child]:
    own = [Child("broker", mode=BENCH_MODE)] if settings.mqtt == EMBEDDED else []
    return [*own, Child("web"), *([Child("listener")] if settings.mqtt else [])]


def _of_the_broker(settings: Settings) -> str:
    if settings.mqtt is None:
        return "no broker is configured"
    if settings.mqtt != EMBEDDED:
        return "with the broker that is configured"
    return "broker inside ({}) at {}:{}".format(BENCH_MODE, *settings.mqtt_listen)


def _start(child: Child, now: float) -> None:
    """In a session of its own: a Ctrl-C at the terminal reaches only the supervisor, which then ends it in order."""
    if child.last_exit is not None:
        child.restarts += 1
    command = [sys.executable, "-m", f"benchworthy.serve.{child.name}", lifeline.OPTION]
    child.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True)
    child.started_at = now
    for pipe in (child.process.stdin, child.process.stdout):
        os.set_blocking(_pipe(pipe), False)


def _plan_restart(child: Child, code: int, now: float) -> None:
    """Killed from outside, or sound for a while: again at once. What ends by itself again and again is tried less often."""
    assert child.process is not None
    by_chance = child.ever_up and (code < 0 or now - child.started_at >= SOUND_SECONDS)
    child.wait = SHORTEST_WAIT if by_chance else min(child.wait * 2, LONGEST_WAIT)
    child.next_start, child.last_exit, child.up = now + child.wait, code, False
    _close_pipes(child.process)
    child.process = None
    _say(f"benchworthy serve: {child.name} ended with {code}; starting it again in {child.wait:.1f} s")


def _end(running: Sequence["subprocess.Popen[bytes]"]) -> None:
    for process in running:
        process.send_signal(signal.SIGTERM)
    deadline = time.monotonic() + PATIENCE_SECONDS
    for process in running:
        try:
            process.wait(max(0.1, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        _close_pipes(process)


def _close_pipes(process: "subprocess.Popen[bytes]") -> None:
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()


def _pipe(pipe: Any) -> int:
    number: int = pipe.fileno()
    return number


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
