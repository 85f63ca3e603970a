"""May a fixture vouch for a run? Only while a good check covers the run's opening and nobody found it faulty since."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from benchworthy.desk.facts import Unmet

# This project's own choices, no standard's: a check by reference board is good for a working day and the evening after it.
CHECKED_FOR = timedelta(hours=24)
LONGEST_CALIBRATION = timedelta(days=400)
# Kinds that no sheet's tests name, because a person works with them. A paper or a look dates these.
OTHER_KINDS = ("meter", "cable", "supply")
METER = "meter"
LAPSE = "LAPSE-FIXTURE"


class Way(StrEnum):
    """How something was found out about a fixture: by a run on a reference board, from a paper, or by somebody who saw it."""

    RUN = "run"
    CALIBRATION = "calibration"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Check:
    """One finding about a fixture.

    A good one vouches for it from `since` until, not including, `until`. A bad one puts in doubt what was measured with it
    from `since`, its last good check, up to and including `until`, when it was recorded; without a good check before, since
    ever. `virtual` says that the reference board was a simulation: that vouches for no run of a real board.
    """

    way: Way
    good: bool
    since: datetime | None
    until: datetime
    told: str
    by: str
    at: datetime
    run: str | None = None
    certificate_no: str | None = None
    virtual: bool = False


@dataclass(frozen=True, slots=True)
class FixtureHold:
    """Why a fixture is not used, since when."""

    id: int
    reason: str
    by: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Fixture:
    """A test plug, load, rig, meter or cable. `name` is `kind:serial`, as a run names it."""

    name: str
    kind: str
    site: str
    added_at: datetime
    hold: FixtureHold | None = None

    @property
    def serial(self) -> str:
        """Fixtures from before they were enrolled may be named by their serial number alone."""
        return self.name.rpartition(":")[2]


def covers(checks: Iterable[Check], at: datetime, virtual: bool) -> bool:
    """Whether a good check vouches for what was measured at that moment, on a virtual board or a real one."""
    return any(c.good and c.since is not None and c.since <= at < c.until and (virtual or not c.virtual) for c in checks)


def doubted(checks: Iterable[Check], at: datetime) -> Check | None:
    """The finding that puts a run of that moment in doubt."""
    return next((c for c in checks if not c.good and (c.since is None or c.since <= at) and at <= c.until), None)


def doubt_from(checks: Iterable[Check], found_at: datetime) -> datetime | None:
    """Since when everything measured with a fixture found faulty is in doubt: its last good check, that moment included."""
    return max((c.since for c in checks if c.good and c.since is not None and c.since < found_at), default=None)


def unmet_for_use(fixture: Fixture, on_reference: bool) -> tuple[Unmet, ...]:
    """Why a run may not be opened with it. On a reference board a held fixture is run to see whether it is sound again."""
    if fixture.hold is None or on_reference:
        return ()
    return (_held(fixture, fixture.hold),)


def unmet_for_certificate(fixture: Fixture, checks: Iterable[Check], opened: datetime, virtual: bool) -> tuple[Unmet, ...]:
    """Everything about one fixture that keeps a run from carrying a certificate. `checks` are those around the opening."""
    found = tuple(checks)
    unmet = [_held(fixture, fixture.hold)] if fixture.hold is not None else []
    doubt = doubted(found, opened)
    if doubt is not None:
        told = f"{fixture.name} was found faulty on {doubt.at:%Y-%m-%d %H:%M} UTC, after the run was opened: {doubt.told}"
        unmet.append(Unmet("fixture-found-faulty", told, fixture.name, "Run the set again with fixtures that are in order."))
    elif not covers(found, opened, virtual):
        told = f"No good check of {fixture.name} covers {opened:%Y-%m-%d %H:%M} UTC, when the run was opened."
        unmet.append(Unmet("fixture-not-checked", told, fixture.name, _CHECK_IT))
    return tuple(unmet)


_CHECK_IT = (
    "Check it first: a run on a reference board and POST /api/v1/fixtures/{serial}/checks, or its calibration; "
    "then run the set again."
)


def unnamed(kinds: Iterable[str], named: Iterable[str], run: str) -> tuple[Unmet, ...]:
    """Kinds of fixtures that the run's tests need and that the run does not name: nobody can say which ones were used."""
    missing = sorted(set(kinds) - {name.partition(":")[0] for name in named})
    return tuple(
        Unmet("fixture-not-named", f"Tests of this run need {kind}; it names none.", run, f"Open a run that names the {kind}.")
        for kind in missing
    )


def unmet_to_release(fixture: Fixture, checks: Iterable[Check]) -> tuple[Unmet, ...]:
    """A held fixture comes back after a good check that began after it was held; one from before says nothing."""
    if fixture.hold is None:
        return (Unmet("not-held", f"{fixture.name} is not held.", fixture.name, "There is nothing to release."),)
    since = fixture.hold.since
    if any(c.good and c.since is not None and c.since >= since and not _found_since(checks, c) for c in checks):
        return ()
    told = f"{fixture.name} has had no good check since it was held on {since:%Y-%m-%d %H:%M} UTC."
    return (Unmet("good-check-wanted", told, fixture.name, "Mend it, check it with a reference board, then release it."),)


def _found_since(checks: Iterable[Check], good: Check) -> bool:
    return any(not c.good and c.at > good.at for c in checks)


def unmet_calibration(fixture: Fixture, tested: bool, on: datetime, until: datetime, now: datetime) -> tuple[Unmet, ...]:
    """What keeps a paper from dating a fixture; `tested` says that some sheet's tests use its kind."""
    unmet = []
    if tested:
        told = f"A {fixture.kind} is checked by a run on a reference board, not by a paper."
        unmet.append(Unmet("run-wanted", told, fixture.name, "Run the set `plug` or `full` on a reference board; name that run."))
    if on > now:
        unmet.append(Unmet("begins-in-the-future", f"{on:%Y-%m-%d} is yet to come.", fixture.name, "Give the paper's date."))
    if until <= now:
        unmet.append(Unmet("ends-in-the-past", f"{until:%Y-%m-%d} has passed.", fixture.name, "Have it calibrated."))
    if until > on + LONGEST_CALIBRATION:
        told = f"A calibration counts for at most {LONGEST_CALIBRATION.days} days."
        unmet.append(Unmet("lasts-too-long", told, fixture.name, f"Give a date up to {on + LONGEST_CALIBRATION:%Y-%m-%d}."))
    return tuple(unmet)


def standing(fixture: Fixture, checks: Iterable[Check], now: datetime) -> str:
    """In a word: held, good, good for virtual boards, or check due."""
    if fixture.hold is not None:
        return "held"
    found = tuple(checks)
    if doubted(found, now) is not None or not covers(found, now, True):
        return "check due"
    return "good" if covers(found, now, False) else "good for virtual boards"


def due(checks: Iterable[Check]) -> datetime | None:
    """Until when it is vouched for; None when it never was, or when it was found faulty after its last good check."""
    found = tuple(checks)
    good = [c for c in found if c.good and not _found_since(found, c)]
    return max((c.until for c in good), default=None)


def _held(fixture: Fixture, hold: FixtureHold) -> Unmet:
    told = f"{fixture.name} is held: {hold.reason}"
    advice = "Take another one; mend this one, check it with a reference board, and release it."
    return Unmet("fixture-held", told, fixture.name, advice)
