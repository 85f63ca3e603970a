"""The audit: does every chain hold, is everything the chains name still there and unchanged, and do lists of heads agree?"""

import base64
import binascii
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine

from benchworthy.errors import FileUnreadable
from benchworthy.history.heads import HEADS_TYPE, Fault, HeadList, check_chain, compare, from_claims
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
    """Look at the whole record at one moment, and hold it against `lists`."""
    with reading(engine) as connection, chains.any_text(connection):
        faults: list[Fault] = []
        hashes: dict[str, dict[int, str]] = {}
        named: dict[str, tuple[str, int]] = {}
        for chain in chains.chains(connection):
            entries = chains.entries(connection, chain)
            hashes[chain] = {entry.position: entry.hash for entry in entries}
            named |= {str(e.facts["digest"]): (chain, e.position) for e in entries if e.facts.get("digest")}
            if (broken := check_chain(chain, entries)) is not None:
                faults.append(broken)
        faults += compare(lists, lambda chain, at: hashes.get(chain, {}).get(at), {c: len(h) for c, h in hashes.items()})
        faults += [*_evidence(connection, named), *_texts(connection), *_certificates(connection, hashes)]
    return Audit(len(hashes), sum(map(len, hashes.values())), tuple(faults))


def read_lists(paths: Iterable[Path], keys: Mapping[str, Any]) -> list[HeadList]:
    """Signed lists from files, or from directories of them. Raises FileUnreadable or TokenInvalid."""
    files = [file for path in paths for file in (sorted(path.glob("*.jws")) if path.is_dir() else [path])]
    if not files:
        raise FileUnreadable("There is no list of heads (*.jws) in that directory.")
    return [from_claims(open_token(_read(file), keys, HEADS_TYPE)) for file in files]


def _read(file: Path) -> str:
    try:
        return file.read_text()
    except (OSError, UnicodeDecodeError) as fault:
        raise FileUnreadable(f"{file} cannot be read ({fault}).") from fault


def _evidence(connection: Connection, named: Mapping[str, tuple[str, int]]) -> Iterable[Fault]:
    """Evidence is known by the digest of its bytes, and the chain names every digest."""
    missing = dict(named)
    for serial, known_as, raw in chains.evidence(connection):
        chain, entry = missing.pop(known_as, ("", None))
        if digest(raw) != known_as:
            told = f"{serial}: evidence {known_as} was edited; its bytes have another digest."
            yield Fault("evidence-edited", serial, entry, told)
        elif chain != serial:
            told = f"{serial}: evidence {known_as} stands in no entry of this board's chain."
            yield Fault("evidence-unknown", serial, None, told)
    for known_as, (chain, entry) in missing.items():
        yield Fault("evidence-gone", chain, entry, f"{chain}: evidence {known_as}, named by entry {entry}, is gone.")


def _texts(connection: Connection) -> Iterable[Fault]:
    """A text may be erased, never changed."""
    for kind, known_as, content in chains.texts(connection):
        if hashlib.sha256(content).hexdigest() != known_as:
            yield Fault("text-edited", "", None, f"The {kind} {known_as} was edited.")


def _certificates(connection: Connection, hashes: Mapping[str, Mapping[int, str]]) -> Iterable[Fault]:
    """Each certificate carries the head of its board's chain at issue: that entry has to be there still."""
    for name, serial, token in chains.certificates(connection):
        head = _head_in(token)
        if head not in hashes.get(serial, {}).values():
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
