"""Run tickets, before and after their use."""

import dataclasses
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from benchworthy.history.tickets import Ticket
from benchworthy.judging.draws import Draw
from benchworthy.storage.ticket_tables import tickets


class TicketRows:
    """Implements ports.Tickets on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, ticket: Ticket) -> None:
        values = {field.name: getattr(ticket, field.name) for field in dataclasses.fields(ticket)}
        values["draws"] = [{"test": d.test, "number": d.number, "stimulus": dict(d.stimulus)} for d in ticket.draws]
        self._connection.execute(insert(tickets).values(**values))

    def find(self, run: str) -> Ticket | None:
        row = self._connection.execute(select(tickets).where(tickets.c.id == run)).first()
        return _ticket(row) if row else None

    def bind(self, ticket: Ticket) -> None:
        told = {name: getattr(ticket, name) for name in ("used_at", "serial", "tested_by", "said_at")}
        self._connection.execute(update(tickets).where(tickets.c.id == ticket.id).values(**told))

    def of_bench(self, thumbprint: str, after: str, limit: int) -> Sequence[Ticket]:
        c = tickets.c
        query = select(tickets).where(c.bench == thumbprint, c.id > after).order_by(c.id).limit(limit)
        return [_ticket(row) for row in self._connection.execute(query)]


def _ticket(row: Row[Any]) -> Ticket:
    return Ticket(**{**row._mapping, "draws": tuple(Draw(**draw) for draw in row.draws)})
