"""A coordinator may let one test go for a while; never one that guards against harm."""

from datetime import datetime, timedelta

from benchworthy.designs.sheet import Test
from benchworthy.desk.facts import Unmet

LONGEST = timedelta(days=90)
# Cold and rail tests, by the sheet's own names.
NEVER = ("PRE-", "PWR-")


def unmet_conditions(test: Test, until: datetime, now: datetime, role: str) -> tuple[Unmet, ...]:
    """Everything against this waiver; empty means it may be given."""
    unmet = []
    if role != "coordinator":
        unmet.append(Unmet("coordinator-only", "Only a coordinator waives a test.", test.id, "Ask a coordinator."))
    if test.hazard or test.id.startswith(NEVER):
        told = f"{test.id} guards against harm and is never waived."
        unmet.append(Unmet("never-waived", told, test.id, "Mend what the test finds; a sheet may drop the test for all boards."))
    if until <= now:
        unmet.append(Unmet("ends-in-the-past", f"{until:%Y-%m-%d} has passed.", test.id, "Give a later date."))
    if until > now + LONGEST:
        told = f"A waiver lasts at most {LONGEST.days} days."
        unmet.append(Unmet("lasts-too-long", told, test.id, f"Give a date up to {now + LONGEST:%Y-%m-%d}."))
    return tuple(unmet)
