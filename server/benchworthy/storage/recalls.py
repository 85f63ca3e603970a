"""Recalls of designs, and the boards they cover."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, exists, func, insert, or_, select, update

from benchworthy.desk.facts import Recall
from benchworthy.desk.recall import LAPSE, Covered
from benchworthy.storage import fixture_tables as f
from benchworthy.storage import life_tables, tables

_OVERTAKEN = "LAPSE-CHECKIN-INCOMPLETE"  # after it a renewal would have done

_IN_ONE_QUERY = 500


class RecallRows:
    """Implements ports.RecallStore on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def standing(self, site: str, design: str) -> Recall | None:
        """The recall of the design that has not ended."""
        newest = self.newest(site, design)
        return newest if newest is not None and newest.ended_at is None else None

    def newest(self, site: str, design: str) -> Recall | None:
        r = f.recalls.c
        query = select(r.id, r.design, r.reason, r.by, r.at, r.ended_at).where(r.site == site, r.design == design)
        row = self._connection.execute(query.order_by(r.id.desc()).limit(1)).first()
        return Recall(*row) if row else None

    def begin(self, site: str, design: str, reason: str, by: str, at: datetime) -> None:
        values = {"site": site, "design": design, "reason": reason, "by": by, "at": at}
        self._connection.execute(insert(f.recalls).values(**values))

    def end(self, recall: int, at: datetime) -> None:
        self._connection.execute(update(f.recalls).where(f.recalls.c.id == recall).values(ended_at=at))

    def entered(self, serial: str, recall: Recall) -> bool:
        """Whether the board's own hold under this recall was entered, released since or not."""
        return self._connection.execute(_holds(recall).where(tables.holds.c.serial == serial)).first() is not None

    def not_entered(self, site: str, recall: Recall, after: str, limit: int) -> Sequence[str]:
        """Boards of the design, not retired, whose hold is still to be entered."""
        b = tables.boards.c
        mine = _holds(recall).where(tables.holds.c.serial == b.serial)
        query = _boards(site, recall.design).where(b.serial > after, ~exists(mine)).order_by(b.serial)
        return list(self._connection.execute(query.limit(limit)).scalars())

    def holds_to_release(self, site: str, recall: Recall, limit: int) -> Sequence[tuple[int, str]]:
        h, b = tables.holds.c, tables.boards.c
        joined = tables.holds.join(tables.boards, b.serial == h.serial)
        query = select(h.id, h.serial).select_from(joined).where(b.site == site, b.design == recall.design, *_entered(recall))
        query = query.where(h.released_at.is_(None)).order_by(h.id).limit(limit)
        return [(row.id, row.serial) for row in self._connection.execute(query)]

    def lapse(self, serial: str, code: str, at: datetime) -> Sequence[str]:
        """Lapse the board's certificates, one overtaken too that a renewal would have followed; returns their ids."""
        c = tables.certificates.c
        query = select(c.id).where(c.serial == serial, or_(c.lapse.is_(None), c.lapse == _OVERTAKEN))
        ids = list(self._connection.execute(query).scalars())
        if ids:
            changed = update(tables.certificates).where(c.id.in_(ids)).values(lapse=code, lapsed_at=at)
            self._connection.execute(changed)
        return ids

    def covered(self, site: str, recall: Recall, after: str, limit: int) -> Sequence[Covered]:
        """The boards under a recall by serial number, each with where it is and whether its hold stands."""
        b, loans, losses, h = tables.boards.c, tables.loans.c, life_tables.losses.c, tables.holds.c
        out = and_(loans.serial == b.serial, loans.returned_at.is_(None))
        lost = and_(losses.serial == b.serial, losses.found_at.is_(None))
        held = and_(h.serial == b.serial, h.code == LAPSE, h.since >= recall.at)
        joined = tables.boards.outerjoin(tables.loans, out).outerjoin(life_tables.losses, lost).outerjoin(tables.holds, held)
        columns = (b.serial, loans.borrower, loans.due, losses.at.label("lost"), h.since, h.released_at)
        query = select(*columns).select_from(joined).where(b.site == site, b.design == recall.design, _not_retired())
        rows = self._connection.execute(query.where(b.serial > after).order_by(b.serial).limit(limit))
        return [_covered(row) for row in rows]

    def where(self, serials: Sequence[str], code: str) -> Sequence[Covered]:
        """Where each of these boards is, in the order of their serial numbers, and whether it is held by this code."""
        b, loans, losses, h = tables.boards.c, tables.loans.c, life_tables.losses.c, tables.holds.c
        out = and_(loans.serial == b.serial, loans.returned_at.is_(None))
        lost = and_(losses.serial == b.serial, losses.found_at.is_(None))
        held = exists(select(h.id).where(h.serial == b.serial, h.code == code, h.released_at.is_(None))).label("held")
        joined = tables.boards.outerjoin(tables.loans, out).outerjoin(life_tables.losses, lost)
        query = select(b.serial, loans.borrower, loans.due, losses.at.label("lost"), held).select_from(joined)
        wanted, found = sorted(set(serials)), []
        for first in range(0, len(wanted), _IN_ONE_QUERY):
            some = query.where(b.serial.in_(wanted[first : first + _IN_ONE_QUERY])).order_by(b.serial)
            found += [Covered(row.serial, _place(row), row.borrower, row.due, row.held) for row in self._connection.execute(some)]
        return found

    def counts(self, site: str) -> dict[str, int]:
        """Boards not retired by design."""
        b = tables.boards.c
        query = select(b.design, func.count()).where(b.site == site, _not_retired()).group_by(b.design)
        return {str(row[0]): int(row[1]) for row in self._connection.execute(query)}


def _holds(recall: Recall) -> Select[Any]:
    return select(tables.holds.c.id).where(*_entered(recall))


def _entered(recall: Recall) -> list[ColumnElement[bool]]:
    """Which holds a recall entered, on boards of its design."""
    h = tables.holds.c
    return [h.code == LAPSE, h.since >= recall.at, *([h.since <= recall.ended_at] if recall.ended_at is not None else [])]


def _boards(site: str, design: str) -> Select[Any]:
    b = tables.boards.c
    return select(b.serial).where(b.site == site, b.design == design, _not_retired())


def _not_retired() -> ColumnElement[bool]:
    return ~exists(select(life_tables.retirements.c.serial).where(life_tables.retirements.c.serial == tables.boards.c.serial))


def _place(row: Any) -> str:
    if row.lost is not None:
        return "missing"
    return "here" if row.borrower is None else "on loan"


def _covered(row: Any) -> Covered:
    held = None if row.since is None else row.released_at is None
    return Covered(row.serial, _place(row), row.borrower, row.due, held)
