"""Evidence read back in rows, a page at a time."""

import json
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Row, Tuple, literal, select, tuple_

from benchworthy.history.read_back import FailedCheckIn, Place, ReportLine, Value
from benchworthy.storage import tables as t


class ReadBackRows:
    """Implements ports.ReadBack on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def of_board(self, serial: str, test: str | None, since: datetime | None, after: Place | None, limit: int) -> Sequence[Value]:
        """Values of one board over all its reports, oldest first."""
        here = [t.evidence.c.serial == serial, *([t.verdicts.c.test == test] if test is not None else [])]
        return self._values(here, since, after, limit)

    def of_test(
        self, site: str, design: str, test: str, since: datetime | None, after: Place | None, limit: int
    ) -> Sequence[Value]:
        """Values of one test over all boards of a design, oldest first."""
        b = t.boards.c
        here = [t.verdicts.c.test == test, b.site == site, b.design == design]
        return self._values(here, since, after, limit)

    def _values(
        self, here: Sequence[ColumnElement[bool]], since: datetime | None, after: Place | None, limit: int
    ) -> Sequence[Value]:
        e, v = t.evidence.c, t.verdicts.c
        joined = t.evidence.join(t.verdicts, e.digest == v.digest).join(t.boards, t.boards.c.serial == e.serial)
        place = (e.received_at, v.digest, v.test, v.quantity)
        columns = (e.serial, e.received_at, v.digest, e.run, e.evidence_class, e.author, *_VALUE)
        query = select(*columns).select_from(joined).where(*here)
        if since is not None:
            query = query.where(e.received_at >= since)
        if after is not None:  # the first condition is one that an index answers
            query = query.where(e.received_at >= after[0], tuple_(*place) > _typed(place, after))
        return [_value(row) for row in self._connection.execute(query.order_by(*place).limit(limit))]

    def reports(self, serial: str, before: Place | None, limit: int) -> Sequence[ReportLine]:
        """What arrived of a board, newest first."""
        e = t.evidence.c
        place = (e.received_at, e.digest)
        query = select(t.evidence).where(e.serial == serial)
        if before is not None:
            query = query.where(e.received_at <= before[0], tuple_(*place) < _typed(place, before))
        rows = self._connection.execute(query.order_by(e.received_at.desc(), e.digest.desc()).limit(limit))
        return [_line(row) for row in rows]

    def failed_check_ins(self, site: str, since: datetime, before: int | None, limit: int) -> Sequence[FailedCheckIn]:
        """Check-ins that held a board, newest first."""
        b, c = t.boards.c, t.check_ins.c
        columns = (c.id, c.serial, b.inventory_ref, b.design, b.virtual, c.at, c.by, c.run, c.sentence)
        query = select(*columns).join_from(t.check_ins, t.boards, c.serial == b.serial)
        query = query.where(b.site == site, c.outcome == "held", c.at >= since)
        if before is not None:
            query = query.where(c.id < before)
        return [FailedCheckIn(*row) for row in self._connection.execute(query.order_by(c.id.desc()).limit(limit))]


_VALUE = tuple(t.verdicts.c[name] for name in ("test", "quantity", "value", "expanded", "unit", "verdict", "judging"))


def _typed(columns: Sequence[Column[Any]], values: Sequence[Any]) -> Tuple:
    """Values to compare with columns, each as the column keeps it: a moment in a bare tuple would lose its form."""
    return tuple_(*(literal(value, column.type) for column, value in zip(columns, values, strict=False)))


def _value(row: Row[Any]) -> Value:
    return Value(
        row.serial, row.received_at, row.digest, row.run, row.evidence_class, row.author, row.test, row.quantity,
        _number(row.value), _number(row.expanded), row.unit, row.verdict, row.judging,
    )  # fmt: skip


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def _line(row: Row[Any]) -> ReportLine:
    verdict = json.loads(row.receipt)["verdict"] if row.receipt else None
    return ReportLine(
        row.serial, row.received_at, row.digest, row.author, row.evidence_class, row.run, row.part, row.holder, row.arrival,
        row.module, row.epoch, row.boot, row.seq, verdict,
    )  # fmt: skip
