"""Loans with what was told at their return, and borrowers' remarks."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, exists, insert, or_, select, update

from benchworthy.history.lending import LoanQuery, LoanRow, Remark
from benchworthy.history.records import Loan
from benchworthy.storage import tables as t
from benchworthy.storage.lending_tables import remarks
from benchworthy.storage.life_tables import losses, retirements

_AT_RETURN = ("returned_at", "returned_by", "counted", "dropped", "wet", "module_read", "asked", "reasons")


class LendingRows:
    """Implements ports.Lending on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def loan(self, loan: str) -> Loan | None:
        return self._one(select(t.loans).where(t.loans.c.id == loan))

    def open_by_code(self, code_hash: str) -> Loan | None:
        return self._one(select(t.loans).where(t.loans.c.code_hash == code_hash, t.loans.c.returned_at.is_(None)))

    def newest(self, serial: str, limit: int) -> Sequence[Loan]:
        query = select(t.loans).where(t.loans.c.serial == serial).order_by(t.loans.c.lent_at.desc()).limit(limit)
        return [Loan(**row._mapping) for row in self._connection.execute(query)]

    def end(self, loan: Loan) -> None:
        values = {name: getattr(loan, name) for name in _AT_RETURN}
        self._connection.execute(update(t.loans).where(t.loans.c.id == loan.id).values(**values))

    def loans(self, query: LoanQuery, now: datetime, after: tuple[datetime, str] | None, limit: int) -> Sequence[LoanRow]:
        c, found = t.loans.c, _listed().where(*_wanted(query, now))
        if after is not None:
            found = found.where(or_(c.due > after[0], and_(c.due == after[0], c.id > after[1])))
        rows = self._connection.execute(found.order_by(c.due, c.id).limit(limit))
        return [_row(row) for row in rows]

    def add_remark(self, remark: Remark) -> int:
        values = {"serial": remark.serial, "loan": remark.loan, "told_by": remark.told_by, "by": remark.by, "at": remark.at}
        made = self._connection.execute(insert(remarks).values(**values, text_hash=remark.text_hash))
        return int(made.inserted_primary_key[0]) if made.inserted_primary_key else 0

    def remark(self, number: int) -> Remark | None:
        row = self._connection.execute(_remarks().where(remarks.c.id == number)).first()
        return Remark(**row._mapping) if row else None

    def remarks_of(self, serial: str, after: int, limit: int) -> Sequence[Remark]:
        c = remarks.c
        query = _remarks().where(c.serial == serial, c.id > after).order_by(c.id).limit(limit)
        return [Remark(**row._mapping) for row in self._connection.execute(query)]

    def remarks_by_slip(self, loan: str) -> Sequence[Remark]:
        c = remarks.c
        query = _remarks().where(c.loan == loan, c.told_by == "slip").order_by(c.id)
        return [Remark(**row._mapping) for row in self._connection.execute(query)]

    def settle(self, number: int, by: str, at: datetime, outcome_hash: str) -> None:
        values = {"read_by": by, "read_at": at, "outcome_hash": outcome_hash}
        self._connection.execute(update(remarks).where(remarks.c.id == number).values(**values))

    def _one(self, query: Select[Any]) -> Loan | None:
        row = self._connection.execute(query).first()
        return Loan(**row._mapping) if row else None


def _remarks() -> Select[Any]:
    """Remarks with their texts; a text that was erased is None."""
    said, done = t.texts.alias("said"), t.texts.alias("done")
    joined = remarks.outerjoin(said, remarks.c.text_hash == said.c.hash).outerjoin(done, remarks.c.outcome_hash == done.c.hash)
    return select(remarks, said.c.text.label("text"), done.c.text.label("outcome")).select_from(joined)


def _missing() -> Any:
    """Whether the board of a loan is on record as missing."""
    return exists().where(losses.c.serial == t.loans.c.serial, losses.c.found_at.is_(None))


def _retired() -> Any:
    return exists().where(retirements.c.serial == t.loans.c.serial)


def _listed() -> Select[Any]:
    joined = t.loans.join(t.boards, t.loans.c.serial == t.boards.c.serial)
    more = (t.boards.c.inventory_ref, _missing().label("missing"), _retired().label("retired"))
    return select(t.loans, *more).select_from(joined)


def _wanted(query: LoanQuery, now: datetime) -> list[Any]:
    c = t.loans.c
    states: Mapping[str, Any] = {
        "on loan": and_(c.returned_at.is_(None), ~_missing(), ~_retired()),
        "missing": and_(c.returned_at.is_(None), _missing(), ~_retired()),
        "retired": and_(c.returned_at.is_(None), _retired()),
        "returned": c.returned_at.is_not(None),
    }
    late = and_(c.due < now, c.returned_at.is_(None), ~_retired())
    checks = (
        (True, t.boards.c.site == query.site),
        (query.borrower is not None, c.borrower == query.borrower),
        (query.holder is not None, c.lent_by == query.holder),
        (query.state is not None, states.get(query.state or "", None)),
        (query.state is None, c.returned_at.is_not(None) if query.returned else c.returned_at.is_(None)),
        (query.overdue is True, late),
        (query.overdue is False, ~late),
    )
    return [condition for asked, condition in checks if asked]


def _row(row: Row[Any]) -> LoanRow:
    values = dict(row._mapping)
    reference, missing, retired = (values.pop(name) for name in ("inventory_ref", "missing", "retired"))
    return LoanRow(Loan(**values), reference, bool(missing), bool(retired))
