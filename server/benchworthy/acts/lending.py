"""Out of the house and back: lend, take back, check in, hold."""

import dataclasses
from datetime import datetime
from typing import Any

from benchworthy.acts.drift import moved_since_build
from benchworthy.acts.gather import board_of, facts_of, run_of
from benchworthy.desk import lend as rules
from benchworthy.desk import missing, reserve
from benchworthy.desk.check_in import CheckIn
from benchworthy.desk.check_in import check_in as decide
from benchworthy.desk.facts import Unmet
from benchworthy.desk.fitness import fitness
from benchworthy.errors import CheckInRefused, HoldRefused, LoanRefused, ReturnRefused
from benchworthy.evidence import standing
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, Loan
from benchworthy.ports import Services, Work

CHECK_IN_SETS = frozenset({"quick", "plug", "full"})


def lend(serial: str, borrower: str, due: datetime, holder: str, work: Work, services: Services) -> Loan:
    """Lend a fit board. Raises LoanRefused with every unmet condition."""
    unmet = against(serial, borrower, due, work, services)
    if unmet:
        told = [{"code": u.code, "what": u.what, "evidence": u.evidence, "next": u.next} for u in unmet]
        raise LoanRefused(f"{serial} cannot be lent: " + " ".join(u.what for u in unmet), unmet=told)
    board, now = board_of(serial, work, services), services.now()
    loan = Loan(f"l-{services.random(8).hex()}", serial, borrower, holder, now, due, None)
    work.desk.add_loan(loan)
    work.life.end_reservation(serial, now)
    enter(board, "lent", holder, {"loan": loan.id, "borrower": borrower, "due": due.isoformat()}, work, services)
    return loan


def against(serial: str, borrower: str, due: datetime, work: Work, services: Services) -> tuple[Unmet, ...]:
    """Everything that keeps the board from going to this borrower until then."""
    now = services.now()
    facts = facts_of(board_of(serial, work, services), work, services)
    unmet = rules.unmet_conditions(facts, fitness(facts, now), due, now)
    return unmet + reserve.kept_for_another(facts, borrower, now)


def take_back(serial: str, scanned: str, holder: str, work: Work, services: Services) -> Loan:
    """End the loan. Raises ReturnRefused unless the board is on loan and its own label was scanned."""
    board = board_of(serial, work, services)
    loan = work.desk.newest_loan(serial)
    if loan is None or loan.returned_at is not None:
        raise ReturnRefused(f"{serial} is not on loan.", serial=serial)
    if scanned != serial:
        raise ReturnRefused(f"The scanned label {scanned} is not {serial}.", scanned=scanned)
    work.desk.end_loan(loan.id, services.now())
    enter(board, "returned", holder, {"loan": loan.id}, work, services)
    _back_from_missing(board, holder, work, services)
    ended = work.desk.newest_loan(serial)
    assert ended is not None
    return ended


def _back_from_missing(board: Board, holder: str, work: Work, services: Services) -> None:
    """Nobody knows where it was: it is held, unless something holds it already."""
    if work.life.of(board.serial).missing_since is None:
        return
    work.life.find_again(board.serial, services.now())
    if work.desk.open_hold(board.serial) is None:
        work.desk.add_hold(board.serial, missing.HOLD, missing.TOLD, holder, services.now())
    enter(board, "found-again", holder, {"code": missing.HOLD}, work, services)


def check_in(serial: str, run: str, holder: str, work: Work, services: Services) -> CheckIn:
    """Settle a return on a run. An out holds the board and lapses its certificate. Raises CheckInRefused."""
    board, now = board_of(serial, work, services), services.now()
    facts, found = facts_of(board, work, services), run_of(run, work, services)
    if found.serial != serial or found.test_set not in CHECK_IN_SETS:
        raise CheckInRefused(f"Run {run} is no check-in run of {serial}.", run=run)
    if not facts.awaits_check_in or facts.loan is None or facts.loan.returned_at is None:
        raise CheckInRefused(f"{serial} does not wait for a check-in.", serial=serial)
    if found.opened_at < facts.loan.returned_at:
        raise CheckInRefused(f"Run {run} was opened before the board came back.", run=run)
    certificate = facts.certificate
    in_force = certificate is not None and certificate.lapse is None and certificate.valid_until > now
    assessment = standing.assessment_of(found, board, work, services)
    outcome = decide(certificate, in_force, assessment, found.ended_at(now) is not None)
    _record(board, run, outcome, holder, work, services)
    return dataclasses.replace(outcome, moved=moved_since_build(facts, assessment, board, work, services))


def _record(board: Board, run: str, outcome: CheckIn, holder: str, work: Work, services: Services) -> None:
    now = services.now()
    lapsed = list(work.desk.lapse(board.serial, outcome.lapse, now)) if outcome.lapse else []
    if outcome.outcome == "held" and work.desk.open_hold(board.serial) is None:
        work.desk.add_hold(board.serial, "LAPSE-CHECKIN-FAILED", outcome.sentence, holder, now)
    work.desk.add_check_in(board.serial, run, outcome.outcome, outcome.sentence, holder, now)
    facts: dict[str, Any] = {"run": run, "outcome": outcome.outcome, "lapse": outcome.lapse, "lapsed": lapsed}
    enter(board, "checked-in", holder, facts, work, services, outcome.sentence)


def hold(serial: str, reason: str, holder: str, work: Work, services: Services) -> None:
    """Hold a board on any doubt. Raises HoldRefused when it is held already."""
    board = board_of(serial, work, services)
    if work.desk.open_hold(serial) is not None:
        raise HoldRefused(f"{serial} is held already.", serial=serial)
    work.desk.add_hold(serial, "held-by-staff", reason, holder, services.now())
    enter(board, "held", holder, {"code": "held-by-staff"}, work, services, reason)
