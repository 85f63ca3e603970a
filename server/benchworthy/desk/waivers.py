"""A coordinator may let one test of one board go for a while; never one that guards against harm."""

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from benchworthy.designs.sheet import Test
from benchworthy.desk.facts import Unmet

LONGEST = timedelta(days=90)
# Whose evidence a run is, and that nothing foreign is on the board: without these the other tests say nothing.
_PROOF = frozenset({"identity", "files"})


def never(test: Test, tests: Mapping[str, Test]) -> bool:
    """Whether nobody may let this test go. Of a sheet that marks none of its tests, none may be."""
    marked = any(other.guards for other in tests.values())
    return not marked or bool(test.guards or test.hazard) or test.procedure in _PROOF


def unmet_conditions(
    name: str, tests: Mapping[str, Test], standing: Iterable[str], until: datetime, now: datetime, role: str
) -> tuple[Unmet, ...]:
    """Everything against this waiver; empty means it may be given. `standing` are tests of the board waived already."""
    unmet = []
    if role != "coordinator":
        unmet.append(Unmet("coordinator-only", "Only a coordinator waives a test.", name, "Ask a coordinator."))
    test = tests.get(name)
    if test is None:
        unmet.append(Unmet("test-unknown", f"The sheet has no test {name}.", name, "Give the test's id as the sheet has it."))
    elif never(test, tests):
        told = f"{name} guards against harm ({test.guards or test.hazard or test.title}) and is never waived."
        unmet.append(Unmet("never-waived", told, name, "Mend what the test finds; a sheet may drop the test for all boards."))
    if name in frozenset(standing):
        unmet.append(Unmet("waived-already", f"{name} is waived already.", name, "End that waiver before you give another."))
    if until <= now:
        unmet.append(Unmet("ends-in-the-past", f"{until:%Y-%m-%d} has passed.", name, "Give a later date."))
    if until > now + LONGEST:
        told = f"A waiver lasts at most {LONGEST.days} days."
        unmet.append(Unmet("lasts-too-long", told, name, f"Give a date up to {now + LONGEST:%Y-%m-%d}."))
    return tuple(unmet)
