"""Certificates of fitness: issued on one complete run, with every value kept in a results document."""

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from benchworthy import RELEASED
from benchworthy.acts import fixtures
from benchworthy.acts.gather import board_of, facts_of, run_of
from benchworthy.acts.results import RULE_NAME, Issue, results_document
from benchworthy.acts.runs import people_of
from benchworthy.acts.sheet_change import in_force
from benchworthy.designs.sheet import Sheet
from benchworthy.desk import outs
from benchworthy.desk.certify import NOBODY, People, alone, unmet_conditions
from benchworthy.desk.facts import BoardFacts, Unmet
from benchworthy.desk.stages import sign_offs
from benchworthy.errors import CertificateRefused, ClockImplausible, UnknownCertificate
from benchworthy.evidence import standing
from benchworthy.evidence.recording import enter
from benchworthy.history.records import Board, Certificate, Run
from benchworthy.judging.run import Assessment
from benchworthy.ports import Services, Signer, Work
from benchworthy.reports.signed import CERTIFICATE_TYPE, IN_FORCE, STATUS_LIST_TYPE

LARGEST_CLAIMS = 580  # bytes; more would not fit the code on paper that a phone reads


def certify(serial: str, run: str | None, holder: str, work: Work, services: Services) -> Certificate:
    """Issue a certificate on a run, by default the board's newest. Raises CertificateRefused with all that is unmet."""
    board = board_of(serial, work, services)
    sheet, now = services.find_sheet(board.design), services.now()
    facts = facts_of(board, work, services)
    chosen = run_of(run, work, services) if run else next(iter(work.runs.of_board(serial)), None)
    if chosen is not None and chosen.serial != serial:
        chosen = None
    assessment = standing.assessment_of(chosen, board, work, services) if chosen else None
    people = People(*people_of(chosen, work), holder, services.one_person) if chosen else NOBODY
    unmet = unmet_conditions(facts, chosen.id if chosen else None, assessment, sheet.policy, people, now)
    unmet += findings_of(serial, chosen, work)
    about = fixtures.against_certificate(chosen, assessment, board, sheet, work, services) if chosen and assessment else ()
    unmet += tuple(item for item in about if services.checks_required or item.code not in fixtures.TOLERATED)
    if unmet or chosen is None or assessment is None:
        raise CertificateRefused(_told(serial, unmet), unmet=[_plain(item) for item in unmet])
    _plausible(now, board, work)
    return _issue(board, chosen, assessment, sheet, facts, people, now, fixtures.not_checked(about), work, services)


def findings_of(serial: str, run: Run | None, work: Work) -> tuple[Unmet, ...]:
    """Whatever in this run disagrees with the record keeps it from carrying a certificate; each is told once."""
    if run is None:
        return ()
    told = dict.fromkeys(text for _, text, where in work.evidence.findings(serial) if where == run.id)
    return tuple(
        Unmet("finding-open", text, run.id, "Clear it up with the coordinator, then run the set again.") for text in told
    )


def _told(serial: str, unmet: Sequence[Unmet]) -> str:
    return f"{serial} gets no certificate: " + " ".join(item.what for item in unmet)


def _plain(item: Unmet) -> dict[str, str]:
    return {"code": item.code, "what": item.what, "evidence": item.evidence, "next": item.next}


def _plausible(now: datetime, board: Board, work: Work) -> None:
    """No certificate before the package's release date, or before any entry of the board's or the site's chain."""
    latest = work.ledger.latest(board.serial, f"site:{board.site}")
    earliest = max(
        datetime.fromisoformat(RELEASED).replace(tzinfo=UTC),
        datetime.fromisoformat(latest) if latest else datetime.min.replace(tzinfo=UTC),
    )
    if now.replace(microsecond=0) < earliest:
        raise ClockImplausible(f"The server's clock says {now:%Y-%m-%d %H:%M}, earlier than {earliest:%Y-%m-%d %H:%M}.")


