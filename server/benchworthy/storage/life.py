"""Defects, repairs, reservations, losses, sign-offs and retirements."""

from collections.abc import Iterable
from datetime import datetime

from sqlalchemy import Connection, func, insert, select, update

from benchworthy.desk.life import DefectFacts, Life, RepairFacts, ReservationFacts, RetirementFacts, SignOff
from benchworthy.storage import life_tables as t
from benchworthy.storage.lending_tables import remarks
from benchworthy.storage.tables import holds, loans


class LifeRows:
    """Implements ports.LifeRecord on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def of(self, serial: str) -> Life:
        """Everything on record of one board; waivers are not kept yet."""
        return Life(
            defects=self._defects(serial),
            repairs=self._repairs(serial),
            sign_offs=self._sign_offs(serial),
            reservation=self._reservation(serial),
            retired=self._retired(serial),
            missing_since=self._missing_since(serial),
            returns=self._returns(serial),
            remark=self._oldest_remark(serial),
        )

    def add_defect(self, serial: str, seen: str, by: str, at: datetime) -> int:
        made = self._connection.execute(insert(t.defects).values(serial=serial, seen=seen, by=by, at=at))
        return int(made.inserted_primary_key[0]) if made.inserted_primary_key else 0

    def close_defects(self, serial: str, numbers: Iterable[int], closed_as: str, at: datetime) -> None:
        c = t.defects.c
        these = update(t.defects).where(c.serial == serial, c.id.in_(list(numbers)), c.closed_at.is_(None))
        self._connection.execute(these.values(closed_at=at, closed_as=closed_as))

    def add_repair(self, serial: str, repair: RepairFacts, lot: str | None, seen: str, by: str) -> None:
        values = {"serial": serial, "part": repair.part, "stage": repair.stage, "lot": lot, "seen": seen, "by": by}
        self._connection.execute(insert(t.repairs).values(**values, at=repair.at))

    def add_sign_off(self, serial: str, sign: SignOff) -> None:
        values = {"serial": serial, "stage": sign.stage, "builder": sign.builder, "by": sign.inspector, "at": sign.at}
        self._connection.execute(insert(t.sign_offs).values(**values))

    def reserve(self, serial: str, borrower: str, until: datetime, by: str, at: datetime) -> None:
        """One reservation stands at a time: a new one ends the one before."""
        self.end_reservation(serial, at)
        self._connection.execute(insert(t.reservations).values(serial=serial, borrower=borrower, until=until, by=by, at=at))

    def end_reservation(self, serial: str, at: datetime) -> None:
        c = t.reservations.c
        self._connection.execute(update(t.reservations).where(c.serial == serial, c.ended_at.is_(None)).values(ended_at=at))

    def retire(self, serial: str, retirement: RetirementFacts, by: str) -> None:
        values = {"serial": serial, "reason": retirement.reason, "for_parts": retirement.for_parts, "by": by, "at": retirement.at}
        self._connection.execute(insert(t.retirements).values(**values))

    def lose(self, serial: str, by: str, at: datetime) -> None:
        self._connection.execute(insert(t.losses).values(serial=serial, by=by, at=at))

    def find_again(self, serial: str, at: datetime) -> None:
        c = t.losses.c
        self._connection.execute(update(t.losses).where(c.serial == serial, c.found_at.is_(None)).values(found_at=at))

    def release(self, hold: int, at: datetime) -> None:
        self._connection.execute(update(holds).where(holds.c.id == hold).values(released_at=at))

    def _defects(self, serial: str) -> tuple[DefectFacts, ...]:
        c = t.defects.c
        query = select(c.id, c.seen, c.at).where(c.serial == serial, c.closed_at.is_(None)).order_by(c.id)
        return tuple(DefectFacts(*row) for row in self._connection.execute(query))

    def _repairs(self, serial: str) -> tuple[RepairFacts, ...]:
        c = t.repairs.c
        query = select(c.part, c.stage, c.at).where(c.serial == serial).order_by(c.id)
        return tuple(RepairFacts(*row) for row in self._connection.execute(query))

    def _sign_offs(self, serial: str) -> tuple[SignOff, ...]:
        c = t.sign_offs.c
        query = select(c.stage, c.builder, c.by, c.at).where(c.serial == serial).order_by(c.id)
        return tuple(SignOff(*row) for row in self._connection.execute(query))

    def _reservation(self, serial: str) -> ReservationFacts | None:
        c = t.reservations.c
        query = select(c.id, c.borrower, c.until).where(c.serial == serial, c.ended_at.is_(None)).order_by(c.id.desc())
        row = self._connection.execute(query).first()
        return ReservationFacts(*row) if row else None

    def _retired(self, serial: str) -> RetirementFacts | None:
        c = t.retirements.c
        row = self._connection.execute(select(c.reason, c.for_parts, c.at).where(c.serial == serial)).first()
        return RetirementFacts(*row) if row else None

    def _returns(self, serial: str) -> int:
        query = select(func.count()).where(loans.c.serial == serial, loans.c.returned_at.is_not(None))
        return self._connection.execute(query).scalar_one()

    def _oldest_remark(self, serial: str) -> int | None:
        waiting = select(func.min(remarks.c.id)).where(remarks.c.serial == serial, remarks.c.read_at.is_(None))
        return self._connection.execute(waiting).scalar()

    def _missing_since(self, serial: str) -> datetime | None:
        c = t.losses.c
        return self._connection.execute(select(c.at).where(c.serial == serial, c.found_at.is_(None))).scalar()
