"""What waits at the bench for the service: one folder a run, one file for each thing to send, in order.

A file appears whole or not at all: it is written under another name, synced, renamed, and its folder is synced. Nothing goes
away before the service has answered for it; the answer is kept beside it, so a run that is cut off goes on where it was.
"""

import fcntl
import json
import os
import re
import shutil
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from benchworthy.errors import SpoolBusy, WriteFailed
from benchworthy.reports.token import digest

USE, REPORT, ANSWER, DRAW = "use", "report", "answer", "draw"
_FILE: Final = re.compile(r"(?P<number>[0-9]{4})\.(?P<kind>use|report|answer|draw)")
_RUNNING: Final = ".running"
_RUN: Final = re.compile(r"r-[0-9a-z]{4,40}")


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to send, and the service's answer once there is one."""

    run: str
    number: int
    kind: str
    octets: bytes
    reply: Mapping[str, Any] | None

    @property
    def body(self) -> dict[str, Any]:
        """What is sent as JSON."""
        found: dict[str, Any] = json.loads(self.octets)
        return found


class Spool:
    """The folder `waiting`, with one folder for each run, and `delivered`, where they go afterwards."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._waiting, self._delivered, self._aside = folder / "waiting", folder / "delivered", folder / "set-aside"
        self._running: dict[str, int] = {}

    def begin(self, run: str) -> bool:
        """Take a run for this process alone, until `end`; False when somebody took it before. Raises WriteFailed."""
        if self.taken(run):
            return False
        with _telling(self._waiting):
            make_folder(self._waiting)
            # The lock is there before the folder has its name, so that nobody takes a run that has just begun for a dead one.
            draft = self._waiting / f".{run}.{os.getpid()}-{threading.get_ident()}"
            make_folder(draft)
            lock = _lock(draft / _RUNNING)
            try:
                draft.rename(self._waiting / run)  # fails where another such folder is
            except OSError:
                os.close(lock)
                shutil.rmtree(draft)
                return False
            sync_folder(self._waiting)
        self._running[run] = lock
        return True

    def end(self, run: str) -> None:
        """Nothing more is put there by this process; a killed one has ended by that."""
        if (lock := self._running.pop(run, None)) is not None:
            os.close(lock)

    def going_on(self, run: str) -> bool:
        """Whether some process may still put something there."""
        try:
            os.close(_lock(self._waiting / run / _RUNNING))
        except BlockingIOError:
            return True
        return False

    def taken(self, run: str) -> bool:
        """Whether a run was ever begun here."""
        return any((place / run).exists() for place in (self._waiting, self._delivered, self._aside))

    def add(self, run: str, kind: str, octets: bytes) -> Item:
        """Put something behind what waits already; a report that is there is not put twice. Raises WriteFailed."""
        items = self.items(run)
        same = [item for item in items if kind == REPORT and item.kind == REPORT and digest(item.octets) == digest(octets)]
        if same:
            return same[0]
        item = Item(run, 1 + max((item.number for item in items), default=0), kind, octets, None)
        write(self._waiting / run / f"{item.number:04}.{kind}", octets)
        return item

    def answered(self, item: Item, reply: Mapping[str, Any]) -> None:
        """Keep the service's answer. Raises WriteFailed."""
        write(self._waiting / item.run / f"{item.number:04}.reply", json.dumps(dict(reply)).encode())

    def runs(self) -> Sequence[str]:
        """The runs of which something waits, those begun first before the others."""
        if not self._waiting.is_dir():
            return []
        found = [path for path in self._waiting.iterdir() if path.is_dir() and _RUN.fullmatch(path.name)]
        return [path.name for path in sorted(found, key=_begun)]

    def items(self, run: str) -> Sequence[Item]:
        """What was put into a run's folder, in order."""
        folder = self._waiting / run
        named = [(match, path) for path in sorted(folder.iterdir()) if (match := _FILE.fullmatch(path.name))]
        return [Item(run, int(m["number"]), m["kind"], p.read_bytes(), _reply(folder, m["number"])) for m, p in named]

    def finish(self, run: str) -> None:
        """Move a run out of the way once the service has all of it. Raises WriteFailed."""
        self._move(run, self._delivered)

    def set_aside(self, run: str) -> bool:
        """Move a run out of the way though the service has not all of it; False when none of that name waits."""
        if run not in self.runs():
            return False
        self._move(run, self._aside)
        return True

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Only one process delivers at a time. Raises SpoolBusy, WriteFailed."""
        with _telling(self._folder):
            make_folder(self._folder)
            try:
                descriptor = _lock(self._folder / ".delivering")
            except BlockingIOError as fault:
                raise SpoolBusy(f"Somebody else delivers from {self._folder}.") from fault
        try:
            yield
        finally:
            os.close(descriptor)

    def _move(self, run: str, place: Path) -> None:
        with _telling(place):
            make_folder(place)
            (self._waiting / run).rename(place / run)
            sync_folder(place)
            sync_folder(self._waiting)


def _lock(path: Path) -> int:
    """A lock that ends when the descriptor is closed or its process is killed. Raises BlockingIOError."""
    descriptor = os.open(path, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise
    return descriptor


def _begun(folder: Path) -> tuple[float, str]:
    """When the first thing was put there: files are never written again."""
    first = min((path for path in folder.iterdir() if _FILE.fullmatch(path.name)), default=folder)
    return first.stat().st_mtime, folder.name


def _reply(folder: Path, number: str) -> Mapping[str, Any] | None:
    path = folder / f"{number}.reply"
    return json.loads(path.read_bytes()) if path.exists() else None


def write(path: Path, octets: bytes) -> None:
    """A file that appears whole or not at all, for its owner only. Raises WriteFailed."""
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    with _telling(path):
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(octets)
            file.flush()
            os.fsync(descriptor)
        draft.replace(path)
        sync_folder(path.parent)


def make_folder(folder: Path) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)


def sync_folder(folder: Path) -> None:
    """After a power cut the names in it are still there."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def _telling(path: Path) -> Iterator[None]:
    """Raises WriteFailed."""
    try:
        yield
    except OSError as fault:
        raise WriteFailed(f"{path} cannot be written ({fault.strerror}).", path=str(path)) from fault