def _issue(
    board: Board,
    run: Run,
    assessment: Assessment,
    sheet: Sheet,
    facts: BoardFacts,
    people: People,
    now: datetime,
    not_checked: tuple[str, ...],
    work: Work,
    services: Services,
) -> Certificate:
    decided = _decided(f"c-{services.random(10).hex()}", assessment, sheet, facts, people, now)
    issue = dataclasses.replace(decided, fixtures_not_checked=not_checked)
    body = results_document(issue, board, run, assessment, sheet, work, services)
    sha256 = hashlib.sha256(body.encode()).hexdigest()
    token = _signer(services).sign(CERTIFICATE_TYPE, _claims(issue, board, run, sheet, sha256, work, services))
    certificate = Certificate(
        issue.id, board.serial, services.site, run.id, token, sha256, issue.issued, issue.until, issue.authorised, None, None
    )
    work.desk.add_document(sha256, body)
    work.desk.add_certificate(certificate)
    work.waivers.rest(issue.id, [waiver.number for waiver in issue.waivers])
    told = {
        "certificate": issue.id,
        "run": run.id,
        "results": sha256,
        "until": issue.until.isoformat(),
        "no_fault_found": list(issue.no_fault_found),
        **({"waivers": [waiver.number for waiver in issue.waivers]} if issue.waivers else {}),
        **({"one_person": True} if issue.one_person else {}),
        **({"fixtures_not_checked": list(issue.fixtures_not_checked)} if issue.fixtures_not_checked else {}),
    }
    enter(board, "certified", issue.authorised, told, work, services)
    return certificate


def _decided(
    certificate_id: str, assessment: Assessment, sheet: Sheet, facts: BoardFacts, people: People, now: datetime
) -> Issue:
    """It ends with its own time, or with the first waiver that it rests on."""
    issued = now.replace(microsecond=0)
    waivers = tuple(waiver for waiver in facts.life.waivers if waiver.test in assessment.waived)
    ends = [issued + timedelta(days=sheet.policy.certificate_days), *(w.until.replace(microsecond=0) for w in waivers)]
    return Issue(
        certificate_id,
        issued,
        min(ends),
        people.authorised,
        outs.no_fault_found(facts),
        waivers,
        alone(facts.life, people),
        tuple(sign for _, sign in sorted(sign_offs(facts.life).items())),
    )


def _claims(issue: Issue, board: Board, run: Run, sheet: Sheet, sha256: str, work: Work, services: Services) -> dict[str, Any]:
    head = work.ledger.last(board.serial)
    claims: dict[str, Any] = {
        "id": issue.id,
        "serial": board.serial,
        "module": board.module,
        "design": board.design,
        "judging": sheet.judging_hash,
        "run": run.id,
        "results": sha256,
        "rule": RULE_NAME,
        "iat": int(issue.issued.timestamp()),
        "exp": int(issue.until.timestamp()),
        "site": services.site,
        "ledger": head.hash if head else "",
        **({"virtual": True} if board.virtual else {}),
        **({"one_person": True} if issue.one_person else {}),
    }
    return claims | _waived(claims, [waiver.test for waiver in issue.waivers])


def _waived(claims: dict[str, Any], tests: list[str]) -> dict[str, Any]:
    """The tests let go; only how many, where their names would make the token too long for its code."""
    if not tests:
        return {}
    named = json.dumps(claims | {"waived": tests}, separators=(",", ":"), ensure_ascii=False)
    return {"waived": tests if len(named.encode()) <= LARGEST_CLAIMS else len(tests)}


def _signer(services: Services) -> Signer:
    assert services.signer is not None, "only the web process signs"
    return services.signer


def find(certificate: str, work: Work, services: Services) -> Certificate:
    """Raises UnknownCertificate."""
    found = work.desk.certificate(certificate)
    if found is None or found.site != services.site:
        raise UnknownCertificate(f"No certificate {certificate} was issued here.", certificate=certificate)
    return in_force(found, work, services, services.now())


def status_list(work: Work, services: Services) -> str:
    """The signed, dated list of what became of every certificate whose date has not passed."""
    now = services.now()
    current = [in_force(c, work, services, now) for c in work.desk.certificates_of(services.site) if c.valid_until > now]
    standing_now = {certificate.id: certificate.lapse or IN_FORCE for certificate in current}
    return _signer(services).sign(
        STATUS_LIST_TYPE, {"site": services.site, "iat": int(now.timestamp()), "certificates": standing_now}
    )
