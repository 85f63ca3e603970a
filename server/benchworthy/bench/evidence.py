"""The bench's own report: module id and files as the bench read them over the wire, and what else it saw."""

import binascii
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from benchworthy.bench.probe import BoardFile, Identity
from benchworthy.designs.agent_release import fingerprint
from benchworthy.reports.token import MAX_BYTES

MOST_FILES: Final = 64
MOST_CHARACTERS: Final = 64
_AGENT: Final = "lib/benchworthy_agent/"


@dataclass(frozen=True, slots=True)
class _Room:
    """How much of what may be shortened is kept: ports, characters of the firmware's text, digits of each SHA-256."""

    ports: int
    firmware: int
    digits: int


# In turn, until the report fits. 32 digits are 128 bits: enough that nobody makes another file with the same.
_ROOMS: Final = (_Room(8, 64, 64), _Room(1, 24, 64), _Room(0, 12, 64), _Room(0, 12, 32))


@dataclass(frozen=True, slots=True)
class Seen:
    """What the bench saw for itself; `files` by path, ports by name with the board's own first."""

    identity: Identity
    files: Mapping[str, BoardFile]
    echo: bool
    ports_before: Sequence[str]
    ports_after: Sequence[str]


def signed_report(
    head: Mapping[str, Any],
    tests: Sequence[str],
    seen: Seen,
    release: Mapping[str, str],
    sign: Callable[[bytes], bytes],
) -> bytes:
    """The token of the bench's part, at most 4096 bytes.

    `head` holds the run's fields (serial, design, plan, epoch, ms, clock, run, nonce, part), `release` the approved
    agent's files by path. What does not fit is shortened; at last, files are left off, the release's own first: what
    does not belong on a board must come through. Then those left off look missing, on a board that is out anyway.
    """
    paths = sorted(seen.files, key=lambda path: (release.get(path) == seen.files[path].sha256, path))[:MOST_FILES]
    for kept in range(len(paths), -1, -1):
        for room in _ROOMS if kept == len(paths) else _ROOMS[-1:]:
            token = sign(_payload(head, tests, seen, release, paths[:kept], room))
            if len(token) <= MAX_BYTES:
                return token
    raise ValueError("The head of the bench's report alone is too long.")


def _payload(
    head: Mapping[str, Any],
    tests: Sequence[str],
    seen: Seen,
    release: Mapping[str, str],
    paths: Sequence[str],
    room: _Room,
) -> bytes:
    report = {
        "v": 1,
        **head,
        "module": seen.identity.module,
        "agent": _agent(seen),
        "firmware": seen.identity.firmware[: room.firmware] or "unknown",
        "boot": seen.identity.boot,
        "seq": 1,
        "seen": {
            "ports_before": _clipped(seen.ports_before, room),
            "ports_after": _clipped(seen.ports_after, room),
            "stand_in": seen.identity.stand_in,
            "echo": seen.echo,
            # The release's files have their hash; a size says something only of files that may change.
            "sizes": {_name(path): seen.files[path].size for path in paths if path not in release},
        },
        "readings": [_reading(test, seen, paths, room) for test in tests],
    }
    return json.dumps(report, separators=(",", ":"), ensure_ascii=False).encode()


def _clipped(ports: Sequence[str], room: _Room) -> list[str]:
    return [port[-MOST_CHARACTERS:] for port in ports[: room.ports]]


def _name(path: str) -> str:
    """A path as a report may hold it: a long one keeps its start and a CRC of all of it."""
    if len(path) <= MOST_CHARACTERS:
        return path
    return f"{path[: MOST_CHARACTERS - 9]}~{binascii.crc32(path.encode()):08x}"


def _agent(seen: Seen) -> dict[str, str]:
    """The version as the board says it; the hash over its files as the bench read them."""
    own = {
        path: file.sha256
        for path, file in seen.files.items()
        if path == "main.py" or (path.startswith(_AGENT) and path.endswith(".py"))
    }
    return {"version": seen.identity.agent_version or "none", "hash": fingerprint(own)}


def _reading(test: str, seen: Seen, paths: Sequence[str], room: _Room) -> dict[str, Any]:
    if test == "MCU-ID":
        return {"test": test, "text": seen.identity.module}
    if test == "MCU-FW":
        items = {_name(path): seen.files[path].sha256[: room.digits] for path in sorted(paths)}
        return {"test": test, "items": items}
    return {"test": test, "not_run": "this bench does not know the test"}
