"""Boards' standings: written board by board, read for many boards at a moment."""

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    and_,
    bindparam,
    case,
    delete,
    func,
    insert,
    not_,
    or_,
    select,
    update,
)

from benchworthy.history.records import Board
from benchworthy.history.standing import Placed, Seen, Share, Span, Standing, Wanted
from benchworthy.storage import standing_tables as s
from benchworthy.storage import tables as t

_BOARD = tuple(field.name for field in dataclasses.fields(Board))
_PLACED = tuple(field.name for field in dataclasses.fields(Placed) if field.name != "board")
_KEPT = ("basis", "certificate", "valid_until", "lapse", "hold", "loan", "borrower", "lent_at", "due", "reserved_until")


class StandingRows:
    """Implements ports.Standings on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def of(self, serial: str) -> Standing | None:
        row = self._connection.execute(select(s.standings).where(s.standings.c.serial == serial)).first()
        if row is None:
            return None
        spans = select(s.spans).where(s.spans.c.serial == serial).order_by(s.spans.c.since)
        found = tuple(
            Span(span.since, span.before, span.state, span.answer, span.until, span.waiting)
            for span in self._connection.execute(spans)
        )
        return Standing(serial=serial, **{name: getattr(row, name) for name in _KEPT}, seen=_seen(row), spans=found)

    def seen(self, serial: str) -> Seen | None:
        """What was last kept of a board's reports."""
        c = s.standings.c
        row = self._connection.execute(select(*_seen_columns()).where(c.serial == serial)).first()
        return _seen(row) if row else None

    def keep(self, standing: Standing) -> None:
        """Put a board's standing in the place of the one before."""
        seen = standing.seen
        values = {
            **{name: getattr(standing, name) for name in _KEPT},
            **(_seen_values(seen) if seen else {}),
        }
        here = s.standings.c.serial == standing.serial
        if self._connection.execute(update(s.standings).where(here).values(**values)).rowcount == 0:
            self._connection.execute(insert(s.standings).values(serial=standing.serial, **values))
        self._connection.execute(delete(s.spans).where(s.spans.c.serial == standing.serial))
        rows = [
            {"serial": standing.serial, **{field.name: getattr(span, field.name) for field in dataclasses.fields(span)}}
            for span in standing.spans
        ]
        self._connection.execute(insert(s.spans), rows)

    def outdate(self, serial: str) -> None:
        self._connection.execute(_OUTDATE, {"of": serial})

    def see(self, serial: str, seen: Seen) -> bool:
        """A board was heard of; False when it has no standing yet. An older report than the one on record changes nothing."""
        if self._connection.execute(_SEE, {"of": serial, "not_after": seen.at, **_seen_values(seen)}).rowcount == 1:
            return True
        return self.seen(serial) is not None

    def bases(self, site: str) -> Sequence[tuple[str, str | None]]:
        """Each design with each basis that standings of its boards rest on; None where one is not kept yet."""
        return [(row.design, row.basis) for row in self._connection.execute(_BASES, {"of": site})]

    def behind(self, site: str, bases: Mapping[str, str], limit: int) -> Sequence[str]:
        """Boards whose standing is not kept yet, or rests on another basis than that of their design."""
        if not bases:
            return []
        b, k = t.boards.c, s.standings.c
        right = or_(*(and_(b.design == design, k.basis == basis) for design, basis in bases.items()))
        joined = t.boards.outerjoin(s.standings, b.serial == k.serial)
        wanting = or_(k.serial.is_(None), not_(right))
        query = select(b.serial).select_from(joined).where(b.site == site, b.design.in_(list(bases)), wanting)
        return list(self._connection.execute(query.order_by(b.serial).limit(limit)).scalars())

    def shares(self, site: str, now: datetime, lapsing_before: datetime) -> Sequence[Share]:
        moments = {"now": now, "soon": lapsing_before}
        return [Share(*row) for row in self._connection.execute(_SHARES, {"of": site, **moments})]

    def placed(self, site: str, wanted: Wanted, now: datetime, after: str, limit: int) -> Sequence[Placed]:
        """Boards by serial number, from the one after `after` on."""
        query = _placed(now).where(t.boards.c.site == site, t.boards.c.serial > after, *_conditions(wanted))
        return [_one(row) for row in self._connection.execute(query.order_by(t.boards.c.serial).limit(limit))]

    def waiting(self, site: str, now: datetime, due_before: datetime, lapsing_before: datetime) -> Sequence[Placed]:
        """Boards for which there may be something to do: by themselves, by the date of a loan, by the end of a certificate."""
        by_date = or_(s.standings.c.due < due_before, s.spans.c.until <= lapsing_before)
        query = _placed(now).where(t.boards.c.site == site, or_(s.spans.c.waiting.is_not(None), by_date))
        return [_one(row) for row in self._connection.execute(query.order_by(t.boards.c.serial))]


