"""Fixtures: enrolled, used in runs, checked on a reference board, held when found faulty, released after a good check."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchworthy.acts.doubting import Doubted, doubt
from benchworthy.designs.sheet import Sheet
from benchworthy.desk import fixtures as rules
from benchworthy.desk.facts import Unmet
from benchworthy.desk.fixtures import METER, OTHER_KINDS, Check, Fixture, Way
from benchworthy.errors import AlreadyEnrolled, FixtureHeld, FixtureRefused, RequestInvalid, UnknownFixture
from benchworthy.evidence.recording import enter_site
from benchworthy.history.records import Board, Run
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services, Work

SHOWN_CHECKS, SHOWN_RUNS = 50, 50


@dataclass(frozen=True, slots=True)
class NewFixture:
    """What is known of a fixture when it is enrolled: its own serial number, kind, measured values, a note."""

    serial: str
    kind: str
    values: Mapping[str, float]
    note: str


@dataclass(frozen=True, slots=True)
class Paper:
    """What dates a fixture that no test uses: a calibration or a look, from when, until when, its number, what was seen."""

    on: datetime | None
    until: datetime
    certificate_no: str | None
    seen: str


@dataclass(frozen=True, slots=True)
class Standing:
    """A fixture as it stands: held, good, good for virtual boards, or check due; `due` is until when it is vouched for."""

    fixture: Fixture
    state: str
    due: datetime | None


@dataclass(frozen=True, slots=True)
class Use:
    """A run in which it was used, with the tests that came out in it."""

    run: str
    serial: str
    test_set: str
    opened_by: str
    opened_at: datetime
    complete: bool
    verdict: str | None
    outs: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Record:
    """Everything on record of one fixture."""

    standing: Standing
    values: Mapping[str, float]
    note: str
    enrolled_by: str
    checks: tuple[Check, ...]
    times_used: int
    uses: tuple[Use, ...]


def kinds(services: Services) -> tuple[str, ...]:
    """Every kind that a sheet names, and those that people work with."""
    named = {kind for design in services.designs() for kind in services.find_sheet(design).fixtures}
    return (*sorted(named), *OTHER_KINDS)


def enrol(wanted: NewFixture, holder: str, work: Work, services: Services) -> Fixture:
    """Raises AlreadyEnrolled, RequestInvalid."""
    known = kinds(services)
    if wanted.kind not in known:
        raise RequestInvalid(f"No fixture is a {wanted.kind}.", errors={"kind": [f"One of {', '.join(known)}."]})
    name = f"{wanted.kind}:{wanted.serial}"
    if work.fixtures.find(services.site, wanted.serial) or work.fixtures.known_elsewhere(name):
        raise AlreadyEnrolled(f"A fixture {wanted.serial} is enrolled already.", serial=wanted.serial)
    fixture = Fixture(name, wanted.kind, services.site, services.now())
    work.fixtures.enrol(fixture, wanted.values, wanted.note, holder)
    facts = {"fixture": name, "kind": wanted.kind, "values": dict(wanted.values)}
    enter_site("fixture-enrolled", holder, facts, work, services, wanted.note or None)
    return fixture


def find(name: str, work: Work, services: Services) -> Fixture:
    """A fixture by its own serial number or as kind:serial. Raises UnknownFixture."""
    found = work.fixtures.find(services.site, name)
    if len(found) > 1:
        named = ", ".join(fixture.name for fixture in found)
        raise UnknownFixture(f"Several fixtures have the serial number {name}: {named}. Name one of them.", fixture=name)
    if not found:
        raise UnknownFixture(f"No fixture {name} is enrolled.", fixture=name)
    return found[0]


def take_up(names: Sequence[str], board: Board, work: Work, services: Services, used: bool = False) -> None:
    """May a run of this board be opened with these fixtures? Raises UnknownFixture, FixtureHeld, RequestInvalid.

    Of a run that was `used` away from the service the evidence is there already: it is kept, and a held fixture keeps the
    run from certifying.
    """
    if len(set(names)) != len(names):
        raise RequestInvalid("A fixture is named twice.", errors={"fixtures": ["Name each fixture once."]})
    on_reference = work.fixtures.reference(board.serial) is not None
    for name in names:
        exact = [fixture for fixture in work.fixtures.find(services.site, name) if fixture.name == name]
        if not exact:
            raise UnknownFixture(f"No fixture {name} is enrolled.", fixture=name)
        for unmet in () if used else rules.unmet_for_use(exact[0], on_reference):
            raise FixtureHeld(unmet.what, fixture=name)


def against_certificate(
    run: Run, assessment: Assessment, board: Board, sheet: Sheet, work: Work, services: Services
) -> tuple[Unmet, ...]:
    """Everything about the run's fixtures that keeps it from carrying a certificate."""
    unmet = list(rules.unnamed(_needed(assessment, sheet), run.fixtures, run.id))
    for name in run.fixtures:
        fixture = find(name, work, services)
        around = work.fixtures.checks_around(name, run.opened_at)
        unmet += rules.unmet_for_certificate(fixture, around, run.opened_at, board.virtual)
    return tuple(unmet)


TOLERATED = frozenset({"fixture-not-checked", "fixture-not-named"})


