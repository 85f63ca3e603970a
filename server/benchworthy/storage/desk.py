"""Certificates with their results documents, holds, loans, check-ins, and the ledger."""

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, bindparam, func, insert, or_, select, update

from benchworthy.desk.lapses import CHECKIN_INCOMPLETE
from benchworthy.history.ledger import CLOCK_RIGHT, Entry
from benchworthy.history.records import Certificate, Hold, Loan
from benchworthy.storage import tables as t


def _values(record: Any) -> dict[str, Any]:
    return {field.name: getattr(record, field.name) for field in dataclasses.fields(record)}


class DeskRows:
    """Implements ports.Desk on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add_document(self, sha256: str, body: str) -> None:
        if self.document(sha256) is None:
            self._connection.execute(insert(t.documents).values(sha256=sha256, body=body))

    def document(self, sha256: str) -> str | None:
        return self._connection.execute(select(t.documents.c.body).where(t.documents.c.sha256 == sha256)).scalar()

    def add_certificate(self, certificate: Certificate) -> None:
        self._connection.execute(insert(t.certificates).values(**_values(certificate)))

    def certificate(self, certificate: str) -> Certificate | None:
        return _certificate(self._connection.execute(select(t.certificates).where(t.certificates.c.id == certificate)).first())

    def newest_certificate(self, serial: str) -> Certificate | None:
        c = t.certificates.c
        last = select(func.max(c.issued_at)).where(c.serial == serial).scalar_subquery()
        query = select(t.certificates).where(c.serial == serial, c.issued_at == last).order_by(c.id)
        found = [Certificate(**row._mapping) for row in self._connection.execute(query)]
        return found[0] if len(found) == 1 else self._entered_last(serial, found)

    def _entered_last(self, serial: str, found: Sequence[Certificate]) -> Certificate | None:
        """Issued in whole seconds and under random ids: of two in one second the board's chain knows which came later."""
        c = t.ledger.c
        query = select(c.facts).where(c.chain == serial, c.kind == "certified").order_by(c.position.desc())
        by_id = {certificate.id: certificate for certificate in found}
        named = (facts.get("certificate") for facts in self._connection.execute(query).scalars())
        return next((by_id[name] for name in named if name in by_id), found[-1] if found else None)

    def certificates_of(self, site: str) -> Sequence[Certificate]:
        query = select(t.certificates).where(t.certificates.c.site == site).order_by(t.certificates.c.id)
        return [Certificate(**row._mapping) for row in self._connection.execute(query)]

    def resting_on(self, bench: str, since: datetime) -> Sequence[Certificate]:
        c, r = t.certificates.c, t.runs.c
        query = select(t.certificates).join(t.runs, c.run == r.id).where(r.bench == bench, r.opened_at >= since, still_open())
        return [Certificate(**row._mapping) for row in self._connection.execute(query.order_by(c.id))]

    def lapse_each(self, certificates: Sequence[str], code: str, at: datetime) -> None:
        for certificate in certificates:
            here = t.certificates.c.id == certificate
            self._connection.execute(update(t.certificates).where(here).values(lapse=code, lapsed_at=at))

    def lapse(self, serial: str, code: str, at: datetime) -> Sequence[str]:
        """Lapse every certificate of the board that has not lapsed for good yet; returns their ids."""
        c = t.certificates.c
        standing = select(c.id).where(c.serial == serial, c.lapse.is_(None) if code == CHECKIN_INCOMPLETE else still_open())
        ids = list(self._connection.execute(standing).scalars())
        if ids:
            self._connection.execute(update(t.certificates).where(c.id.in_(ids)).values(lapse=code, lapsed_at=at))
        return ids

    def restore(self, serial: str, code: str, since: datetime) -> Sequence[str]:
        """Take back what `code` did to the board's certificates since then; returns their ids."""
        c = t.certificates.c
        lapsed = select(c.id).where(c.serial == serial, c.lapse == code, c.lapsed_at >= since).order_by(c.id)
        ids = list(self._connection.execute(lapsed).scalars())
        if ids:
            self._connection.execute(update(t.certificates).where(c.id.in_(ids)).values(lapse=None, lapsed_at=None))
        return ids

    def open_hold(self, serial: str) -> Hold | None:
        c = t.holds.c
        standing = select(t.holds).where(c.serial == serial, c.released_at.is_(None)).order_by(c.id)
        row = self._connection.execute(standing).first()
        return Hold(**row._mapping) if row else None

    def add_hold(self, serial: str, code: str, reason: str, by: str, at: datetime) -> None:
        self._connection.execute(insert(t.holds).values(serial=serial, code=code, reason=reason, by=by, since=at))

    def newest_loan(self, serial: str) -> Loan | None:
        c = t.loans.c
        row = self._connection.execute(select(t.loans).where(c.serial == serial).order_by(c.lent_at.desc()).limit(1)).first()
        return Loan(**row._mapping) if row else None

    def add_loan(self, loan: Loan) -> None:
        self._connection.execute(insert(t.loans).values(**_values(loan)))

    def add_check_in(self, serial: str, run: str, outcome: str, sentence: str, by: str, at: datetime) -> None:
        self._connection.execute(
            insert(t.check_ins).values(serial=serial, run=run, outcome=outcome, sentence=sentence, by=by, at=at)
        )

    def last_check_in(self, serial: str) -> datetime | None:
        """When the newest check-in that left the board looked at was made."""
        c = t.check_ins.c
        query = select(c.at).where(c.serial == serial, c.outcome != "returned").order_by(c.id.desc()).limit(1)
        return self._connection.execute(query).scalar()


