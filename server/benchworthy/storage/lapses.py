"""What certificates lapse by, and which of them are in force."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from benchworthy.desk.field_doubt import FieldOut, FieldReport
from benchworthy.desk.software import Approved
from benchworthy.history.records import Certificate
from benchworthy.judging.decision import Verdict
from benchworthy.judging.tests import Outcome
from benchworthy.reports.report import EvidenceClass
from benchworthy.storage import lapse_tables as lt
from benchworthy.storage import tables as t
from benchworthy.storage.desk import still_open
from benchworthy.storage.evidence import verdict_rows

_GIVEN = (str(Verdict.IN_LIMITS), str(Verdict.MARGINAL), str(Verdict.OUT))
_OUT = str(Verdict.OUT)
_FIELD = str(EvidenceClass.FIELD)


class LapseRows:
    """Implements ports.Lapses on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def in_force(self, serial: str, now: datetime) -> Sequence[Certificate]:
        c = t.certificates.c
        query = select(t.certificates).where(c.serial == serial, still_open(), c.valid_until > now)
        return [Certificate(**row._mapping) for row in self._connection.execute(query.order_by(c.issued_at, c.id))]

    def all_in_force(self, site: str, now: datetime) -> Sequence[Certificate]:
        c = t.certificates.c
        query = select(t.certificates).where(c.site == site, still_open(), c.valid_until > now)
        return [Certificate(**row._mapping) for row in self._connection.execute(query.order_by(c.serial, c.issued_at, c.id))]

    def approved(self, site: str, after: int, limit: int) -> Sequence[Approved]:
        c = lt.approved_software.c
        query = select(*_approved()).where(c.site == site, c.id > after).order_by(c.id).limit(limit)
        return [Approved(*row) for row in self._connection.execute(query)]

    def approved_now(self, site: str) -> frozenset[tuple[str, str]]:
        c = lt.approved_software.c
        query = select(c.kind, c.value).where(c.site == site, c.revoked_at.is_(None))
        return frozenset((row.kind, row.value) for row in self._connection.execute(query))

    def approve(self, site: str, kind: str, value: str, reason: str, by: str, at: datetime) -> int:
        values = {"site": site, "kind": kind, "value": value, "reason": reason, "by": by, "at": at}
        made = self._connection.execute(insert(lt.approved_software).values(**values))
        return int(made.inserted_primary_key[0]) if made.inserted_primary_key else 0

    def approval(self, site: str, number: int) -> Approved | None:
        c = lt.approved_software.c
        row = self._connection.execute(select(*_approved()).where(c.site == site, c.id == number)).first()
        return Approved(*row) if row else None

    def end_approval(self, number: int, at: datetime) -> None:
        c = lt.approved_software.c
        self._connection.execute(update(lt.approved_software).where(c.id == number).values(revoked_at=at))

    def field_reports(self, serial: str, epoch: int, since: datetime, limit: int) -> Sequence[FieldReport]:
        """Newest first."""
        e, v = t.evidence.c, t.verdicts.c
        here = (e.serial == serial, e.evidence_class == _FIELD, e.epoch == epoch, e.received_at > since)
        query = select(e.digest, e.module, e.boot, e.seq, e.received_at).where(*here)
        rows = self._connection.execute(query.order_by(e.received_at.desc(), e.seq.desc()).limit(limit)).all()
        judged: dict[str, set[str]] = {}
        outs: dict[str, set[str]] = {}
        given = select(v.digest, v.test, v.verdict).where(v.digest.in_([row.digest for row in rows]), v.verdict.in_(_GIVEN))
        for digest, test, verdict in self._connection.execute(given):
            judged.setdefault(digest, set()).add(test)
            if verdict == _OUT:
                outs.setdefault(digest, set()).add(test)
        return [FieldReport(*row, frozenset(judged.get(row.digest, ())), frozenset(outs.get(row.digest, ()))) for row in rows]

    def field_outs(self, serial: str, epoch: int, since: datetime) -> Sequence[FieldOut]:
        e, v = t.evidence.c, t.verdicts.c
        joined = t.evidence.join(t.verdicts, e.digest == v.digest)
        here = (e.serial == serial, e.evidence_class == _FIELD, e.epoch == epoch, e.received_at > since, v.verdict == _OUT)
        # A minimum of a moment is text again, so its type is said anew.
        first, newest = func.min(e.received_at, type_=t.Moment), func.max(e.received_at, type_=t.Moment)
        query = select(v.test, first, newest, func.count(e.digest.distinct())).select_from(joined).where(*here)
        return [FieldOut(*row) for row in self._connection.execute(query.group_by(v.test).order_by(v.test))]

    def findings_since(self, serial: str, code: str, since: datetime) -> Sequence[tuple[str, datetime]]:
        """The texts of this finding outside runs, each once, with its newest time."""
        c = t.findings.c
        here = (c.serial == serial, c.code == code, c.run.is_(None), c.at > since)
        query = select(c.text, func.max(c.at, type_=t.Moment)).where(*here).group_by(c.text).order_by(c.text)
        return [(text, at) for text, at in self._connection.execute(query)]

    def rejudged(self, run: str, judging: str) -> bool:
        c = lt.rejudgements.c
        query = select(c.test).where(c.run == run, c.judging == judging).limit(1)
        return self._connection.execute(query).first() is not None

    def add_rejudged(self, run: str, judging: str, outcomes: Sequence[Outcome], at: datetime) -> None:
        rows = [row for outcome in outcomes for row in verdict_rows("", judging, outcome)]
        for row in rows:
            del row["digest"]
        if rows:
            self._connection.execute(insert(lt.rejudgements), [{**row, "run": run, "at": at} for row in rows])

    def verdicts_of(self, run: str) -> Sequence[tuple[str, str]]:
        """Test and verdict of every quantity, as it was judged when it arrived."""
        e, v = t.evidence.c, t.verdicts.c
        query = select(v.test, v.verdict).select_from(t.verdicts.join(t.evidence, e.digest == v.digest)).where(e.run == run)
        return [(row.test, row.verdict) for row in self._connection.execute(query)]


def _approved() -> list[Any]:
    c = lt.approved_software.c
    return [c.id, c.kind, c.value, c.reason, c.by, c.at, c.revoked_at]
