"""What is written when a report was let in: evidence, verdicts, findings and the ledger, in the caller's transaction."""

from collections.abc import Mapping
from datetime import datetime

from benchworthy.designs.agent_release import release_for
from benchworthy.designs.half_built import as_built
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import Sheet
from benchworthy.evidence import standing
from benchworthy.evidence.gate import Claim
from benchworthy.history import ledger
from benchworthy.history.records import Board, Evidence
from benchworthy.history.standing import Seen
from benchworthy.judging.decision import Verdict, worst
from benchworthy.judging.findings import Finding, OnRecord, findings
from benchworthy.judging.run import decides_nothing
from benchworthy.judging.tests import Expected, Outcome, judge_reading
from benchworthy.ports import Services, Work
from benchworthy.reports import receipt as receipts
from benchworthy.reports.receipt import Receipt
from benchworthy.reports.report import Author

# Verdicts of a field report that say nothing against a board: it was heard of, and nothing else about it is another.
QUIET = frozenset({str(Verdict.IN_LIMITS), "nothing to judge"})


def record(claim: Claim, arrival: str, work: Work, services: Services) -> Evidence:
    """Store a report that was let in, judge it, and return it with its receipt."""
    now, sheet = services.now(), services.find_sheet(claim.board.design)
    found = _findings(claim, sheet, work, services)
    outcomes = _outcomes(claim, sheet, services)
    counting = [o.verdict for o in outcomes if not decides_nothing(sheet.tests[o.test], o.verdict)]
    verdict = str(worst(counting)) if counting else "nothing to judge"
    code = services.verifier.receipt_code(claim.token.key, claim.material, receipts.message(claim.token.digest, verdict))
    evidence = _evidence(claim, arrival, now, Receipt(claim.token.digest, verdict, code).to_json())
    work.evidence.add(evidence)
    work.evidence.add_verdicts(evidence.digest, sheet.judging_hash, outcomes)
    work.evidence.add_findings(evidence.serial, evidence.run, evidence.digest, found, now)
    if claim.run is not None:
        standing.refresh(claim.run, claim.board, work, services)
    _enter(claim, evidence, verdict, found, work, services)
    _see(claim, evidence, work, services)
    return evidence


def announce(work: Work, services: Services, serial: str, receipt: str, arrival: str) -> None:
    """An MQTT sender waits for its receipt on its own topic; an HTTP sender gets it in the answer."""
    if arrival == "mqtt":
        work.evidence.post(services.site, f"benchworthy/v1/{services.site}/{serial}/receipt", receipt, services.now())


def _evidence(claim: Claim, arrival: str, now: datetime, receipt: str) -> Evidence:
    report = claim.report
    return Evidence(
        digest=claim.token.digest,
        serial=report.serial,
        run=claim.run.id if claim.run else None,
        author=claim.author,
        part=report.part if claim.run else None,
        evidence_class=claim.evidence,
        kid=str(claim.token.key),
        holder=claim.run.opened_by if claim.run else "field",
        raw=claim.token.raw,
        module=report.module,
        epoch=report.epoch,
        boot=report.boot,
        seq=report.seq,
        arrival=arrival,
        received_at=now,
        receipt=receipt,
    )


def _outcomes(claim: Claim, sheet: Sheet, services: Services) -> list[Outcome]:
    expected = Expected(claim.board.module, release_for(sheet, services.agent))
    sheet = as_built(sheet, claim.run.test_set) if claim.run else sheet
    return [
        judge_reading(sheet, sheet.tests[reading.test], reading, expected)
        for reading in claim.report.readings
        if reading.test in sheet.tests and sheet.tests[reading.test].author is claim.author
    ]


def _findings(claim: Claim, sheet: Sheet, work: Work, services: Services) -> list[Finding]:
    report, run = claim.report, claim.run
    fixtures = frozenset(run.fixtures) if run else frozenset()
    plugs = frozenset(f.split(":", 1)[-1] for f in fixtures if f.startswith("TP-4"))
    plans = frozenset(plan_for(sheet, name).hash for name in {*sheet.sets, *([run.test_set] if run else [])})
    agent = release_for(sheet, services.agent).hash
    on_record = OnRecord(claim.board.module, claim.board.virtual, claim.board.design, plans, agent, plugs)
    found = list(findings(report, claim.author, claim.evidence, on_record))
    strangers = [r.test for r in report.readings if r.test not in sheet.tests or sheet.tests[r.test].author is not claim.author]
    if strangers:
        found.append(Finding("foreign-test", f"Not this author's tests, and not judged: {', '.join(strangers)}."))
    if run is not None and any(item.author is claim.author and item.part == report.part for item in work.evidence.of_run(run.id)):
        found.append(
            Finding("part-differs", f"Part {report.part} of the {claim.author} came a second time, differing; the first counts.")
        )
    return found + _restarted(claim, work)


def _restarted(claim: Claim, work: Work) -> list[Finding]:
    report = claim.report
    if claim.author is not Author.BOARD or not work.evidence.counters_used(report.serial, report.epoch, report.boot, report.seq):
        return []
    return [Finding("counters-restarted", f"Boot {report.boot}, sequence {report.seq} came before with other bytes.")]


def _enter(claim: Claim, evidence: Evidence, verdict: str, found: list[Finding], work: Work, services: Services) -> None:
    facts = {
        "digest": evidence.digest,
        "author": str(evidence.author),
        "class": str(evidence.evidence_class),
        "run": evidence.run,
        "part": evidence.part,
        "verdict": verdict,
        "findings": sorted({f.code for f in found}),
    }
    if claim.run is None and verdict in QUIET and not found:
        _append(claim.board, "evidence", evidence.holder, facts, work, services)
    else:
        enter(claim.board, "evidence", evidence.holder, facts, work, services)


def _see(claim: Claim, evidence: Evidence, work: Work, services: Services) -> None:
    """A board was heard of, and what it runs. With many reports in one unit of work the last one tells."""
    report, board = claim.report, claim.board
    seen = Seen(evidence.digest, evidence.received_at, report.firmware, report.agent_version, report.agent_hash)

    def see() -> None:
        if not work.standings.see(board.serial, seen):
            services.keep_standing(board, work, services)

    work.at_end(f"seen {board.serial}", see)


def enter(
    board: Board, kind: str, holder: str, facts: Mapping[str, object], work: Work, services: Services, text: str | None = None
) -> None:
    """Append to the board's chain; the board's standing follows before the unit of work commits."""
    _append(board, kind, holder, facts, work, services, text)
    work.at_end(f"standing {board.serial}", lambda: services.keep_standing(board, work, services))


def _append(
    board: Board, kind: str, holder: str, facts: Mapping[str, object], work: Work, services: Services, text: str | None = None
) -> None:
    last = work.ledger.last(board.serial)
    work.ledger.add(ledger.append(last, board.serial, services.now(), kind, holder, facts, text), text)


def enter_site(
    kind: str, holder: str, facts: Mapping[str, object], work: Work, services: Services, text: str | None = None
) -> None:
    """Append to the site's own chain: benches, tokens, fixtures."""
    chain = f"site:{services.site}"
    work.ledger.add(ledger.append(work.ledger.last(chain), chain, services.now(), kind, holder, facts, text), text)
