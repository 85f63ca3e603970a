"""Field evidence is weighed as it arrives: it may lapse a certificate and hold a board that is here, and never more."""

import dataclasses

from benchworthy.acts.gather import facts_of
from benchworthy.acts.lapsing import lapse
from benchworthy.acts.software import of_run
from benchworthy.designs.sheet import Counts
from benchworthy.desk import field_doubt
from benchworthy.desk.field_doubt import FieldReport
from benchworthy.desk.fitness import fitness
from benchworthy.desk.lapses import FIELD
from benchworthy.desk.software import later
from benchworthy.desk.states import HERE
from benchworthy.evidence.gate import Claim
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Evidence
from benchworthy.ports import Services, Work

_LOOKED_AT = 40  # reports before the newest: enough for a self-test in many parts


def weigh(claim: Claim, evidence: Evidence, work: Work, services: Services) -> None:
    """Does the certificate lapse by this report and those before it?"""
    board, now = claim.board, services.now()
    facts = facts_of(board, work, services)
    certificate = facts.certificate
    if claim.run is not None or certificate is None or certificate.lapse is not None or certificate.valid_until <= now:
        return
    reports = work.lapses.field_reports(board.serial, board.epoch, certificate.issued_at, _LOOKED_AT)
    newest = next((report for report in reports if report.digest == evidence.digest), None)
    if newest is None:
        return  # the clock stands before the certificate's issue
    then = of_run(certificate.run, work, services)
    # What a spool kept from before the certificate's run raises doubt only.
    before = [report for report in reports if report is not newest and later((report.boot, report.seq), then)]
    if not later((newest.boot, newest.seq), then):
        newest, before = _without(newest, newest.judged), []
    never = frozenset(test.id for test in services.find_sheet(board.design).tests.values() if test.counts is Counts.NEVER)
    weighed = [_without(report, never) for report in (newest, *before)]
    found = field_doubt.decide(weighed, board.module, facts.runs)
    if found is None:
        return
    told = {"tests": list(found.tests), "reports": list(found.reports)}
    lapse(board, FIELD, evidence.holder, told, work, services, found.sentence)
    if fitness(facts, now).state in HERE and work.desk.open_hold(board.serial) is None:
        work.desk.add_hold(board.serial, FIELD, found.sentence, evidence.holder, now)
        enter(board, "held", evidence.holder, {"code": FIELD}, work, services, found.sentence)


def _without(report: FieldReport, tests: frozenset[str]) -> FieldReport:
    """A report as if it had not judged these tests; its module still counts, whenever it spoke."""
    return dataclasses.replace(report, judged=report.judged - tests, outs=report.outs - tests)
