"""Field evidence is weighed as it arrives: it may lapse a certificate and hold a board that is here, and never more."""

import dataclasses
from collections.abc import Sequence

from benchworthy.acts.gather import facts_of, never_counting
from benchworthy.acts.lapsing import lapse
from benchworthy.acts.software import of_run
from benchworthy.desk import field_doubt
from benchworthy.desk.field_doubt import FieldReport
from benchworthy.desk.fitness import fitness
from benchworthy.desk.lapses import FIELD
from benchworthy.desk.software import later
from benchworthy.desk.states import HERE
from benchworthy.evidence.gate import Claim
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, Certificate, Evidence
from benchworthy.ports import Services, Work

_LOOKED_AT = 40  # reports before the newest: enough for a self-test in many parts


def weigh(claim: Claim, evidence: Evidence, work: Work, services: Services) -> None:
    """Does the certificate lapse by this report and those before it?"""
    board, now = claim.board, services.now()
    certificate = work.desk.newest_certificate(board.serial) if claim.run is None else None
    if certificate is None or certificate.lapse is not None or certificate.valid_until <= now:
        return
    reports = _weighed(evidence, board, certificate, work, services)
    if not reports or (not reports[0].outs and reports[0].module == board.module):
        return  # most reports end here, and cost little
    facts = facts_of(board, work, services)
    found = field_doubt.decide(reports, board.module, facts.runs)
    if found is None or facts.certificate is None or facts.certificate.lapse is not None:
        return
    told = {"tests": list(found.tests), "reports": list(found.reports)}
    lapse(board, FIELD, evidence.holder, told, work, services, found.sentence)
    if fitness(facts, now).state in HERE and work.desk.open_hold(board.serial) is None:
        work.desk.add_hold(board.serial, FIELD, found.sentence, evidence.holder, now)
        enter(board, "held", evidence.holder, {"code": FIELD}, work, services, found.sentence)


def _weighed(evidence: Evidence, board: Board, certificate: Certificate, work: Work, services: Services) -> Sequence[FieldReport]:
    """This report and those before it since the certificate, newest first, with the tests that count; what a spool may have
    kept from before the certificate's run raises doubt only. Empty where the clock stands before the certificate's issue."""
    reports = work.lapses.field_reports(board.serial, board.epoch, certificate.issued_at, _LOOKED_AT)
    newest = next((report for report in reports if report.digest == evidence.digest), None)
    if newest is None:
        return ()
    never, then = never_counting(board, services), of_run(certificate.run, work, services)
    if not later((newest.boot, newest.seq), then):
        return (_without(newest, newest.judged),)
    before = [report for report in reports if report is not newest and later((report.boot, report.seq), then)]
    return [_without(report, never) for report in (newest, *before)]


def _without(report: FieldReport, tests: frozenset[str]) -> FieldReport:
    """A report as if it had not judged these tests; its module still counts, whenever it spoke."""
    return dataclasses.replace(report, judged=report.judged - tests, outs=report.outs - tests)
