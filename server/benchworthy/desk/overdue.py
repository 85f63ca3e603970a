"""Loans past their date: what the desk does next, by the days since."""

from dataclasses import dataclass
from datetime import datetime

from benchworthy.desk.facts import LoanFacts

# From this day after the due date on, the later lines win. A negative day is before it.
STEPS = (
    (-3, "remind", "Remind the borrower that the board is due."),
    (0, "remind", "Remind the borrower: the board is due today."),
    (3, "remind", "Remind the borrower a second time."),
    (7, "remind", "Remind the borrower a third time."),
    (14, "coordinator", "The coordinator takes it up with the borrower."),
    (30, "missing", "Record the board as missing."),
)
MISSING_AFTER = 30


@dataclass(frozen=True, slots=True)
class Overdue:
    """`days` since the due date, below zero before it; `act` is remind, coordinator or missing."""

    days: int
    overdue: bool
    act: str
    sentence: str


def days_over(due: datetime, now: datetime) -> int:
    """Whole days by the calendar since the due date; below zero before it."""
    return (now.date() - due.date()).days


def overdue(loan: LoanFacts, now: datetime) -> Overdue | None:
    """The step that is due; None for a loan that is over, or not yet near its date."""
    if loan.returned_at is not None:
        return None
    days = days_over(loan.due, now)
    reached = [(act, sentence) for start, act, sentence in STEPS if days >= start]
    return Overdue(days, now > loan.due, *reached[-1]) if reached else None
