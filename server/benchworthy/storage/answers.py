"""Answers to requests with an Idempotency-Key."""

from datetime import datetime

from sqlalchemy import Connection, delete, insert, select

from benchworthy.history.answers import KeptAnswer
from benchworthy.storage import tables as t


class AnswerRows:
    """Implements ports.Answers on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def find(self, name: str, since: datetime) -> KeptAnswer | None:
        c = t.answers.c
        row = self._connection.execute(select(t.answers).where(c.name == name, c.at >= since)).first()
        return KeptAnswer(**row._mapping) if row else None

    def keep(self, answer: KeptAnswer, since: datetime) -> None:
        self._connection.execute(delete(t.answers).where(t.answers.c.at < since))
        values = {"name": answer.name, "request": answer.request, "sealed": answer.sealed, "at": answer.at}
        self._connection.execute(insert(t.answers).values(**values))
