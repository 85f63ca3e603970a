"""Boards with their modules, benches and tokens."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, bindparam, exists, insert, select, update

from benchworthy.history.records import Access, Bench, Board, BoundModule
from benchworthy.storage import tables as t


class RegistryRows:
    """Implements ports.Registry on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def board(self, serial: str) -> Board | None:
        row = self._connection.execute(_BY_SERIAL, {"of": serial}).first()
        return _board(row) if row else None

    def by_inventory_ref(self, reference: str) -> Board | None:
        return self._one(_boards().where(t.boards.c.inventory_ref == reference))

    def boards(self, site: str, after: str, limit: int) -> Sequence[Board]:
        query = _boards().where(t.boards.c.site == site, t.boards.c.serial > after).order_by(t.boards.c.serial).limit(limit)
        return [_board(row) for row in self._connection.execute(query)]

    def add_board(self, board: Board) -> None:
        self._ensure_site(board.site, board.enrolled_at)
        self._connection.execute(
            insert(t.boards).values(
                serial=board.serial,
                site=board.site,
                design=board.design,
                virtual=board.virtual,
                epoch=board.epoch,
                kit_lot=board.kit_lot,
                inventory_ref=board.inventory_ref,
                enrolled_at=board.enrolled_at,
                version=board.version,
                place=board.place,
                note=board.note,
                staged=board.staged,
            )
        )
        self._connection.execute(
            insert(t.modules).values(serial=board.serial, epoch=board.epoch, module=board.module, since=board.enrolled_at)
        )

    def bind_module(self, serial: str, epoch: int, module: str, run: str | None, at: datetime) -> None:
        """Bind a module to the present epoch; the board's row version moves on."""
        here = and_(t.modules.c.serial == serial, t.modules.c.epoch == epoch)
        self._connection.execute(update(t.modules).where(here).values(module=module, bound_by_run=run, since=at))
        self._connection.execute(update(t.boards).where(t.boards.c.serial == serial).values(version=t.boards.c.version + 1))

    def new_epoch(self, serial: str, epoch: int, module: str | None, at: datetime) -> None:
        """Another module from now on; the rows of the earlier ones stay."""
        self._connection.execute(insert(t.modules).values(serial=serial, epoch=epoch, module=module, since=at))
        values = {"epoch": epoch, "version": t.boards.c.version + 1}
        self._connection.execute(update(t.boards).where(t.boards.c.serial == serial).values(**values))

    def modules(self, serial: str, after: int, limit: int) -> Sequence[BoundModule]:
        c = t.modules.c
        query = select(c.epoch, c.module, c.bound_by_run, c.since).where(c.serial == serial, c.epoch > after)
        return [BoundModule(*row) for row in self._connection.execute(query.order_by(c.epoch).limit(limit))]

    def owners(self, module: str) -> Sequence[str]:
        """Boards whose present module this is."""
        joined = _boards().where(t.modules.c.module == module).order_by(t.boards.c.serial)
        return [row.serial for row in self._connection.execute(joined)]

    def change_board(self, serial: str, version: int, values: Mapping[str, str | None]) -> bool:
        """One statement, so that the version it looks at is the one it replaces."""
        here = and_(t.boards.c.serial == serial, t.boards.c.version == version)
        return self._connection.execute(update(t.boards).where(here).values(**values, version=version + 1)).rowcount == 1

    def bench(self, thumbprint: str) -> Bench | None:
        row = self._connection.execute(select(t.benches).where(t.benches.c.thumbprint == thumbprint)).first()
        return Bench(**row._mapping) if row else None

    def add_bench(self, bench: Bench) -> None:
        self._ensure_site(bench.site, bench.added_at)
        self._connection.execute(
            insert(t.benches).values(
                thumbprint=bench.thumbprint,
                site=bench.site,
                name=bench.name,
                jwk=bench.jwk,
                holder=bench.holder,
                added_at=bench.added_at,
                revoked_at=bench.revoked_at,
            )
        )

    def access(self, fingerprint: str) -> Access | None:
        row = self._connection.execute(select(t.tokens).where(t.tokens.c.fingerprint == fingerprint)).first()
        return Access(**row._mapping) if row else None

    def add_access(self, access: Access) -> None:
        self._ensure_site(access.site, access.created_at)
        self._connection.execute(
            insert(t.tokens).values(
                fingerprint=access.fingerprint,
                site=access.site,
                role=access.role,
                holder=access.holder,
                created_at=access.created_at,
                expires_at=access.expires_at,
                revoked_at=access.revoked_at,
                scope=access.scope,
            )
        )

    def accesses(self, site: str, after: str, limit: int) -> Sequence[Access]:
        c = t.tokens.c
        query = select(t.tokens).where(c.site == site, c.fingerprint > after).order_by(c.fingerprint).limit(limit)
        return [Access(**row._mapping) for row in self._connection.execute(query)]

    def benches(self, site: str, after: str, limit: int) -> Sequence[Bench]:
        c = t.benches.c
        query = select(t.benches).where(c.site == site, c.thumbprint > after).order_by(c.thumbprint).limit(limit)
        return [Bench(**row._mapping) for row in self._connection.execute(query)]

    def revoke_access(self, fingerprint: str, at: datetime) -> None:
        self._connection.execute(update(t.tokens).where(t.tokens.c.fingerprint == fingerprint).values(revoked_at=at))

    def revoke_bench(self, thumbprint: str, at: datetime) -> None:
        self._connection.execute(update(t.benches).where(t.benches.c.thumbprint == thumbprint).values(revoked_at=at))

    def any_access(self) -> bool:
        return bool(self._connection.execute(select(exists(select(t.tokens.c.fingerprint)))).scalar())

    def _ensure_site(self, name: str, at: datetime) -> None:
        if self._connection.execute(select(t.sites.c.name).where(t.sites.c.name == name)).first() is None:
            self._connection.execute(insert(t.sites).values(name=name, added_at=at))

    def _one(self, query: Select[Any]) -> Board | None:
        row = self._connection.execute(query).first()
        return _board(row) if row else None


def _boards() -> Select[Any]:
    joined = t.boards.join(t.modules, and_(t.boards.c.serial == t.modules.c.serial, t.boards.c.epoch == t.modules.c.epoch))
    return select(t.boards, t.modules.c.module).select_from(joined)


def _board(row: Row[Any]) -> Board:
    return Board(**row._mapping)


_BY_SERIAL = _boards().where(t.boards.c.serial == bindparam("of"))
