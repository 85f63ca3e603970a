"""The audit: does every chain hold, is everything the chains name still there and unchanged, and do lists of heads agree?"""

import base64
import binascii
import hashlib
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine

from benchworthy.errors import FileUnreadable, TokenInvalid
from benchworthy.history.heads import HEADS_TYPE, Fault, HeadList, by_chain, check_chain, compare, from_claims
from benchworthy.history.ledger import Entry
from benchworthy.keys.status import open_token
from benchworthy.reports.token import digest
from benchworthy.storage import chains
from benchworthy.storage.engine import reading


@dataclass(frozen=True, slots=True)
class Audit:
    """How much was looked at, and what was found."""

    chains: int
    entries: int
    faults: tuple[Fault, ...]


def audit(engine: Engine, lists: Sequence[HeadList] = ()) -> Audit:
    """Look at the whole record at one moment, chain by chain, and hold it against `lists`."""
    seen = by_chain(lists)
    faults: list[Fault] = []
    chains_seen = entries_seen = 0
    with reading(engine) as connection, chains.any_text(connection):
        for chain in sorted(chains.names(connection) | set(seen)):
            entries = chains.entries(connection, chain)
            hashes = {entry.position: entry.hash for entry in entries}
            found = (check_chain(chain, entries), compare(chain, seen.get(chain, ()), hashes))
            faults += [fault for fault in found if fault is not None]
            faults += [*_evidence(connection, chain, entries), *_certificates(connection, chain, set(hashes.values()))]
            chains_seen, entries_seen = chains_seen + bool(entries), entries_seen + len(entries)
        faults += _texts(connection)
    return Audit(chains_seen, entries_seen, tuple(faults))


def read_lists(paths: Iterable[Path], keys: Mapping[str, Any]) -> list[HeadList]:
    """Signed lists from files, or from directories of them. Raises FileUnreadable or TokenInvalid."""
    files = [file for path in paths for file in (sorted(path.glob("*.jws")) if path.is_dir() else [path])]
    if not files:
        raise FileUnreadable("There is no list of heads (*.jws) in that directory.")
    return [_list(file, keys) for file in files]


def _list(file: Path, keys: Mapping[str, Any]) -> HeadList:
    try:
        return from_claims(open_token(_read(file), keys, HEADS_TYPE))
    except TokenInvalid as fault:
        raise TokenInvalid(f"{file}: {fault.detail}") from fault


def _read(file: Path) -> str:
    try:
        return file.read_text()
    except (OSError, UnicodeDecodeError) as fault:
        raise FileUnreadable(f"{file} cannot be read ({fault}).") from fault


def _evidence(connection: Connection, serial: str, entries: Sequence[Entry]) -> Iterable[Fault]:
    """Evidence is known by the digest of its bytes, and the chain names every digest."""
    missing = {str(entry.facts["digest"]): entry.position for entry in entries if entry.facts.get("digest")}
    for known_as, raw in chains.evidence(connection, serial):
        entry = missing.pop(known_as, None)
        if digest(raw) != known_as:
            told = f"{serial}: evidence {known_as} was edited; its bytes have another digest."
            yield Fault("evidence-edited", serial, entry, told)
        elif entry is None:
            told = f"{serial}: evidence {known_as} stands in no entry of this board's chain."
            yield Fault("evidence-unknown", serial, None, told)
    for known_as, entry in missing.items():
        yield Fault("evidence-gone", serial, entry, f"{serial}: evidence {known_as}, named by entry {entry}, is gone.")


def _texts(connection: Connection) -> Iterable[Fault]:
    """A text may be erased, never changed."""
    for kind, known_as, content in chains.texts(connection):
        if hashlib.sha256(content).hexdigest() != known_as:
            yield Fault("text-edited", "", None, f"The {kind} {known_as} was edited.")


def _certificates(connection: Connection, serial: str, hashes: Collection[str]) -> Iterable[Fault]:
    """Each certificate carries the head of its board's chain at issue: that entry has to be there still."""
    for name, token in chains.certificates(connection, serial):
        if _head_in(token) not in hashes:
            told = f"{serial}: the entry that certificate {name} was issued on is not in the chain any more."
            yield Fault("certificate-astray", serial, None, told)


def _head_in(token: str) -> str:
    """The `ledger` claim; empty when the token is no token any more."""
    part = token.split(".")[1] if token.count(".") == 2 else ""
    try:
        claims = json.loads(base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)))
    except (ValueError, binascii.Error):
        return ""
    return str(claims.get("ledger", "")) if isinstance(claims, dict) else ""
