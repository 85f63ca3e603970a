"""A fit board may be kept for one borrower until a date; the reservation ends by itself."""

from datetime import datetime, timedelta

from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.life import ReservationFacts
from benchworthy.desk.states import Act, State, refusal

LONGEST = timedelta(days=60)


def unmet_conditions(facts: BoardFacts, state: State, until: datetime, now: datetime) -> tuple[Unmet, ...]:
    """Everything against the reservation; empty means it may be made."""
    unmet = [*refusal(Act.RESERVE, state, facts.serial)]
    if until <= now:
        unmet.append(Unmet("ends-in-the-past", f"{until:%Y-%m-%d} has passed.", facts.serial, "Give a later date."))
    if until > now + LONGEST:
        told = f"A reservation lasts at most {LONGEST.days} days."
        unmet.append(Unmet("lasts-too-long", told, facts.serial, f"Give a date up to {now + LONGEST:%Y-%m-%d}."))
    return tuple(unmet)


def in_force(facts: BoardFacts, now: datetime) -> ReservationFacts | None:
    """The reservation, while its date has not come."""
    kept = facts.life.reservation
    return kept if kept is not None and kept.until > now else None


def kept_for_another(facts: BoardFacts, borrower: str, now: datetime) -> tuple[Unmet, ...]:
    """A reserved board goes to whom it is kept for."""
    kept = in_force(facts, now)
    if kept is None or kept.borrower == borrower:
        return ()
    told = f"{facts.serial} is kept for {kept.borrower} until {kept.until:%Y-%m-%d}."
    return (Unmet("reserved-for-another", told, str(kept.id), "Lend another board, or wait until the reservation ends."),)