_LAST = select(t.ledger).where(t.ledger.c.chain == bindparam("of")).order_by(t.ledger.c.position.desc()).limit(1)


class LedgerRows:
    """Implements ports.Ledger on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def last(self, chain: str) -> Entry | None:
        row = self._connection.execute(_LAST, {"of": chain}).first()
        return _entry(row) if row else None

    def latest(self, *chains: str) -> str | None:
        """The latest time in these chains; all are written in UTC and in one form, so they sort as they count."""
        c = t.ledger.c
        here = c.chain.in_(chains)
        said = self._connection.execute(select(c.facts).where(here, c.kind == CLOCK_RIGHT)).scalars()
        believed = [or_(c.at <= facts["now"], c.at > facts["wrong_until"]) for facts in said]
        return self._connection.execute(select(func.max(c.at)).where(here, *believed)).scalar()

    def heads(self, chains: Sequence[str]) -> Mapping[str, int]:
        c = t.ledger.c
        query = select(c.chain, func.max(c.position)).where(c.chain.in_(chains)).group_by(c.chain)
        return {chain: position for chain, position in self._connection.execute(query)}

    def add(self, entry: Entry, text: str | None) -> None:
        self._connection.execute(insert(t.ledger), {**_values(entry), "facts": dict(entry.facts)})
        self._connection.execute(insert(t.changes), {"chain": entry.chain, "position": entry.position})
        if text is None or entry.text_hash is None:
            return
        known = select(t.texts.c.hash).where(t.texts.c.hash == entry.text_hash)
        if self._connection.execute(known).first() is None:
            self._connection.execute(insert(t.texts).values(hash=entry.text_hash, text=text))

    def entries(self, chain: str, after: int = 0, limit: int | None = None) -> Sequence[Entry]:
        c = t.ledger.c
        query = select(t.ledger).where(c.chain == chain, c.position > after).order_by(c.position).limit(limit)
        return [_entry(row) for row in self._connection.execute(query)]

    def changes(self, site: str, kinds: Sequence[str], after: int, limit: int) -> Sequence[tuple[int, Entry]]:
        """Writes come one after another, so a number never appears below one that was read before."""
        c, n = t.ledger.c, t.changes.c
        told = t.changes.join(t.ledger, (n.chain == c.chain) & (n.position == c.position))
        joined = told.join(t.boards, c.chain == t.boards.c.serial)
        query = select(n.number, t.ledger).select_from(joined).where(t.boards.c.site == site, n.number > after, c.kind.in_(kinds))
        return [_numbered(row) for row in self._connection.execute(query.order_by(n.number).limit(limit))]


def still_open() -> ColumnElement[bool]:
    """In force, or lapsed only until a check-in is completed: whatever else ends a certificate ends that one too."""
    return or_(t.certificates.c.lapse.is_(None), t.certificates.c.lapse == CHECKIN_INCOMPLETE)


def _numbered(row: Row[Any]) -> tuple[int, Entry]:
    values = dict(row._mapping)
    return values.pop("number"), Entry(**values)


def _certificate(row: Row[Any] | None) -> Certificate | None:
    return Certificate(**row._mapping) if row else None


def _entry(row: Row[Any]) -> Entry:
    return Entry(**row._mapping)