# Said for every report from the field, so it is built once.
_OUTDATE = update(s.standings).where(s.standings.c.serial == bindparam("of")).values(basis="")
_SEE = (
    update(s.standings)
    .where(
        s.standings.c.serial == bindparam("of"),
        or_(s.standings.c.seen_at.is_(None), s.standings.c.seen_at <= bindparam("not_after", type_=s.standings.c.seen_at.type)),
    )
    .values({name: bindparam(name) for name in ("report", "seen_at", "firmware", "agent", "agent_hash")})
)


_b, _k, _p = t.boards.c, s.standings.c, s.spans.c
_BASES = (
    select(_b.design, _k.basis)
    .select_from(t.boards.outerjoin(s.standings, _b.serial == _k.serial))
    .where(_b.site == bindparam("of"))
    .distinct()
)
_now, _soon = bindparam("now", type_=_k.due.type), bindparam("soon", type_=_k.due.type)
_lapsing = and_(_k.lapse.is_(None), _k.valid_until > _now, _k.valid_until <= _soon)
_SHARES = (
    select(
        *(_b.design, _b.virtual, _p.state),
        func.count(),
        func.sum(case((_k.due < _now, 1), else_=0)),
        func.sum(case((_lapsing, 1), else_=0)),
    )
    .select_from(t.boards.join(s.standings, _b.serial == _k.serial).join(s.spans, _b.serial == _p.serial))
    .where(_b.site == bindparam("of"), _p.since <= _now, _p.before > _now)
    .group_by(_b.design, _b.virtual, _p.state)
    .order_by(_b.design, _b.virtual, _p.state)
)


def _placed(now: datetime) -> Select[Any]:
    b, m, k, p = t.boards.c, t.modules.c, s.standings.c, s.spans.c
    with_module = t.boards.join(t.modules, and_(b.serial == m.serial, b.epoch == m.epoch))
    joined = with_module.join(s.standings, b.serial == k.serial)
    here = joined.join(s.spans, and_(b.serial == p.serial, p.since <= now, p.before > now))
    own = [column for column in k if column.name != "serial"]
    return select(t.boards, m.module, p.state, p.answer, p.until, p.waiting, *own).select_from(here)


def _conditions(wanted: Wanted) -> list[ColumnElement[bool]]:
    b, k, p = t.boards.c, s.standings.c, s.spans.c
    given: list[tuple[Any, ColumnElement[bool]]] = [
        (wanted.state, p.state == wanted.state),
        (wanted.design, b.design == wanted.design),
        (wanted.inventory_ref, b.inventory_ref == wanted.inventory_ref),
        (wanted.firmware, k.firmware == wanted.firmware),
    ]
    found = [condition for value, condition in given if value is not None]
    if wanted.overdue is not None:
        found.append(k.due < wanted.overdue)
    if wanted.lapsing is not None:
        found += [k.lapse.is_(None), k.valid_until > wanted.lapsing[0], k.valid_until <= wanted.lapsing[1]]
    return found


def _one(row: Row[Any]) -> Placed:
    values = row._mapping
    return Placed(Board(**{name: values[name] for name in _BOARD}), **{name: values[name] for name in _PLACED})


def _seen_columns() -> tuple[Any, ...]:
    return tuple(s.standings.c[name] for name in ("report", "seen_at", "firmware", "agent", "agent_hash"))


def _seen_values(seen: Seen) -> dict[str, Any]:
    names = {"report": seen.report, "seen_at": seen.at}
    return {**names, "firmware": seen.firmware, "agent": seen.agent, "agent_hash": seen.agent_hash}


def _seen(row: Row[Any]) -> Seen | None:
    return Seen(row.report, row.seen_at, row.firmware, row.agent, row.agent_hash) if row.report is not None else None
