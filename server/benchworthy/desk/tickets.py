"""May this run ticket be used for this board, and how far is the bench's clock believed?"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from benchworthy.desk.facts import Unmet
from benchworthy.history.tickets import Ticket

LIFE: Final = timedelta(hours=72)
MOST: Final = 60  # in one answer: an evening's boards twice over
_FETCH: Final = "Fetch new tickets with `benchworthy bench tickets fetch` and test the board again."


def unmet_conditions(ticket: Ticket, bench_revoked: bool, serial: str, design: str) -> tuple[Unmet, ...]:
    """Everything against the use; empty means the ticket may be bound to this board. An end that has passed is no obstacle."""
    unmet = []
    if ticket.serial is not None and ticket.serial != serial:
        told = f"Ticket {ticket.id} was used for {ticket.serial}; a ticket is for one board."
        unmet.append(Unmet("ticket-used", told, ticket.serial, f"Compare the labels of both boards. {_FETCH}"))
    if bench_revoked:
        told = f"The key of the bench that holds ticket {ticket.id} was revoked, and its tickets with it."
        unmet.append(Unmet("bench-revoked", told, ticket.bench, "Register a new key for the bench, and fetch tickets for that."))
    if ticket.design != design:
        told = f"Ticket {ticket.id} is for a {ticket.design}; {serial} is a {design}."
        unmet.append(Unmet("design-differs", told, serial, _FETCH))
    return tuple(unmet)


def same_use(ticket: Ticket, serial: str, said_at: datetime, fixtures: Sequence[str], before: Sequence[str]) -> bool:
    """Whether a use is the one on record, sent once more; `before` are that run's fixtures."""
    return (ticket.serial, ticket.said_at, sorted(before)) == (serial, said_at, sorted(fixtures))


def opened_at(ticket: Ticket, said_at: datetime, now: datetime) -> datetime:
    """When the run counts as opened: by the bench's clock where that lies between issue and now, else as early as can be.

    A repair or a return after the true moment must never come to lie before the run.
    """
    return said_at if ticket.issued_at <= said_at <= now else ticket.issued_at


def state(ticket: Ticket, bench_revoked: bool, now: datetime) -> str:
    """waiting, used, expired or dead."""
    if ticket.used_at is not None:
        return "used"
    if bench_revoked:
        return "dead"
    return "expired" if ticket.expires_at <= now else "waiting"
