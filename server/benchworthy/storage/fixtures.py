"""Fixtures with their checks and holds, where they were used, and reference boards."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, exists, func, insert, or_, select, update

from benchworthy.desk.fixtures import Check, Fixture, FixtureHold, Way
from benchworthy.desk.reference import Reference
from benchworthy.history.records import Certificate
from benchworthy.storage import fixture_tables as f
from benchworthy.storage import life_tables
from benchworthy.storage import tables as t

# A lapse that evidence in doubt overtakes: after it a renewal would have done.
_OVERTAKEN = "LAPSE-CHECKIN-INCOMPLETE"


class FixtureRows:
    """Implements ports.FixtureStore on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def find(self, site: str, name: str) -> Sequence[Fixture]:
        """The fixture of this name, or all whose own serial number it is."""
        c = t.fixtures.c
        named = or_(c.serial == name, c.serial.endswith(f":{name}", autoescape=True))
        return [self._fixture(row) for row in self._connection.execute(select(t.fixtures).where(c.site == site, named))]

    def known_elsewhere(self, name: str) -> bool:
        return self._connection.execute(select(t.fixtures.c.serial).where(t.fixtures.c.serial == name)).first() is not None

    def page(self, site: str, after: str, limit: int) -> Sequence[Fixture]:
        c = t.fixtures.c
        query = select(t.fixtures).where(c.site == site, c.serial > after).order_by(c.serial).limit(limit)
        return [self._fixture(row) for row in self._connection.execute(query).all()]

    def enrol(self, fixture: Fixture, values: Mapping[str, float], note: str, by: str) -> None:
        made = {"serial": fixture.name, "site": fixture.site, "kind": fixture.kind, "added_at": fixture.added_at}
        self._connection.execute(insert(t.fixtures).values(**made))
        told = {"fixture": fixture.name, "values": dict(values), "note": note, "by": by}
        self._connection.execute(insert(f.fixture_enrolments).values(**told))

    def enrolment(self, name: str) -> tuple[Mapping[str, float], str, str]:
        """Values, note, and who enrolled it; nothing for a fixture from before enrolment was asked for."""
        c = f.fixture_enrolments.c
        row = self._connection.execute(select(c["values"], c.note, c.by).where(c.fixture == name)).first()
        return (row[0], row[1], row[2]) if row else ({}, "", "")

    def checks(self, name: str, limit: int) -> Sequence[Check]:
        """Newest first."""
        c = f.fixture_checks.c
        query = select(f.fixture_checks).where(c.fixture == name).order_by(c.id.desc()).limit(limit)
        return [_check(row) for row in self._connection.execute(query)]

    def checks_around(self, name: str, at: datetime) -> Sequence[Check]:
        """Those that say anything about that moment."""
        c = f.fixture_checks.c
        around = and_(c.until >= at, or_(c.since.is_(None), c.since <= at))
        query = select(f.fixture_checks).where(c.fixture == name, around).order_by(c.id.desc())
        return [_check(row) for row in self._connection.execute(query)]

    def good_before(self, name: str, at: datetime) -> Sequence[Check]:
        """The last good check that began before a moment, if there is one."""
        c = f.fixture_checks.c
        query = select(f.fixture_checks).where(c.fixture == name, c.good.is_(True), c.since < at).order_by(c.since.desc())
        return [_check(row) for row in self._connection.execute(query.limit(1))]

    def checked_by_run(self, name: str, run: str) -> bool:
        c = f.fixture_checks.c
        return self._connection.execute(select(c.id).where(c.fixture == name, c.run == run)).first() is not None

    def add_check(self, name: str, check: Check) -> None:
        values = {key: getattr(check, key) for key in _CHECK}
        self._connection.execute(insert(f.fixture_checks).values(fixture=name, **{**values, "way": str(check.way)}))

    def hold(self, name: str, reason: str, by: str, at: datetime) -> None:
        self._connection.execute(insert(f.fixture_holds).values(fixture=name, reason=reason, by=by, since=at))

    def release(self, hold: int, by: str, at: datetime) -> None:
        here = f.fixture_holds.c.id == hold
        self._connection.execute(update(f.fixture_holds).where(here).values(released_at=at, released_by=by))

    def uses(self, name: str, limit: int) -> Sequence[Row[Any]]:
        """Runs with the fixture, newest first."""
        return self._connection.execute(self._used(name).order_by(t.runs.c.opened_at.desc()).limit(limit)).all()

    def times_used(self, name: str) -> int:
        c = t.run_fixtures.c
        return self._connection.execute(select(func.count()).select_from(t.run_fixtures).where(c.fixture == name)).scalar_one()

    def reference_runs(self, name: str, after: datetime | None, before: datetime) -> Sequence[str]:
        """Closed runs with the fixture on reference boards of today, opened in between, oldest first."""
        r, b = t.runs.c, f.reference_boards.c
        on_reference = select(b.serial).where(*_serving(), b.at < r.opened_at).correlate(t.runs)
        query = self._used(name).where(r.closed_at.is_not(None), r.opened_at < before, r.serial.in_(on_reference))
        if after is not None:
            query = query.where(r.opened_at > after)
        return [row.id for row in self._connection.execute(query.order_by(r.opened_at))]

    def certificates_resting_on(self, name: str, since: datetime | None, until: datetime) -> Sequence[Certificate]:
        """Certificates whose run used the fixture and was opened in that time, those left out that lapsed for good."""
        c, r = t.certificates.c, t.runs.c
        joined = t.certificates.join(t.runs, c.run == r.id).join(t.run_fixtures, t.run_fixtures.c.run == r.id)
        standing = or_(c.lapse.is_(None), c.lapse == _OVERTAKEN)
        query = select(t.certificates).select_from(joined).where(t.run_fixtures.c.fixture == name, standing)
        query = query.where(r.opened_at <= until, *([r.opened_at >= since] if since is not None else []))
        return [Certificate(**row._mapping) for row in self._connection.execute(query.order_by(c.serial, c.id))]

    def checked_in_on(self, name: str, since: datetime | None, until: datetime) -> Sequence[str]:
        """Boards, not retired, whose newest check-in kept them fit on a run with the fixture opened in that time."""
        c, r, gone = t.check_ins.c, t.runs.c, life_tables.retirements.c.serial
        newest = select(func.max(c.id)).where(c.outcome != "returned").group_by(c.serial)
        joined = t.check_ins.join(t.runs, c.run == r.id).join(t.run_fixtures, t.run_fixtures.c.run == r.id)
        query = (
            select(c.serial)
            .select_from(joined)
            .where(t.run_fixtures.c.fixture == name, c.id.in_(newest), c.outcome == "fit kept")
        )
        query = query.where(r.opened_at <= until, ~exists(select(gone).where(gone == c.serial)))
        query = query.where(*([r.opened_at >= since] if since is not None else []))
        return list(self._connection.execute(query.order_by(c.serial)).scalars())

    def reference(self, serial: str) -> Reference | None:
        b = f.reference_boards.c
        query = _reference_rows().where(b.serial == serial, *_serving()).order_by(b.id.desc())
        return _reference(self._connection.execute(query).first())

    def references(self, site: str, after: str, limit: int) -> Sequence[Reference]:
        b = f.reference_boards.c
        query = _reference_rows().join(t.boards, t.boards.c.serial == b.serial).where(t.boards.c.site == site)
        query = query.where(*_serving(), b.serial > after).order_by(b.serial).limit(limit)
        return [found for row in self._connection.execute(query) if (found := _reference(row))]

    def other_reference(self, site: str, design: str, serial: str) -> str | None:
        """Another reference board of the design that serves, if there is any."""
        b, boards = f.reference_boards.c, t.boards.c
        query = select(b.serial).join(t.boards, boards.serial == b.serial)
        return self._connection.execute(
            query.where(boards.site == site, boards.design == design, b.serial != serial, *_serving()).limit(1)
        ).scalar()

    def add_reference(self, reference: Reference) -> None:
        """One record stands at a time: a new one ends the one before."""
        self.end_reference(reference.serial, reference.at)
        values = {key: getattr(reference, key) for key in ("serial", "run", "reason", "by", "at")}
        self._connection.execute(insert(f.reference_boards).values(**values, unchecked=list(reference.unchecked)))

    def end_reference(self, serial: str, at: datetime) -> None:
        b = f.reference_boards.c
        self._connection.execute(update(f.reference_boards).where(b.serial == serial, b.ended_at.is_(None)).values(ended_at=at))

    def _used(self, name: str) -> Select[Any]:
        joined = t.runs.join(t.run_fixtures, t.run_fixtures.c.run == t.runs.c.id)
        r = t.runs.c
        columns = (r.id, r.serial, r.test_set, r.opened_by, r.opened_at, r.closed_at, r.summary)
        return select(*columns).select_from(joined).where(t.run_fixtures.c.fixture == name)

    def _fixture(self, row: Row[Any]) -> Fixture:
        c = f.fixture_holds.c
        query = select(c.id, c.reason, c.by, c.since).where(c.fixture == row.serial, c.released_at.is_(None)).order_by(c.id)
        held = self._connection.execute(query).first()
        return Fixture(row.serial, row.kind, row.site, row.added_at, FixtureHold(*held) if held else None)


_CHECK = ("way", "good", "since", "until", "told", "by", "at", "run", "certificate_no", "virtual")


def _check(row: Row[Any]) -> Check:
    values = {key: row._mapping[key] for key in _CHECK}
    return Check(**{**values, "way": Way(values["way"])})


def _serving() -> tuple[ColumnElement[bool], ColumnElement[bool]]:
    """Not ended, and the board not retired."""
    b, gone = f.reference_boards.c, life_tables.retirements.c.serial
    return b.ended_at.is_(None), ~exists(select(gone).where(gone == b.serial))


def _reference_rows() -> Select[Any]:
    b = f.reference_boards.c
    return select(b.serial, b.run, b.reason, b.unchecked, b.by, b.at)


def _reference(row: Row[Any] | None) -> Reference | None:
    if row is None:
        return None
    return Reference(row.serial, row.run, row.reason, tuple(row.unchecked), row.by, row.at)
