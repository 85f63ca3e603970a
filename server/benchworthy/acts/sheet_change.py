"""What a changed sheet makes of a certificate: its stored evidence is judged again by the sheet in force.

Nothing is stored here: the answer follows from the evidence and the sheet at any moment, so a sheet that is taken back takes
its lapses back with it, until somebody enters them for good (acts/rejudging.py).
"""

import dataclasses
from datetime import datetime

from benchworthy.designs.sheet import Counts, Sheet
from benchworthy.desk import recall
from benchworthy.desk.facts import CertificateFacts
from benchworthy.evidence import standing
from benchworthy.history.records import Board, Certificate, Run
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment, assess, restated
from benchworthy.judging.tests import Expected
from benchworthy.ports import Services, Work

LAPSE = "LAPSE-SHEET"
# Held against the agent's release and the module on record, which change without the sheet and have lapses of their own.
_NOT_BY_SHEET = frozenset({"files", "identity"})

Change = tuple[tuple[str, ...], tuple[str, ...]]
# What a run that carries a certificate comes to under a sheet never changes: its evidence is closed, and the sheet is named by
# its hash. So it is worked out once in each process, as the status list, which anybody may ask for, looks at all of them.
_judged: dict[tuple[str, str], Change] = {}
_MOST = 20_000


def certificate_facts(certificate: Certificate, board: Board, work: Work, services: Services) -> CertificateFacts:
    """A certificate as it stands by the sheet in force."""
    waived = tuple(dict.fromkeys(waiver.test for waiver in work.waivers.under(certificate.id)))
    change = _change(certificate, board, work, services)
    lacking, worse = (tuple(test for test in tests if test not in waived) for tests in change)
    lapse = certificate.lapse or _recalled(certificate, board, work) or (LAPSE if lacking or worse else None)
    return CertificateFacts(
        certificate.id, certificate.run, certificate.issued_at, certificate.valid_until, lapse, lacking, worse, waived
    )


def _recalled(certificate: Certificate, board: Board, work: Work) -> str | None:
    """A recall counts from its first moment, before the lapse stands on the certificate itself."""
    standing = work.recalls.standing(board.site, board.design)
    return recall.LAPSE if recall.lapses(standing, certificate.issued_at) else None


def in_force(certificate: Certificate, work: Work, services: Services, now: datetime) -> Certificate:
    """The certificate with the lapse that a changed sheet or a recall gives it; one whose date has passed is left as it is."""
    board = work.registry.board(certificate.serial)
    if board is None or certificate.lapse is not None or certificate.valid_until <= now:
        return certificate
    return dataclasses.replace(certificate, lapse=certificate_facts(certificate, board, work, services).lapse)


def _change(certificate: Certificate, board: Board, work: Work, services: Services) -> Change:
    """Tests that the sheet asks for and the run has no evidence of, and tests that are no longer in limits."""
    run, sheet = work.runs.find(certificate.run), services.find_sheet(board.design)
    if run is None or run.judging == sheet.judging_hash:
        return (), ()
    known = _judged.get((run.id, sheet.judging_hash))
    if known is None:
        if len(_judged) >= _MOST:
            _judged.clear()
        known = _judged[run.id, sheet.judging_hash] = judged(run, sheet, board, work, services)[1]
    return known


def judged(run: Run, sheet: Sheet, board: Board, work: Work, services: Services) -> tuple[Assessment, Change]:
    """The stored evidence of a run by any sheet; tests without evidence, and tests that are not in limits."""
    test_set = _required(run, sheet)
    evidence = restated(sheet, test_set, standing.gather(run, work, services))
    assessment = assess(sheet, test_set, evidence, Expected(board.module, services.agent))
    given = {name for name, outcome in assessment.outcomes.items() if outcome.verdict not in (Verdict.NOT_RUN, Verdict.ERROR)}
    lacking = [t.id for t in sheet.tests_of(test_set) if t.id not in given and t.counts is Counts.ALWAYS]
    fallen = assessment.with_verdict(Verdict.OUT, Verdict.MARGINAL)
    worse = tuple(o.test for o in fallen if sheet.tests[o.test].procedure not in _NOT_BY_SHEET)
    return assessment, (tuple(lacking), worse)


def _required(run: Run, sheet: Sheet) -> str:
    """The set that carries such a certificate today; a set that the sheet no longer has was a first one."""
    certifying = (sheet.policy.first_set, sheet.policy.renewal_set)
    return run.test_set if run.test_set in certifying and run.test_set in sheet.sets else sheet.policy.first_set
