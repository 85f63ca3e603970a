"""A board becomes a reference board, or is one no longer."""

from collections.abc import Sequence

from benchworthy.acts import fixtures
from benchworthy.acts.certifying import findings_of
from benchworthy.acts.gather import board_of, facts_of, run_of
from benchworthy.desk import reference
from benchworthy.desk.facts import Unmet
from benchworthy.desk.fitness import fitness
from benchworthy.desk.reference import Reference
from benchworthy.errors import ReferenceRefused
from benchworthy.evidence import standing
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board
from benchworthy.ports import Services, Work


def make(serial: str, reason: str, run: str | None, bootstrap: bool, holder: str, work: Work, services: Services) -> Reference:
    """Make it one on a record run, by default its newest that will do. Raises ReferenceRefused with every unmet condition.

    Its certificate is withdrawn: a board that is never lent is not fit to lend either.
    """
    board = board_of(serial, work, services)
    facts, full = facts_of(board, work, services), services.find_sheet(board.design).policy.first_set
    summary = next((one for one in facts.runs if one.id == run), None) if run else reference.record_run(facts, full)
    unmet = list(reference.unmet_for_record(facts, summary, full))
    unchecked: tuple[str, ...] = ()
    if summary is not None and not unmet:
        against = _against_record(board, summary.id, work, services)
        unchecked = tuple(item.evidence for item in against if item.code == "fixture-not-checked")
        unmet += [item for item in against if item.code != "fixture-not-checked"]
    first = work.fixtures.other_reference(board.site, board.design, serial) is None
    state = fitness(facts, services.now()).state
    unmet += reference.unmet_to_serve(facts, state, unchecked, bootstrap, first)
    if unmet or summary is None:
        raise _refused(f"{serial} becomes no reference board: ", unmet)
    now = services.now()
    made = Reference(serial, summary.id, reason, unchecked, holder, now)
    work.fixtures.add_reference(made)
    work.life.end_reservation(serial, now)
    lapsed = list(work.recalls.lapse(serial, "LAPSE-WITHDRAWN", now))
    told = {"run": summary.id, "unchecked": list(unchecked), "lapsed": lapsed}
    enter(board, "reference-made", holder, told, work, services, reason)
    return made


def _against_record(board: Board, run: str, work: Work, services: Services) -> list[Unmet]:
    """What speaks against the run's fixtures, and what in the run disagrees with the record."""
    found = run_of(run, work, services)
    assessment, sheet = standing.assessment_of(found, board, work, services), services.find_sheet(board.design)
    return [
        *fixtures.against_certificate(found, assessment, board, sheet, work, services),
        *findings_of(board.serial, found, work),
    ]


def end(serial: str, reason: str, holder: str, work: Work, services: Services) -> None:
    """It may be certified and lent again, after the whole set. Raises ReferenceRefused."""
    board = board_of(serial, work, services)
    if work.fixtures.reference(serial) is None:
        unmet = Unmet("no-reference-board", f"{serial} is no reference board.", serial, "There is nothing to end.")
        raise _refused("", [unmet])
    work.fixtures.end_reference(serial, services.now())
    enter(board, "reference-ended", holder, {}, work, services, reason)


def _refused(lead: str, unmet: Sequence[Unmet]) -> ReferenceRefused:
    told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
    return ReferenceRefused(lead + " ".join(u.what for u in unmet), unmet=told)
