"""The ledger: one hash chain per serial number, and one per site for what has no serial number.

Free text lies beside the chain and only its SHA-256 stands in it, so a text can be erased without breaking the chain.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

GENESIS = "0" * 64
CLOCK_RIGHT = "clock-right"  # the kind of an entry by which somebody says that times after `now`, up to `wrong_until`, are wrong


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. `holder` is the code of whoever did it; `position` counts from 1 in its chain."""

    chain: str
    position: int
    at: str
    kind: str
    holder: str
    facts: Mapping[str, Any]
    text_hash: str | None
    previous: str
    hash: str


def append(
    last: Entry | None, chain: str, at: datetime, kind: str, holder: str, facts: Mapping[str, Any], text: str | None = None
) -> Entry:
    """The entry that follows `last` (None for the first of a chain)."""
    position = last.position + 1 if last else 1
    previous = last.hash if last else GENESIS
    stamp = at.isoformat(timespec="seconds")
    text_hash = hashlib.sha256(text.encode()).hexdigest() if text is not None else None
    digest = _hash(chain, position, stamp, kind, holder, facts, text_hash, previous)
    return Entry(chain, position, stamp, kind, holder, facts, text_hash, previous, digest)


def first_break(entries: Iterable[Entry]) -> int | None:
    """Position of the first entry that does not follow from the one before it, or None."""
    previous, position = GENESIS, 1
    for entry in entries:
        if (entry.position, entry.previous) != (position, previous) or not fits_its_hash(entry):
            return position
        previous, position = entry.hash, position + 1
    return None


def fits_its_hash(entry: Entry) -> bool:
    """Whether an entry is what its hash was computed over."""
    fields = (entry.chain, entry.position, entry.at, entry.kind, entry.holder, entry.facts, entry.text_hash, entry.previous)
    return entry.hash == _hash(*fields)


def _hash(*fields: Any) -> str:
    return hashlib.sha256(json.dumps(fields, sort_keys=True, separators=(",", ":")).encode()).hexdigest()
