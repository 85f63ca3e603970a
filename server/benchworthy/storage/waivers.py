"""Waivers, and which certificates rest on which."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlalchemy import Connection, insert, select, update

from benchworthy.history.records import Waiver
from benchworthy.storage import waiver_tables as t
from benchworthy.storage.tables import certificates


class WaiverRows:
    """Implements ports.Waivers on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, serial: str, test: str, reason: str, until: datetime, by: str, at: datetime) -> int:
        values = {"serial": serial, "test": test, "reason": reason, "until": until, "by": by, "at": at}
        made = self._connection.execute(insert(t.waivers).values(**values))
        return int(made.inserted_primary_key[0]) if made.inserted_primary_key else 0

    def find(self, number: int) -> Waiver | None:
        row = self._connection.execute(select(t.waivers).where(t.waivers.c.number == number)).first()
        return Waiver(**row._mapping) if row else None

    def of_board(self, serial: str, after: int, limit: int) -> Sequence[Waiver]:
        c = t.waivers.c
        query = select(t.waivers).where(c.serial == serial, c.number > after).order_by(c.number).limit(limit)
        return [Waiver(**row._mapping) for row in self._connection.execute(query)]

    def standing(self, serial: str, now: datetime) -> Sequence[Waiver]:
        c = t.waivers.c
        query = select(t.waivers).where(c.serial == serial, c.ended_at.is_(None), c.until > now).order_by(c.number)
        return [Waiver(**row._mapping) for row in self._connection.execute(query)]

    def end(self, number: int, by: str, at: datetime) -> None:
        here = t.waivers.c.number == number
        self._connection.execute(update(t.waivers).where(here).values(ended_at=at, ended_by=by))

    def rest(self, certificate: str, numbers: Iterable[int]) -> None:
        for number in numbers:
            self._connection.execute(insert(t.resting).values(certificate=certificate, waiver=number))

    def under(self, certificate: str) -> Sequence[Waiver]:
        joined = t.waivers.join(t.resting, t.resting.c.waiver == t.waivers.c.number)
        query = select(t.waivers).select_from(joined).where(t.resting.c.certificate == certificate).order_by(t.waivers.c.number)
        return [Waiver(**row._mapping) for row in self._connection.execute(query)]

    def resting_on(self, number: int) -> Sequence[str]:
        """Certificates, not lapsed yet, that rest on a waiver."""
        joined = certificates.join(t.resting, t.resting.c.certificate == certificates.c.id)
        here = (t.resting.c.waiver == number) & certificates.c.lapse.is_(None)
        return list(self._connection.execute(select(certificates.c.id).select_from(joined).where(here)).scalars())
