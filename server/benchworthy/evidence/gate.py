"""The one door for all arrivals: who signed, is the signature good, does the payload fit, does it belong to this run."""

import json
from collections.abc import Mapping
from dataclasses import dataclass

from benchworthy.errors import (
    ReportForAnother,
    ReportKeyUnknown,
    ReportReplayed,
    ReportSchemaMismatch,
    RunClosed,
    UnknownSerial,
)
from benchworthy.history.records import Board, Run
from benchworthy.ports import Services, Work
from benchworthy.reports.report import Author, EvidenceClass, Report
from benchworthy.reports.token import KeyKind, Token


@dataclass(frozen=True, slots=True)
class Claim:
    """A report that was let in: token, parsed report, board, the run it counts in (None in the field), author and class."""

    token: Token
    report: Report
    board: Board
    run: Run | None
    author: Author
    evidence: EvidenceClass
    material: Mapping[str, str]


def admit(token: Token, topic_serial: str | None, work: Work, services: Services) -> Claim:
    """Let a report in or raise the error that says why not."""
    material = _material(token, work, services)
    services.verifier.verify(token.raw, token.key, material)
    report = services.read_report(token.payload)
    board = work.registry.board(report.serial)
    if board is None:
        raise UnknownSerial(f"No board {report.serial} is enrolled.", serial=report.serial)
    if topic_serial is not None and topic_serial != report.serial:
        raise ReportForAnother(f"The topic names {topic_serial}, the report {report.serial}.")
    if token.key.kind is KeyKind.FIELD:
        return _field(token, report, board, material)
    return _in_run(token, report, board, material, work, services)


def _material(token: Token, work: Work, services: Services) -> dict[str, str]:
    """What the record says about the key. Raises ReportKeyUnknown."""
    key = token.key
    if key.kind is KeyKind.FIELD:
        board = work.registry.board(key.name)
        if board is None or board.epoch != key.epoch or board.site != services.site:
            raise ReportKeyUnknown(f"No field key of {key.name}, epoch {key.epoch}, is in use.")
        return {}
    if key.kind is KeyKind.RUN:
        run = work.runs.find(key.name)
        if run is None or run.site != services.site:
            raise ReportKeyUnknown(f"No run {key.name} is on record.{_ticket_waits(key.name, work)}")
        return {"nonce": run.nonce}
    bench = work.registry.bench(key.name)
    if bench is None or bench.revoked_at is not None or bench.site != services.site:
        raise ReportKeyUnknown("The bench's key is not registered, or it was revoked.")
    return {"jwk": bench.jwk}


def _ticket_waits(run: str, work: Work) -> str:
    return "" if work.tickets.find(run) is None else f" It is a ticket's: tell of its use first, by POST /api/v1/runs/{run}/use."


def _field(token: Token, report: Report, board: Board, material: Mapping[str, str]) -> Claim:
    """A field report may name a run; it never counts in it."""
    if (token.key.name, token.key.epoch) != (report.serial, report.epoch):
        raise ReportForAnother(f"The key belongs to {token.key.name}, epoch {token.key.epoch}; the payload names another.")
    return Claim(token, report, board, None, Author.BOARD, EvidenceClass.FIELD, material)


def _in_run(token: Token, report: Report, board: Board, material: Mapping[str, str], work: Work, services: Services) -> Claim:
    if report.run is None or report.nonce is None or report.part is None:
        raise ReportSchemaMismatch("A report signed by a run key or a bench key names run, nonce and part.")
    run = work.runs.find(report.run)
    if run is None:
        raise ReportKeyUnknown(f"No run {report.run} is on record.{_ticket_waits(report.run, work)}")
    if token.key.kind is KeyKind.RUN and token.key.name != report.run:
        raise ReportForAnother(f"The key belongs to run {token.key.name}; the payload names {report.run}.")
    if token.key.kind is KeyKind.BENCH and token.key.name != run.bench:
        raise ReportForAnother("The run was opened for another bench.")
    if run.serial != report.serial:
        raise ReportForAnother(f"Run {run.id} is of {run.serial}; the payload names {report.serial}.")
    if report.nonce != run.nonce:
        raise ReportReplayed(f"The part does not carry the nonce of run {run.id}.")
    if run.closed_at is not None or run.expires_at <= services.now():
        raise RunClosed(f"Run {run.id} is closed; this part came too late.", run=run.id)
    author = Author.BENCH if token.key.kind is KeyKind.BENCH else Author.BOARD
    return Claim(token, report, board, run, author, EvidenceClass.BENCH, material)


def canonical(value: object) -> bytes:
    """JSON in one fixed form, for evidence that a person's program sent as plain JSON."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode()
