"""The bench's own report: module id and files as the bench read them over the wire, and what else it saw."""

import binascii
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from benchworthy.bench.portlist import Arrival
from benchworthy.bench.probe import BoardFile, Identity
from benchworthy.designs.agent_release import AgentRelease, fingerprint
from benchworthy.judging.tests import MISSING, RELEASE_ITEM, SECRETS
from benchworthy.reports.token import MAX_BYTES

MOST_FILES: Final = 64
MOST_CHARACTERS: Final = 64
_AGENT: Final = "lib/benchworthy_agent/"
_FILES_ROOM: Final = 1900  # bytes of the payload that a list of files may take


@dataclass(frozen=True, slots=True)
class _Room:
    """How much of what may be shortened is kept: ports, and characters of the firmware's text."""

    ports: int
    firmware: int


# In turn, until the report fits.
_ROOMS: Final = (_Room(8, 64), _Room(1, 24), _Room(0, 12))


@dataclass(frozen=True, slots=True)
class Seen:
    """What the bench saw for itself; `files` by path, `arrival` None when the board was there before the bench looked."""

    identity: Identity
    files: Mapping[str, BoardFile]
    arrival: Arrival | None = None


def signed_report(
    head: Mapping[str, Any], readings: Sequence[Mapping[str, Any]], seen: Seen, sign: Callable[[bytes], bytes]
) -> bytes:
    """The token of one of the bench's parts, at most 4096 bytes.

    `head` holds the run's fields (serial, design, plan, epoch, ms, clock, run, nonce, part). ValueError when the readings
    are too long for one report: then the sheet's parts are cut wrongly.
    """
    for room in _ROOMS:
        token = sign(_payload(head, readings, seen, room))
        if len(token) <= MAX_BYTES:
            return token
    raise ValueError("The readings of this part are too long for one report.")


def file_items(files: Mapping[str, BoardFile], release: AgentRelease, limit_of: Callable[[str], int | None]) -> dict[str, str]:
    """The files on a board as a report holds them: `size N` for those that may change, SHA-256 for the others.

    The agent is some fifty files, too many for a report: one hash over the list of all of them stands for those that are
    the release's, and only what is missing, changed or does not belong is named. What then has no room is left off; the
    hash over the list tells that something is wrong all the same.
    """
    items = {_name(path): f"size {files[path].size}" for path in sorted(files) if limit_of(path) is not None}
    if release.files:
        items[RELEASE_ITEM] = fingerprint(_agent_files(files))
    wrong = {path: file.sha256 for path, file in files.items() if limit_of(path) is None and path not in release.files}
    wrong |= {path: files[path].sha256 for path in release.files if path in files and files[path].sha256 != release.files[path]}
    missing = {path: MISSING for path in release.files if path not in files}
    room = _FILES_ROOM - len(json.dumps(items))
    # 32 digits are 128 bits: enough that nobody makes another file with the same.
    for path, told in [*sorted(wrong.items(), key=_secrets_first), *sorted(missing.items())]:
        entry = {_name(path): told[:32]}
        room -= len(json.dumps(entry))
        if room < 0 or len(items) >= MOST_FILES:
            break
        items |= entry
    return items


def _secrets_first(entry: tuple[str, str]) -> tuple[bool, str]:
    return entry[0] != SECRETS, entry[0]


def _agent_files(files: Mapping[str, BoardFile]) -> dict[str, str]:
    return {
        path: file.sha256
        for path, file in files.items()
        if path == "main.py" or (path.startswith(_AGENT) and path.endswith(".py"))
    }


def _payload(head: Mapping[str, Any], readings: Sequence[Mapping[str, Any]], seen: Seen, room: _Room) -> bytes:
    report = {
        "v": 1,
        **head,
        "module": seen.identity.module,
        "agent": {
            "version": seen.identity.agent_version or "none",
            "hash": fingerprint(_agent_files(seen.files)),
        },
        "firmware": seen.identity.firmware[: room.firmware] or "unknown",
        "boot": seen.identity.boot,
        "seq": 1,
        "seen": {**_ports(seen.arrival, room), "stand_in": seen.identity.stand_in},
        "readings": list(readings),
    }
    return json.dumps(report, separators=(",", ":"), ensure_ascii=False).encode()


def _ports(arrival: Arrival | None, room: _Room) -> dict[str, list[str]]:
    if arrival is None:
        return {}
    names = {"ports_before": arrival.before, "ports_after": arrival.after}
    return {key: [entry.name[-MOST_CHARACTERS:] for entry in entries[: room.ports]] for key, entries in names.items()}


def _name(path: str) -> str:
    """A path as a report may hold it: a long one keeps its start and a CRC of all of it."""
    if len(path) <= MOST_CHARACTERS:
        return path
    return f"{path[: MOST_CHARACTERS - 9]}~{binascii.crc32(path.encode()):08x}"
