"""Runs with their fixtures, draws and short summary."""

import dataclasses
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from benchworthy.history.records import Run
from benchworthy.judging.draws import Draw
from benchworthy.storage import tables as t


class RunRows:
    """Implements ports.Runs on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def add(self, run: Run) -> None:
        values = {field.name: getattr(run, field.name) for field in dataclasses.fields(run) if field.name != "fixtures"}
        self._connection.execute(insert(t.runs).values(**{**values, "summary": dict(run.summary)}))
        for fixture in run.fixtures:
            self._connection.execute(insert(t.run_fixtures).values(run=run.id, fixture=fixture))

    def find(self, run: str) -> Run | None:
        row = self._connection.execute(select(t.runs).where(t.runs.c.id == run)).first()
        return self._run(row) if row else None

    def of_board(self, serial: str) -> Sequence[Run]:
        """Newest first."""
        query = select(t.runs).where(t.runs.c.serial == serial).order_by(t.runs.c.opened_at.desc(), t.runs.c.id.desc())
        rows = self._connection.execute(query).all()
        fixtures = self._fixtures_of(serial) if rows else {}
        return [Run(**row._mapping, fixtures=tuple(fixtures.get(row.id, ()))) for row in rows]

    def close(self, run: str, at: datetime, by: str) -> None:
        self._connection.execute(update(t.runs).where(t.runs.c.id == run).values(closed_at=at, closed_by=by))

    def summarise(self, run: str, summary: Mapping[str, Any]) -> None:
        self._connection.execute(update(t.runs).where(t.runs.c.id == run).values(summary=dict(summary)))

    def add_draw(self, run: str, draw: Draw, at: datetime) -> None:
        self._connection.execute(
            insert(t.draws).values(run=run, test=draw.test, number=draw.number, stimulus=dict(draw.stimulus), drawn_at=at)
        )

    def draws(self, run: str) -> tuple[Draw, ...]:
        query = select(t.draws).where(t.draws.c.run == run).order_by(t.draws.c.test, t.draws.c.number)
        return tuple(Draw(row.test, row.number, row.stimulus) for row in self._connection.execute(query))

    def _run(self, row: Row[Any]) -> Run:
        query = select(t.run_fixtures.c.fixture).where(t.run_fixtures.c.run == row.id).order_by(t.run_fixtures.c.fixture)
        fixtures = tuple(self._connection.execute(query).scalars())
        return Run(**row._mapping, fixtures=fixtures)

    def _fixtures_of(self, serial: str) -> Mapping[str, list[str]]:
        """All of a board's runs in one query: a board may have hundreds."""
        f = t.run_fixtures.c
        query = select(f.run, f.fixture).join_from(t.run_fixtures, t.runs, f.run == t.runs.c.id).where(t.runs.c.serial == serial)
        found: dict[str, list[str]] = {}
        for run, fixture in self._connection.execute(query.order_by(f.run, f.fixture)):
            found.setdefault(run, []).append(fixture)
        return found
