"""`benchworthy serve` as a real process: its children by name, what it says of them, and its end."""

import contextlib
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import requests

from services.keeping import COMMAND
from services.mosquitto import until


def children(parent: int) -> dict[str, int]:
    """The processes below a supervisor by name, from what the kernel says."""
    named = {}
    for pid in Path(f"/proc/{parent}/task/{parent}/children").read_text().split():
        with contextlib.suppress(OSError):  # gone in between
            words = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
            named |= {word.rpartition(".")[2]: int(pid) for word in words if word.startswith("benchworthy.serve.")}
    return named


def gone(pid: int) -> bool:
    try:
        return "\nState:\tZ" in Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return True


class Serve:
    """The supervisor's process, its log, and where it answers."""

    def __init__(self, settings: dict[str, str], log: Path) -> None:
        self.url, self.log = f"http://{settings['BENCHWORTHY_HTTP']}", log
        with log.open("wb") as out:
            self.process = subprocess.Popen([*COMMAND, "serve"], env=settings, stdout=out, stderr=out, start_new_session=True)

    def ready(self) -> tuple[int, Any]:
        """Status and body of /health/ready; 0 when nobody answers."""
        try:
            answer = requests.get(f"{self.url}/health/ready", timeout=5)
        except requests.RequestException:
            return 0, {}
        return answer.status_code, answer.json()

    def wait_ready(self) -> None:
        assert until(lambda: self.ready()[0] == 200, 30), self.log.read_text()

    def restarts(self) -> dict[str, int]:
        return {name: part["restarts"] for name, part in self.ready()[1].get("parts", {}).items()}


@contextmanager
def serving(settings: dict[str, str], log: Path) -> Iterator[Serve]:
    serve = Serve(settings, log)
    below: dict[str, int] = {}
    try:
        serve.wait_ready()
        yield serve
        below = children(serve.process.pid) if serve.process.poll() is None else {}
    finally:
        if serve.process.poll() is None:
            serve.process.terminate()
            try:
                serve.process.wait(20)
            except subprocess.TimeoutExpired:
                serve.process.kill()
                serve.process.wait(10)
    assert all(gone(pid) for pid in below.values())
