"""A board long past its date is recorded as missing; when it comes back it is held and asks for everything."""

from datetime import datetime

from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.overdue import MISSING_AFTER, overdue
from benchworthy.desk.states import Act, State, refusal

HOLD = "back-from-missing"
TOLD = "It was missing; nobody knows where it was. The full set is wanted."


def unmet_conditions(facts: BoardFacts, state: State, role: str, now: datetime) -> tuple[Unmet, ...]:
    """Everything against recording it as missing. A coordinator need not wait for the thirty days."""
    unmet = [*refusal(Act.MISS, state, facts.serial)]
    late = overdue(facts.loan, now) if facts.loan else None
    if not unmet and role != "coordinator" and (late is None or late.days < MISSING_AFTER):
        told = f"{facts.serial} is not yet {MISSING_AFTER} days over its date."
        unmet.append(Unmet("not-long-enough", told, facts.serial, "Remind the borrower, or ask a coordinator."))
    return tuple(unmet)


def missing(facts: BoardFacts) -> tuple[Unmet, ...]:
    """A missing board is not fit, whatever its certificate says."""
    since = facts.life.missing_since
    if since is None:
        return ()
    told = f"{facts.serial} has been missing since {since:%Y-%m-%d}."
    return (Unmet("missing", told, facts.serial, "When it comes back, take it back with its label scanned."),)
