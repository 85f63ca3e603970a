"""A board's standing as it is kept beside the record, so that looking at many boards reads no evidence.

Everything here follows from the record and is written in the transaction of whatever changed it. What changes by the mere
passing of time is known beforehand: a standing holds a span for each stretch in which nothing happens by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from benchworthy.history.records import Board

BEGINNING: Final = datetime.min.replace(tzinfo=UTC)
END: Final = datetime.max.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Seen:
    """The newest signed report of a board: its digest, when it came, and the software it names."""

    report: str
    at: datetime
    firmware: str
    agent: str
    agent_hash: str


@dataclass(frozen=True, slots=True)
class Span:
    """From `since` up to, not including, `before`: the state and answer, fit until when, and the act that waits, if any."""

    since: datetime
    before: datetime
    state: str
    answer: str
    until: datetime | None
    waiting: Mapping[str, Any] | None


@dataclass(frozen=True, slots=True)
class Standing:
    """`basis` names the rules and the sheet it was worked out by; `certificate` is the newest one, lapsed or not."""

    serial: str
    basis: str
    certificate: str | None
    valid_until: datetime | None
    lapse: str | None
    hold: str | None
    loan: str | None
    borrower: str | None
    lent_at: datetime | None
    due: datetime | None
    reserved_until: datetime | None
    seen: Seen | None
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Placed:
    """A board with its standing of one moment; `borrower`, `loan` and `due` are those of an open loan."""

    board: Board
    state: str
    answer: str
    until: datetime | None
    waiting: Mapping[str, Any] | None
    certificate: str | None
    valid_until: datetime | None
    lapse: str | None
    hold: str | None
    loan: str | None
    borrower: str | None
    lent_at: datetime | None
    due: datetime | None
    reserved_until: datetime | None
    report: str | None
    seen_at: datetime | None
    firmware: str | None
    agent: str | None
    agent_hash: str | None

    @property
    def fit(self) -> bool:
        return self.answer == "fit"


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which boards are asked for; None asks for all. A certificate in force whose date lies in
    `lapsing`; a loan whose date lies before `overdue`."""

    state: str | None = None
    design: str | None = None
    inventory_ref: str | None = None
    firmware: str | None = None
    lapsing: tuple[datetime, datetime] | None = None
    overdue: datetime | None = None


@dataclass(frozen=True, slots=True)
class Share:
    """How many boards of one design, virtual or not, are in one state; of them on loan past their date, and with a certificate
    in force that ends soon."""

    design: str
    virtual: bool
    state: str
    boards: int
    overdue: int
    lapsing: int
