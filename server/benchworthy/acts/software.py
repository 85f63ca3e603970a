"""A board that runs other programs than its certificate was earned with, and the list of those that a coordinator approves."""

import dataclasses
from collections.abc import Sequence

from benchworthy.acts.lapsing import lapse, refuse
from benchworthy.desk import software
from benchworthy.desk.lapses import FIRMWARE
from benchworthy.desk.software import Approved, Software
from benchworthy.errors import AlreadyRevoked, UnknownApproval
from benchworthy.evidence.gate import Claim
from benchworthy.evidence.recording import enter_site
from benchworthy.history.records import Evidence
from benchworthy.judging.findings import Finding
from benchworthy.ports import Services, Work
from benchworthy.reports import token as tokens
from benchworthy.reports.report import Author

# A run that carries a certificate is closed, so what was seen in it never changes; worked out once in each process.
_seen: dict[str, Software] = {}
_MOST = 20_000
_LARGEST = 2**31 - 1  # no database has to look for more


def weigh(claim: Claim, evidence: Evidence, work: Work, services: Services) -> None:
    """Lapse the certificate if this report shows another program. A field report that may be older than the certificate's
    run, from a spool or from before a count began anew, raises doubt and nothing more."""
    now, certificate = services.now(), work.desk.newest_certificate(claim.board.serial)
    if certificate is None or certificate.lapse is not None or certificate.valid_until <= now or evidence.run == certificate.run:
        return
    if claim.board.module != claim.report.module:
        return  # another module's programs say nothing of this one's
    then, report = of_run(certificate.run, work, services), claim.report
    agent = report.agent_hash if claim.author is Author.BOARD else None
    if not software.changed(then, report.firmware, agent, ()):
        return
    told = software.changed(then, report.firmware, agent, work.lapses.approved_now(services.site))
    if not told:
        return
    if claim.run is None:
        found = Finding(software.DIFFERS, " ".join(told))
        work.evidence.add_findings(evidence.serial, None, evidence.digest, [found], now)
        if not software.later((report.boot, report.seq), then):
            return
    facts = {"digest": evidence.digest, "firmware": report.firmware, "agent": agent}
    lapse(claim.board, FIRMWARE, evidence.holder, facts, work, services)


def of_run(run: str, work: Work, services: Services) -> Software:
    """What was seen in a closed run."""
    if run not in _seen:
        if len(_seen) >= _MOST:
            _seen.clear()
        _seen[run] = _look(run, work, services)
    return _seen[run]


def _look(run: str, work: Work, services: Services) -> Software:
    parts = [
        (item.author, services.read_report(tokens.split(item.raw).payload))
        for item in work.evidence.of_run(run)
        if item.part is not None
    ]
    board = [report for author, report in parts if author is Author.BOARD]
    return Software(
        frozenset(report.firmware for report in board),
        frozenset(report.firmware for author, report in parts if author is Author.BENCH),
        frozenset(report.agent_hash for report in board),
        max(((report.boot, report.seq) for report in board), default=None),
    )


def approve(kind: str, value: str, reason: str, holder: str, work: Work, services: Services) -> Approved:
    """Declare a program compatible for this site. What lapsed before stays lapsed. Raises ActRefused."""
    refuse("Nothing is entered.", "approve", software.unmet_conditions(kind, value, work.lapses.approved_now(services.site)))
    now = services.now()
    number = work.lapses.approve(services.site, kind, value, reason, holder, now)
    enter_site("software-approved", holder, {"number": number, "kind": kind, "value": value}, work, services, reason)
    return Approved(number, kind, value, reason, holder, now, None)


def listed(after: int, limit: int, work: Work, services: Services) -> Sequence[Approved]:
    return work.lapses.approved(services.site, after, limit)


def revoke(number: int, reason: str, holder: str, work: Work, services: Services) -> Approved:
    """The next report of a board that runs it lapses that board's certificate. Raises UnknownApproval, AlreadyRevoked."""
    found = work.lapses.approval(services.site, number) if number <= _LARGEST else None
    if found is None:
        raise UnknownApproval(f"Nothing was approved under number {number}.", number=number)
    if found.revoked_at is not None:
        raise AlreadyRevoked(f"Approval {number} was revoked on {found.revoked_at:%Y-%m-%d}.")
    now = services.now()
    work.lapses.end_approval(number, now)
    told = {"number": number, "kind": found.kind, "value": found.value}
    enter_site("software-approval-revoked", holder, told, work, services, reason)
    return dataclasses.replace(found, revoked_at=now)
