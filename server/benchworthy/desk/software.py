"""Does a board run what it ran when its certificate was earned? Programs are told apart by what they call themselves."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from benchworthy.desk.facts import Unmet

FIRMWARE: Final = "firmware"
AGENT: Final = "agent"
KINDS: Final = (FIRMWARE, AGENT)
DIFFERS: Final = "software-differs"  # the finding of a field report that names another program

Counters = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Approved:
    """A coordinator declares a firmware's text or an agent's hash compatible with what boards were certified with."""

    number: int
    kind: str
    value: str
    reason: str
    by: str
    at: datetime
    revoked_at: datetime | None


@dataclass(frozen=True, slots=True)
class Software:
    """What was seen in a run: firmware texts by who told them, agents' hashes, the newest boot and sequence the board counted."""

    told_by_board: frozenset[str]
    read_by_bench: frozenset[str]
    agents: frozenset[str]
    counted: Counters | None


def changed(then: Software, firmware: str, agent: str | None, approved: Collection[tuple[str, str]]) -> tuple[str, ...]:
    """One sentence for each program that is another and not approved; `agent` is None in a bench's report.

    A board tells its firmware in full; a bench that is short of room in its report sends only the beginning.
    """
    seen, same = (then.read_by_bench, _alike) if agent is None else (then.told_by_board, str.__eq__)
    known = seen | {value for kind, value in approved if kind == FIRMWARE}
    told = []
    if seen and not any(same(firmware, one) for one in known):
        told.append(f"The board runs firmware {firmware}; it was certified with {', '.join(sorted(seen))}.")
    if agent is not None and then.agents and agent not in then.agents and (AGENT, agent) not in approved:
        told.append(f"The board runs agent {agent}; it was certified with {', '.join(sorted(then.agents))}.")
    return tuple(told)


def _alike(one: str, other: str) -> bool:
    return one.startswith(other) or other.startswith(one)


def later(counted: Counters | None, then: Software) -> bool:
    """Whether a report was made after that run, by the board's own count. A spool keeps reports for days, so what arrives
    later may be older; and where the count began anew nothing tells."""
    return then.counted is None or (counted is not None and counted > then.counted)


def unmet_conditions(kind: str, value: str, approved: Collection[tuple[str, str]]) -> tuple[Unmet, ...]:
    """Something is approved once at a time."""
    if (kind, value) not in approved:
        return ()
    return (Unmet("approved-already", f"This {kind} is approved already.", value, "GET /api/v1/approved-firmware lists it."),)
