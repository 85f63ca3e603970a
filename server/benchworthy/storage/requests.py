"""What boards in the field were asked to do; whether it was sent stands in the outbox."""

from sqlalchemy import Connection, func, insert, select

from benchworthy.history.records import Request
from benchworthy.storage import tables as t


class RequestRows:
    """Implements ports.Requests on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def last_number(self, serial: str) -> int:
        """The highest number given to a board's requests; 0 before the first."""
        query = select(func.max(t.requests.c.number)).where(t.requests.c.serial == serial)
        return self._connection.execute(query).scalar() or 0

    def add(self, request: Request) -> None:
        self._connection.execute(
            insert(t.requests).values(
                serial=request.serial,
                number=request.number,
                do=request.do,
                made_at=request.made_at,
                by=request.by,
                letter=request.letter,
            )
        )

    def find(self, serial: str, number: int) -> Request | None:
        c = t.requests.c
        joined = t.requests.join(t.outbox, c.letter == t.outbox.c.id)
        query = select(t.requests, t.outbox.c.sent_at).select_from(joined).where(c.serial == serial, c.number == number)
        row = self._connection.execute(query).first()
        return Request(**row._mapping) if row else None
