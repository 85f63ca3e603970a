"""The facts of one board, gathered from its records for a decision of the desk."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from benchworthy.acts.sheet_change import certificate_facts
from benchworthy.desk.facts import BoardFacts, HoldFacts, LoanFacts, RunSummary
from benchworthy.errors import UnknownRun, UnknownSerial
from benchworthy.history.records import Board, Run
from benchworthy.judging.decision import Verdict
from benchworthy.ports import Services, Work


def board_of(serial: str, work: Work, services: Services) -> Board:
    """Raises UnknownSerial: an unknown serial number is another answer than a board without evidence."""
    board = work.registry.board(serial)
    if board is None or board.site != services.site:
        raise UnknownSerial(f"No board {serial} is enrolled.", serial=serial)
    return board


def run_of(run: str, work: Work, services: Services) -> Run:
    """Raises UnknownRun."""
    found = work.runs.find(run)
    if found is None or found.site != services.site:
        raise UnknownRun(f"No run {run} is on record.", run=run)
    return found


def facts_of(board: Board, work: Work, services: Services) -> BoardFacts:
    """Everything the desk's decisions rest on, newest run first."""
    now = services.now()
    certificate, hold = work.desk.newest_certificate(board.serial), work.desk.open_hold(board.serial)
    loan, life = work.desk.newest_loan(board.serial), work.life.of(board.serial)
    return BoardFacts(
        serial=board.serial,
        design=board.design,
        virtual=board.virtual,
        module=board.module,
        any_evidence=bool(work.evidence.of_board(board.serial, 1)),
        runs=tuple(_summary(run, now) for run in work.runs.of_board(board.serial)),
        certificate=certificate_facts(certificate, board, work, services) if certificate else None,
        hold=HoldFacts(hold.code, hold.reason, hold.since) if hold else None,
        loan=LoanFacts(loan.id, loan.borrower, loan.lent_at, loan.due, loan.returned_at) if loan else None,
        checked_in_at=work.desk.last_check_in(board.serial),
        repaired_at=life.repairs[-1].at if life.repairs else None,
        life=life,
    )


def _summary(run: Run, now: datetime) -> RunSummary:
    stored, ended = run.summary, run.ended_at(now)
    verdict = stored.get("verdict")
    return RunSummary(
        run.id,
        run.test_set,
        run.opened_at,
        ended,
        bool(stored.get("complete")) and ended is not None,
        Verdict(verdict) if verdict else None,
        tuple(stored.get("outs", ())),
        bool(stored.get("secrets_absent")),
        tuple(stored.get("modules", ())),
        frozenset(stored.get("in_limits", ())),
    )


def with_runs_at(facts: BoardFacts, runs: Iterable[Run], moment: datetime) -> BoardFacts:
    """The facts as they will be at a moment to come if nobody does anything: runs that nobody closed end by their expiry."""
    return replace(facts, runs=tuple(_summary(run, moment) for run in runs))