def not_checked(unmet: Iterable[Unmet]) -> tuple[str, ...]:
    """What a certificate says where the site only notes it: the fixtures by name, and kinds that were not named."""
    noted = [item for item in unmet if item.code in TOLERATED]
    return tuple(item.evidence if item.code == "fixture-not-checked" else item.what for item in noted)


def _needed(assessment: Assessment, sheet: Sheet) -> frozenset[str]:
    """Kinds of fixtures used by the tests that were run."""
    run = [sheet.tests[o.test] for o in assessment.outcomes.values() if o.verdict is not Verdict.NOT_RUN]
    kinds_of = {need for test in run for need in test.needs if need in sheet.fixtures}
    return frozenset(kinds_of | ({METER} if any(test.procedure == METER for test in run) else set()))


def calibrate(name: str, paper: Paper, holder: str, work: Work, services: Services) -> Check:
    """Date a fixture that no test uses. Raises UnknownFixture, FixtureRefused."""
    fixture, now = find(name, work, services), services.now()
    tested = any(fixture.kind in services.find_sheet(design).fixtures for design in services.designs())
    on = paper.on or now
    allow(rules.unmet_calibration(fixture, tested, on, paper.until, now), f"{fixture.name} is not dated: ")
    check = Check(Way.CALIBRATION, True, on, paper.until, paper.seen, holder, now, certificate_no=paper.certificate_no)
    record(fixture, check, work, services)
    return check


def report_fault(name: str, seen: str, holder: str, work: Work, services: Services) -> tuple[Check, Doubted]:
    """Hold the fixture, and all that rests on it since its last good check. Raises UnknownFixture."""
    fixture, now = find(name, work, services), services.now()
    since = rules.doubt_from(work.fixtures.good_before(fixture.name, now), now)
    check = Check(Way.FAULT, False, since, now, seen, holder, now)
    record(fixture, check, work, services)
    return check, found_faulty(fixture, check, holder, work, services)


def found_faulty(fixture: Fixture, check: Check, holder: str, work: Work, services: Services) -> Doubted:
    """What follows from a bad finding."""
    if fixture.hold is None:
        work.fixtures.hold(fixture.name, check.told, holder, check.at)
        enter_site("fixture-held", holder, {"fixture": fixture.name}, work, services, check.told)
    resting = work.fixtures.certificates_resting_on(fixture.name, check.since, check.until)
    reason = f"{fixture.name}, with which it was measured, was found faulty: {check.told}"
    checked_in = work.fixtures.checked_in_on(fixture.name, check.since, check.until)
    return doubt(resting, checked_in, rules.LAPSE, reason, holder, check.at, work, services)


def release(name: str, reason: str, holder: str, work: Work, services: Services) -> Fixture:
    """Raises UnknownFixture, FixtureRefused."""
    fixture, now = find(name, work, services), services.now()
    checks = work.fixtures.checks(fixture.name, SHOWN_CHECKS)
    allow(rules.unmet_to_release(fixture, checks), f"{fixture.name} is not released: ")
    assert fixture.hold is not None
    work.fixtures.release(fixture.hold.id, holder, now)
    enter_site("fixture-released", holder, {"fixture": fixture.name}, work, services, reason)
    return find(fixture.name, work, services)


def record(fixture: Fixture, check: Check, work: Work, services: Services) -> None:
    """A finding goes onto the fixture's record and into the site's chain."""
    work.fixtures.add_check(fixture.name, check)
    facts: dict[str, Any] = {
        "fixture": fixture.name,
        "way": str(check.way),
        "good": check.good,
        "since": check.since.isoformat() if check.since else None,
        "until": check.until.isoformat(),
        "run": check.run,
        "certificate_no": check.certificate_no,
    }
    enter_site("fixture-checked", check.by, facts, work, services, check.told)


def standing(fixture: Fixture, work: Work, services: Services) -> Standing:
    now = services.now()
    around = work.fixtures.checks_around(fixture.name, now)
    found = work.fixtures.checks(fixture.name, SHOWN_CHECKS)
    return Standing(fixture, rules.standing(fixture, around, now), rules.due(found))


def page(after: str, limit: int, work: Work, services: Services) -> Sequence[Standing]:
    return [standing(fixture, work, services) for fixture in work.fixtures.page(services.site, after, limit)]


def view(name: str, work: Work, services: Services) -> Record:
    """Raises UnknownFixture."""
    fixture = find(name, work, services)
    values, note, by = work.fixtures.enrolment(fixture.name)
    uses = tuple(_use(row) for row in work.fixtures.uses(fixture.name, SHOWN_RUNS))
    checks = tuple(work.fixtures.checks(fixture.name, SHOWN_CHECKS))
    return Record(standing(fixture, work, services), values, note, by, checks, work.fixtures.times_used(fixture.name), uses)


def _use(row: Any) -> Use:
    told = row.summary
    return Use(
        row.id, row.serial, row.test_set, row.opened_by, row.opened_at,
        bool(told.get("complete")), told.get("verdict"), tuple(told.get("outs", ())),
    )  # fmt: skip


def allow(unmet: Sequence[Unmet], lead: str) -> None:
    """Raises FixtureRefused when anything is unmet."""
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise FixtureRefused(lead + " ".join(u.what for u in unmet), unmet=told)
