"""Units of work: one connection, one transaction, one use."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import Connection, Engine, delete, insert, select

from benchworthy.errors import ListenerAlreadyRuns
from benchworthy.storage import tables as t
from benchworthy.storage.answers import AnswerRows
from benchworthy.storage.desk import DeskRows, LedgerRows
from benchworthy.storage.engine import reading, writing
from benchworthy.storage.evidence import EvidenceRows
from benchworthy.storage.fixtures import FixtureRows
from benchworthy.storage.lapses import LapseRows
from benchworthy.storage.lending import LendingRows
from benchworthy.storage.life import LifeRows
from benchworthy.storage.read_back import ReadBackRows
from benchworthy.storage.recalls import RecallRows
from benchworthy.storage.registry import RegistryRows
from benchworthy.storage.requests import RequestRows
from benchworthy.storage.runs import RunRows
from benchworthy.storage.standing import StandingRows
from benchworthy.storage.tickets import TicketRows
from benchworthy.storage.waivers import WaiverRows


@dataclass(frozen=True, slots=True)
class Rows:
    """Implements ports.Work."""

    registry: RegistryRows
    runs: RunRows
    evidence: EvidenceRows
    requests: RequestRows
    ledger: LedgerRows
    desk: DeskRows
    life: LifeRows
    lending: LendingRows
    answers: AnswerRows
    tickets: TicketRows
    lapses: LapseRows
    waivers: WaiverRows
    fixtures: FixtureRows
    recalls: RecallRows
    standings: StandingRows
    read_back: ReadBackRows
    ending: dict[str, Callable[[], None]] = field(default_factory=dict)

    def at_end(self, name: str, do: Callable[[], None]) -> None:
        self.ending[name] = do

    def end(self) -> None:
        """Do what was left for the end."""
        while self.ending:
            self.ending.pop(next(iter(self.ending)))()


def _rows(connection: Connection) -> Rows:
    return Rows(
        RegistryRows(connection),
        RunRows(connection),
        EvidenceRows(connection),
        RequestRows(connection),
        LedgerRows(connection),
        DeskRows(connection),
        LifeRows(connection),
        LendingRows(connection),
        AnswerRows(connection),
        TicketRows(connection),
        LapseRows(connection),
        WaiverRows(connection),
        FixtureRows(connection),
        RecallRows(connection),
        StandingRows(connection),
        ReadBackRows(connection),
    )


@dataclass(frozen=True, slots=True)
class Database:
    """Implements ports.Storage over an engine."""

    engine: Engine

    @contextmanager
    def writing(self) -> Iterator[Rows]:
        with writing(self.engine) as connection:
            rows = _rows(connection)
            yield rows
            rows.end()

    @contextmanager
    def reading(self) -> Iterator[Rows]:
        with reading(self.engine) as connection:
            yield _rows(connection)

    def take_lease(
        self, name: str, owner: str, now: datetime, seconds: float, gone: Callable[[str], bool] = lambda owner: False
    ) -> None:
        """Take or renew a lease for `owner`. Raises ListenerAlreadyRuns while somebody else, not yet `gone`, holds it."""
        with writing(self.engine) as connection:
            held = connection.execute(select(t.leases).where(t.leases.c.name == name)).first()
            if held is not None and held.owner != owner and held.until > now and not gone(held.owner):
                raise ListenerAlreadyRuns(f"{name} is served by {held.owner} until {held.until:%H:%M:%S} UTC.", owner=held.owner)
            connection.execute(delete(t.leases).where(t.leases.c.name == name))
            connection.execute(insert(t.leases).values(name=name, owner=owner, until=now + timedelta(seconds=seconds)))

    def drop_lease(self, name: str, owner: str) -> None:
        """Give a lease back, if it is still ours."""
        with writing(self.engine) as connection:
            connection.execute(delete(t.leases).where(t.leases.c.name == name, t.leases.c.owner == owner))
