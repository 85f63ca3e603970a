"""A run on a reference board says whether a fixture is in order: good dates it, bad holds it and all that rests on it."""

from dataclasses import dataclass

from benchworthy.acts import fixtures
from benchworthy.acts.certifying import findings_of
from benchworthy.acts.doubting import Doubted
from benchworthy.acts.gather import board_of, facts_of, run_of
from benchworthy.desk import fixture_check, reference
from benchworthy.desk import fixtures as rules
from benchworthy.desk.facts import Unmet
from benchworthy.desk.fixture_check import Comparison
from benchworthy.desk.fixtures import CHECKED_FOR, Check, Fixture, Way
from benchworthy.desk.reference import Reference
from benchworthy.evidence import standing
from benchworthy.history.records import Run
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services, Work


@dataclass(frozen=True, slots=True)
class Checked:
    """What came of a check: the finding, the numbers behind it, and what it put in doubt."""

    fixture: Fixture
    check: Check
    comparison: Comparison
    doubted: Doubted


def check(name: str, run: str, holder: str, work: Work, services: Services) -> Checked:
    """Raises UnknownFixture, UnknownRun, FixtureRefused."""
    fixture, found, now = fixtures.find(name, work, services), run_of(run, work, services), services.now()
    comparison = _comparison(fixture, found, work, services)
    if comparison.good:
        fixtures.allow(_passed_over(fixture, found, work, services), f"{fixture.name} is not checked: ")
    since = found.opened_at
    last = rules.doubt_from(work.fixtures.good_before(fixture.name, since), since)
    made = Check(
        Way.RUN,
        comparison.good,
        since if comparison.good else last,
        since + CHECKED_FOR if comparison.good else now,
        comparison.told,
        holder,
        now,
        run=found.id,
        virtual=board_of(found.serial, work, services).virtual,
    )
    fixtures.record(fixture, made, work, services)
    doubted = Doubted((), ()) if made.good else fixtures.found_faulty(fixture, made, holder, work, services)
    return Checked(fixtures.find(fixture.name, work, services), made, comparison, doubted)


def _comparison(fixture: Fixture, run: Run, work: Work, services: Services) -> Comparison:
    """The run against the record. Raises FixtureRefused when it decides nothing."""
    unmet, comparison = _looked_at(fixture, run, work, services)
    if work.fixtures.checked_by_run(fixture.name, run.id):
        told = f"Run {run.id} is on record for {fixture.name} already."
        unmet = (Unmet("recorded-already", told, run.id, "Make another run on the reference board."),)
    fixtures.allow(unmet, f"{fixture.name} is not checked: ")
    assert comparison is not None
    if not comparison.good and not comparison.disagrees:
        told = f"Run {run.id} lacks {', '.join(comparison.missing) or 'every test that would count'}."
        lacking = Unmet("check-incomplete", told, run.id, "Run the set again with the fixture fitted.")
        fixtures.allow((lacking,), f"{fixture.name} is not checked: ")
    return comparison


def _looked_at(fixture: Fixture, run: Run, work: Work, services: Services) -> tuple[tuple[Unmet, ...], Comparison | None]:
    """Why the run says nothing about the fixture, or what it says."""
    board, sheet = board_of(run.serial, work, services), services.find_sheet(run.design)
    facts, record = facts_of(board, work, services), work.fixtures.reference(run.serial)
    tests = fixture_check.tests_with(sheet, run.test_set, fixture.kind)
    assessment = standing.assessment_of(run, board, work, services)
    out = [o.test for o in assessment.with_verdict(Verdict.OUT) if not sheet.tests[o.test].needs & frozenset(sheet.fixtures)]
    summary = next(one for one in facts.runs if one.id == run.id)
    unmet = [*reference.unmet_to_check(facts, record, summary, out), *findings_of(board.serial, run, work)]
    if fixture.name not in run.fixtures:
        told = f"Run {run.id} was opened without {fixture.name}."
        unmet.append(Unmet("not-in-run", told, run.id, "Name it when opening the run."))
    if not tests:
        told = f"No test of the set {run.test_set} uses a {fixture.kind}."
        unmet.append(Unmet("no-test-uses-it", told, run.id, "A coordinator dates it by its calibration, or run the set `full`."))
    if unmet or record is None:
        return tuple(unmet), None
    return (), fixture_check.compare(fixture.name, tests, _record(record, work, services), assessment)


def _record(record: Reference, work: Work, services: Services) -> Assessment:
    run = run_of(record.run, work, services)
    return standing.assessment_of(run, board_of(record.serial, work, services), work, services)


def _passed_over(fixture: Fixture, run: Run, work: Work, services: Services) -> tuple[Unmet, ...]:
    """Earlier reference runs that speak against it and that nobody put on record: nobody tries until it is good."""
    last = rules.doubt_from(work.fixtures.good_before(fixture.name, run.opened_at), run.opened_at)
    unmet = []
    for earlier in work.fixtures.reference_runs(fixture.name, last, run.opened_at):
        if work.fixtures.checked_by_run(fixture.name, earlier):
            continue
        _, comparison = _looked_at(fixture, run_of(earlier, work, services), work, services)
        if comparison is not None and comparison.disagrees:
            told = f"Run {earlier} came before and speaks against {fixture.name}."
            unmet.append(Unmet("earlier-run-first", told, earlier, "Record the check of that run first."))
    return tuple(unmet)
