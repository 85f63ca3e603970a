"""Heads of the ledger's chains, listed and signed day by day: what a chain has to agree with for ever after.

A chain by itself shows an entry that was edited or taken out of its middle. Whoever cuts its end, or computes everything
anew from some entry on, leaves a chain that is sound again; only a list that went out before can tell.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from benchworthy.errors import TokenInvalid
from benchworthy.history.ledger import Entry, first_break, fits_its_hash

HEADS_TYPE: Final = "benchworthy-ledger-heads"


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry of a chain: how many there are, and its hash."""

    position: int
    hash: str


@dataclass(frozen=True, slots=True)
class HeadList:
    """The heads of all chains at one moment."""

    site: str
    at: datetime
    heads: Mapping[str, Head]


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in the record that is not as it was written: a code, the chain (a serial number), the entry, a sentence."""

    code: str
    chain: str
    entry: int | None
    sentence: str


def to_claims(listed: HeadList) -> dict[str, Any]:
    """What is signed."""
    heads = {chain: [head.position, head.hash] for chain, head in listed.heads.items()}
    return {"site": listed.site, "iat": int(listed.at.timestamp()), "heads": heads}


def from_claims(claims: Mapping[str, Any]) -> HeadList:
    """The list back from its claims. Raises TokenInvalid."""
    try:
        heads = {str(chain): Head(int(position), str(digest)) for chain, (position, digest) in claims["heads"].items()}
        return HeadList(str(claims["site"]), datetime.fromtimestamp(int(claims["iat"]), UTC), heads)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as fault:
        raise TokenInvalid("The list of heads is signed, but not in this version's form.") from fault


def check_chain(chain: str, entries: Sequence[Entry]) -> Fault | None:
    """The first place where a chain does not hold."""
    at = first_break(entries)
    if at is None:
        return None
    found = next((entry for entry in entries if entry.position == at), None)
    if found is None:
        return Fault("entry-missing", chain, at, f"{chain}: entry {at} is missing, and later ones are there.")
    if not fits_its_hash(found):
        return Fault("entry-edited", chain, at, f"{chain}: entry {at} ({found.kind}) was edited; it does not fit its own hash.")
    if at == 1:
        return Fault("entry-replaced", chain, at, f"{chain}: entry 1 is not the beginning of a chain.")
    told = f"{chain}: entry {at} ({found.kind}) does not follow from entry {at - 1}; one of the two was replaced."
    return Fault("entry-replaced", chain, at, told)


def by_chain(lists: Sequence[HeadList]) -> dict[str, list[tuple[Head, datetime]]]:
    """What the lists saw of each chain, the shortest first."""
    seen: dict[str, list[tuple[Head, datetime]]] = {}
    for listed in lists:
        for chain, head in listed.heads.items():
            seen.setdefault(chain, []).append((head, listed.at))
    return {chain: sorted(heads, key=lambda one: one[0].position) for chain, heads in seen.items()}


def compare(chain: str, seen: Sequence[tuple[Head, datetime]], hashes: Mapping[int, str]) -> Fault | None:
    """Hold a chain, given as the hash at each position, against what lists saw of it: the first that saw it differently."""
    kept = ""
    for head, at in seen:
        now = hashes.get(head.position)
        if now == head.hash:
            kept = f" Up to entry {head.position} it is as on {at:%Y-%m-%d}."
            continue
        dated = f"the list of {at:%Y-%m-%d %H:%M} UTC"
        if not hashes:
            return Fault("chain-gone", chain, 1, f"{chain}: the whole chain is gone; {dated} saw {head.position} entries.")
        if now is None:
            told = f"{chain}: the chain was cut after entry {len(hashes)}; {dated} saw {head.position} entries."
            return Fault("chain-cut", chain, len(hashes) + 1, told)
        told = f"{chain}: entry {head.position} is another than in {dated}: it, or one before it, was replaced."
        return Fault("chain-rebuilt", chain, head.position, told + kept)
    return None
