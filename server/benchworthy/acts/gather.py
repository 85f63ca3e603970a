"""The facts of one board, gathered from its records for a decision of the desk."""

import dataclasses
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime

from benchworthy.acts.sheet_change import certificate_facts
from benchworthy.designs.sheet import Counts
from benchworthy.desk import field_doubt
from benchworthy.desk.facts import BoardFacts, HoldFacts, LoanFacts, RunSummary, Unmet
from benchworthy.desk.life import Life, WaiverFacts
from benchworthy.desk.software import DIFFERS as SOFTWARE_DIFFERS
from benchworthy.desk.stages import open_stages
from benchworthy.errors import UnknownRun, UnknownSerial
from benchworthy.history.records import Board, Certificate, Loan, Run
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
    loan, life = work.desk.newest_loan(board.serial), _life(board.serial, now, work)
    runs = tuple(_summary(run, now) for run in work.runs.of_board(board.serial))
    reference, recall = work.fixtures.reference(board.serial), work.recalls.standing(board.site, board.design)
    return BoardFacts(
        serial=board.serial,
        design=board.design,
        virtual=board.virtual,
        module=board.module,
        any_evidence=bool(work.evidence.of_board(board.serial, 1)),
        runs=runs,
        certificate=certificate_facts(certificate, board, work, services) if certificate else None,
        hold=HoldFacts(hold.code, hold.reason, hold.since) if hold else None,
        loan=_loan_facts(loan) if loan else None,
        checked_in_at=work.desk.last_check_in(board.serial),
        repaired_at=life.repairs[-1].at if life.repairs else None,
        life=life,
        open_stages=open_stages(board.staged, life, services.find_sheet(board.design)),
        doubts=_doubts(board, certificate, runs, work, services) if certificate else (),
        reference_since=reference.at if reference else None,
        recall=recall if recall is not None and not work.recalls.entered(board.serial, recall) else None,
    )


def _loan_facts(loan: Loan) -> LoanFacts:
    reasons = tuple(loan.reasons or ())
    return LoanFacts(loan.id, loan.borrower, loan.lent_at, loan.due, loan.returned_at, loan.asked, reasons)


def never_counting(board: Board, services: Services) -> frozenset[str]:
    """Tests that are recorded and decide nothing."""
    return frozenset(test.id for test in services.find_sheet(board.design).tests.values() if test.counts is Counts.NEVER)


def _doubts(
    board: Board, certificate: Certificate, runs: Sequence[RunSummary], work: Work, services: Services
) -> tuple[Unmet, ...]:
    """What was heard from the field since the certificate, while it has not lapsed."""
    if certificate.lapse is not None:
        return ()
    never = never_counting(board, services)
    heard = work.lapses.field_outs(board.serial, board.epoch, certificate.issued_at)
    outs = [out for out in heard if out.test not in never]
    other = work.lapses.findings_since(board.serial, SOFTWARE_DIFFERS, certificate.issued_at)
    return field_doubt.doubts(outs, runs) + field_doubt.other_software(other, board.serial, runs)


def _life(serial: str, now: datetime, work: Work) -> Life:
    standing = work.waivers.standing(serial, now)
    waivers = tuple(WaiverFacts(waiver.number, waiver.test, waiver.reason, waiver.by, waiver.until) for waiver in standing)
    return dataclasses.replace(work.life.of(serial), waivers=waivers)


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
