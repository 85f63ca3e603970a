"""A board's agent on real MicroPython without a circuit, called as a bench calls it, in as little memory as asked for."""

import json
import os
import select
import subprocess
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from services import micropython
from services.micropython import AGENT

FAKE, FAKE_SMALL = micropython.SCRIPTS / "fake", micropython.SCRIPTS / "fake_small"
SERIAL, MODULE, RUN, KEY = "TARN0001A", "e661640843123456", "r-0001abcd", bytes(range(32))
PORTS = {
    "common": [26, "adc", None], "s1": [27, "adc", None], "s2": [28, "adc", None], "die": [4, "die", None],
    "mux0": [16, "out", 0], "mux1": [17, "out", 0], "mux2": [18, "out", 0], "lamp": [7, "out", 0],
    "sounder": [5, "out", 0], "key": [6, "in", None], "sda": [2, "in", None], "scl": [3, "in", None],
    "spare0": [0, "in", None], "spare1": [1, "in", None], "loop": [4, "in", None], "dac": [8, "pwm", 0],
    "servo": [9, "in", None], "in1": [10, "out", 0], "in2": [11, "out", 0], "en1": [12, "out", 0],
    "in3": [13, "out", 0], "in4": [14, "out", 0], "en2": [15, "out", 0], "sense1": [19, "in", None],
    "sense2": [20, "in", None], "sense3": [21, "in", None], "sense4": [22, "in", None],
}  # fmt: skip
CONTEXT: Mapping[str, Any] = {
    "serial": SERIAL,
    "design": "tarn-b",
    "plan": "0123456789abcdef" * 2,
    "ports": PORTS,
    "run": RUN,
    "nonce": "00112233445566778899aabbccddeeff",
    "key": KEY.hex(),
    "epoch": 1,
    "mqtt": None,
    "wifi": None,
    "absent": [],
}


class OutOfStep(AssertionError):
    """The board ended, or said nothing for too long."""


class AtBench:
    """One process of real MicroPython. `answers` decides whether a question of the dead-man is answered."""

    def __init__(self, process: subprocess.Popen[bytes], patience: float) -> None:
        self.process = process
        self.patience = patience
        self.answers: Callable[[int], bool] = lambda number: True
        self._held = b""

    def call(self, code: str) -> list[str]:
        """The lines that a call printed. OutOfStep with what the board said if it raised or ended."""
        assert self.process.stdin is not None
        self.process.stdin.write(code.encode() + b"\n")
        self.process.stdin.flush()
        said: list[str] = []
        deadline = time.monotonic() + self.patience
        while True:
            line = self._line(deadline, said)
            if line == "=OK=":
                return said
            if line.startswith("=ERR= "):
                raise OutOfStep(f"{line} in {code[:60]}")
            said.append(line)
            if line.startswith("=DM= ") and self.answers(int(line[5:])):
                self.process.stdin.write(line[5:].encode() + b"\n")
                self.process.stdin.flush()

    def begin(self, **changes: Any) -> None:
        self.call("from benchworthy_agent import bench_call")
        self.call(f"bench_call.begin({json.dumps({**CONTEXT, **changes})!r})")

    def done(self, code: str) -> dict[str, Any]:
        """The closing line of a call."""
        *_, line = [line for line in self.call(code) if line.startswith("=BD= ")]
        said: dict[str, Any] = json.loads(line[5:])
        return said

    def test(self, procedure: str, arguments: Mapping[str, Any], test: str = "T", needs: Sequence[str] = ()) -> dict[str, Any]:
        line = {"part": 1, "id": test, "p": procedure, "n": list(needs), "a": dict(arguments)}
        return self.done(f"bench_call.test({json.dumps(line)!r})")

    def token(self, code: str = "bench_call.close(1, 'serial')") -> bytes:
        (line,) = [line for line in self.call(code) if line.startswith("=BW= ")]
        return line.split(" ")[3].encode()

    def _line(self, deadline: float, said: list[str]) -> str:
        assert self.process.stdout is not None
        while b"\n" not in self._held:
            ready, _, _ = select.select([self.process.stdout], [], [], max(0.0, deadline - time.monotonic()))
            piece = os.read(self.process.stdout.fileno(), 65536) if ready else b""
            if not piece:
                tail = b"\n".join([*[line.encode() for line in said[-10:]], self._held[-800:]]).decode(errors="replace")
                raise OutOfStep(f"{'ended' if ready else 'silent'}: {tail}")
            self._held += piece
        line, _, self._held = self._held.partition(b"\n")
        return line.decode().rstrip("\r")


def flash(folder: Path, agent: Path = AGENT, boot: int = 7) -> Path:
    """A board's flash with the agent of `agent` in it."""
    (folder / "lib").mkdir(parents=True, exist_ok=True)
    if not (folder / "lib/benchworthy_agent").exists():
        (folder / "lib/benchworthy_agent").symlink_to(agent / "benchworthy_agent")
        (folder / "main.py").write_bytes((AGENT / "main.py").read_bytes())
    (folder / "state.json").write_text(json.dumps({"serial": SERIAL, "epoch": 1, "boot": boot, "key": "ab" * 32}))
    return folder


@contextmanager
def at_bench(folder: Path, heap: str = "2M", machine: Path | str = FAKE, patience: float = 20) -> Iterator[AtBench]:
    """A board in `folder`, made by flash(), with `heap` bytes of memory and the stand-in for its hardware in `machine`."""
    command = [micropython.interpreter(), "-X", f"heapsize={heap}", str(micropython.SCRIPTS / "plug_run.py")]
    environment = {**os.environ, "MICROPYPATH": f"{machine}:lib:.frozen"}
    with subprocess.Popen(
        command, cwd=folder, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    ) as process:
        try:
            yield AtBench(process, patience)
        finally:
            process.kill()
