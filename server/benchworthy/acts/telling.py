"""What the space's own inventory has to know: fitness, loans and certificates as they change."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from benchworthy.ports import Services, Work

# Kinds of ledger entries after which a board's fitness, loan or certificate may be another; readings and answers are not.
TOLD: Final = (
    "enrolled", "renamed", "module-bound", "module-swapped", "stage-signed", "certified", "certificate-lapsed", "reserved",
    "lent", "returned", "checked-in", "held", "released", "defect-reported", "no-fault-found", "repaired", "missing",
    "found-again", "retired", "waived", "waiver-ended",
    "reference-made", "reference-ended",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """One event. `number` counts over all boards and never goes back; whoever remembers the last one misses nothing."""

    number: int
    at: str
    serial: str
    kind: str
    holder: str
    facts: Mapping[str, Any]


def changes(after: int, limit: int, work: Work, services: Services) -> Sequence[Change]:
    found = work.ledger.changes(services.site, TOLD, after, limit)
    return [Change(number, entry.at, entry.chain, entry.kind, entry.holder, entry.facts) for number, entry in found]
