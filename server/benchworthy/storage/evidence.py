"""Evidence as received, its verdicts and findings, what was refused, and the outbox."""

import dataclasses
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, insert, select, update

from benchworthy.history.records import Evidence, Letter
from benchworthy.judging.findings import Finding
from benchworthy.judging.tests import Outcome
from benchworthy.reports.report import Author, EvidenceClass
from benchworthy.storage import tables as t

# Statements of every single arrival, built once: building them takes longer than SQLite takes to answer.
_c = t.evidence.c
_FIND = select(t.evidence).where(_c.digest == bindparam("of"))
_COUNTERS = select(_c.digest).where(
    _c.serial == bindparam("of"),
    _c.epoch == bindparam("in_epoch"),
    _c.boot == bindparam("in_boot"),
    _c.seq == bindparam("at"),
    _c.author == "board",
)


class EvidenceRows:
    """Implements ports.EvidenceStore on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def find(self, digest: str) -> Evidence | None:
        row = self._connection.execute(_FIND, {"of": digest}).first()
        return _evidence(row) if row else None

    def of_run(self, run: str) -> Sequence[Evidence]:
        """In the order of arrival."""
        query = select(t.evidence).where(t.evidence.c.run == run).order_by(t.evidence.c.received_at, t.evidence.c.digest)
        return [_evidence(row) for row in self._connection.execute(query)]

    def of_board(self, serial: str, limit: int) -> Sequence[Evidence]:
        """Newest first."""
        query = select(t.evidence).where(t.evidence.c.serial == serial).order_by(t.evidence.c.received_at.desc()).limit(limit)
        return [_evidence(row) for row in self._connection.execute(query)]

    def counters_used(self, serial: str, epoch: int, boot: int, seq: int) -> bool:
        counters = {"of": serial, "in_epoch": epoch, "in_boot": boot, "at": seq}
        return self._connection.execute(_COUNTERS, counters).first() is not None

    def add(self, evidence: Evidence) -> None:
        values = {field.name: getattr(evidence, field.name) for field in dataclasses.fields(evidence)}
        values["author"], values["evidence_class"] = str(evidence.author), str(evidence.evidence_class)
        self._connection.execute(insert(t.evidence), values)

    def add_verdicts(self, digest: str, judging: str, outcomes: Sequence[Outcome]) -> None:
        rows = [row for outcome in outcomes for row in verdict_rows(digest, judging, outcome)]
        if rows:
            self._connection.execute(insert(t.verdicts), rows)

    def add_findings(self, serial: str, run: str | None, digest: str | None, found: Sequence[Finding], at: datetime) -> None:
        for finding in found:
            text = finding.text.replace("\0", "\u2400")  # it may quote a board, and not every database keeps a NUL
            self._connection.execute(
                insert(t.findings).values(serial=serial, run=run, digest=digest, code=finding.code, text=text, at=at)
            )

    def findings(self, serial: str) -> Sequence[tuple[str, str, str | None]]:
        """Code, text and run of every finding, oldest first."""
        query = select(t.findings).where(t.findings.c.serial == serial).order_by(t.findings.c.id)
        return [(row.code, row.text, row.run) for row in self._connection.execute(query)]

    def refuse(self, site: str, arrival: str, digest: str, size: int, code: str, at: datetime) -> None:
        """Remember that something was refused, not what it said; the same bytes are remembered once."""
        c = t.refusals.c
        known = select(c.id).where(c.digest == digest, c.code == code, c.arrival == arrival)
        if self._connection.execute(known).first() is None:
            self._connection.execute(
                insert(t.refusals).values(site=site, arrival=arrival, digest=digest, size=size, code=code, at=at)
            )

    def post(self, site: str, topic: str, payload: str, at: datetime) -> int:
        values = {"site": site, "topic": topic, "payload": payload, "queued_at": at}
        key = self._connection.execute(insert(t.outbox), values).inserted_primary_key
        assert key is not None
        return int(key[0])

    def unsent(self, site: str, limit: int) -> Sequence[Letter]:
        c = t.outbox.c
        query = select(c.id, c.topic, c.payload).where(c.site == site, c.sent_at.is_(None)).order_by(c.id).limit(limit)
        return [Letter(*row) for row in self._connection.execute(query)]

    def sent(self, letters: Sequence[int], at: datetime) -> None:
        self._connection.execute(update(t.outbox).where(t.outbox.c.id.in_(letters)).values(sent_at=at))


def _evidence(row: Row[Any]) -> Evidence:
    values = dict(row._mapping)
    values["author"], values["evidence_class"] = Author(row.author), EvidenceClass(row.evidence_class)
    return Evidence(**values)


def verdict_rows(digest: str, judging: str, outcome: Outcome) -> list[dict[str, Any]]:
    base = {"digest": digest, "test": outcome.test, "judging": judging}
    if not outcome.quantities:
        return [{**base, "quantity": "", "verdict": str(outcome.verdict), "value": None, "expanded": None, "unit": None}]
    return [
        {
            **base,
            "quantity": q.name,
            "verdict": str(q.verdict),
            "value": f"{q.value:.7g}",
            "expanded": f"{q.expanded:.3g}",
            "unit": q.unit,
        }
        for q in outcome.quantities
    ]
