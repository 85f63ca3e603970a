"""Web, listener and broker are killed in random order while people act and boards report: nothing is half-done in the end.

With the broker inside, beside mosquitto, and with the record in PostgreSQL.
"""

import os
import random
import signal
import sqlite3
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchworthy.history import ledger
from benchworthy.keeping import audit
from services.acting import ACTS, Person
from services.brokers import embedded_environment
from services.keeping import Wireless, flowing
from services.mosquitto import Mosquitto, running_mosquitto, until
from services.postgres import running_postgres
from services.service import Trial, environment, trial
from services.serving import Serve, children, serving

PATIENCE_S = 60.0  # for what a quiet machine does in two or three
TABLES = ("boards", "modules", "defects", "repairs", "holds", "retirements")


@dataclass
class Place:
    """A service under traffic, and who may be killed."""

    made: Trial
    serve: Serve
    port: int
    victims: tuple[str, ...]
    broker: Mosquitto | None

    def kill(self, victim: str) -> bool:
        """SIGKILL; False when that child is being started just now. What is no child of `serve` is started again here."""
        if self.broker is not None and victim == "broker":
            self.broker.kill_and_start()
            return True
        below = children(self.serve.process.pid)
        if victim not in below:
            return False
        if victim == "web" and self.made.house.database.engine.dialect.name == "sqlite":
            self._after_a_commit()
        os.kill(below[victim], signal.SIGKILL)
        return True

    def _after_a_commit(self) -> None:
        """Wait, without a pause, until somebody has committed: then an answer is on its way that the kill may catch."""
        with closing(sqlite3.connect(self.made.house.settings.data / "benchworthy.sqlite3")) as connection:
            seen = lambda: connection.execute("PRAGMA data_version").fetchone()[0]  # noqa: E731
            was, deadline = seen(), time.monotonic() + 1
            while seen() == was and time.monotonic() < deadline:
                pass


@contextmanager
def placed(kind: str, directory: Path) -> Iterator[Place]:
    data, victims = directory / "data", ("web", "listener", "broker")
    if kind != "mosquitto":
        with running_postgres() if kind == "postgresql" else nullcontext() as cluster:
            url = cluster.new() if cluster else None
            settings = embedded_environment(data) | ({"BENCHWORTHY_DATABASE": url} if url else {})
            with trial(data, database=url) as made, serving(settings, directory / "serve.log") as serve:
                yield Place(made, serve, int(settings["BENCHWORTHY_MQTT_LISTEN"].rpartition(":")[2]), victims, None)
    else:
        with (
            running_mosquitto(directory, {}) as broker,
            trial(data) as made,
            serving(environment(data, broker), directory / "serve.log") as serve,
        ):
            yield Place(made, serve, broker.port, victims, broker)


def boards_of(place: Place) -> list[Wireless]:
    enrolled = [place.made.enrol(f"RADIO{number}") for number in range(2)]
    if place.broker is not None:
        place.broker.boards.update({one["serial"]: one["broker_password"] for one in enrolled})
        place.broker.reload()
    return [Wireless(one["serial"], one["field_key"], one["broker_password"], place.port) for one in enrolled]


def reference(made: Trial) -> tuple[list[str], Counter[str]]:
    """What the acts leave on record of a board when nobody is killed: the kinds of its entries, and rows of each table."""
    before, said = made.rows(), {}
    serial = made.enrol("REFER")["serial"]
    for role, request in ACTS[1:]:
        said = made.post(*request(serial, said), role=role)
    after = made.rows()
    with made.house.database.reading() as work:
        kinds = [entry.kind for entry in work.ledger.entries(serial)]
    assert len(kinds) == len(ACTS)
    return kinds, Counter({name: after[name] - before[name] for name in TABLES})


def kill_at_random(place: Place, people: Sequence[Person], boards: Sequence[Wireless], kills: int, seed: int) -> Counter[str]:
    """Half of the kills hit when everything goes on again, half while something is still being started."""
    chance, done = random.Random(seed), Counter[str]()
    while done.total() < kills:
        if chance.random() < 0.5:
            acts, receipts = sum(one.answered for one in people), sum(len(one.receipted) for one in boards)
            goes_on = lambda acts=acts, receipts=receipts: (  # noqa: E731  # bound to this turn's marks
                sum(one.answered for one in people) > acts and sum(len(one.receipted) for one in boards) > receipts
            )
            assert until(goes_on, PATIENCE_S), f"seed {seed}: nothing goes on after {done}: {place.serve.log.read_text()[-3000:]}"
        time.sleep(chance.random() * 0.4)
        victim = chance.choice(place.victims)
        done[victim] += place.kill(victim)
    return done


@pytest.mark.parametrize(
    ("kind", "kills"),
    [
        ("embedded", 20),
        ("mosquitto", 20),
        ("postgresql", 10),
        pytest.param("embedded", 80, marks=pytest.mark.long),
        pytest.param("mosquitto", 80, marks=pytest.mark.long),
        pytest.param("postgresql", 80, marks=pytest.mark.long),
    ],
)
def test_nothing_is_half_done_whoever_is_killed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], record_property: Callable[[str, object], None], kind: str, kills: int
) -> None:
    """Three people enrol, report, repair, release and retire; two boards report by MQTT; every act and receipt is real."""
    began, seed = time.monotonic(), random.SystemRandom().randrange(10**6)
    record_property("seed", seed)
    with placed(kind, tmp_path) as place:
        made, serve = place.made, place.serve
        boards, (kinds, per_board) = boards_of(place), reference(made)
        before = made.rows()
        people = [Person(serve.url, f"DESK{letter}", made.secrets) for letter in "ABC"]
        with flowing([*people, *boards]):
            done = kill_at_random(place, people, boards, kills, seed)
            assert until(lambda: serve.ready()[0] == 200, PATIENCE_S), serve.log.read_text()[-3000:]
            marks = {one.serial: len(one.receipted) for one in boards}
            assert until(lambda: all(len(one.receipted) > marks[one.serial] for one in boards), PATIENCE_S), f"seed {seed}"
            restarts = serve.restarts()
        assert [one.refused for one in people] == [[], [], []], f"seed {seed}"
        own = {name: done[name] for name in restarts}
        assert restarts == own, f"seed {seed}: a part ended by itself: {serve.log.read_text()[-3000:]}"
        log = serve.log.read_text()
        assert {name: log.count(f"{name} ended with -9; starting it again") for name in own} == own, f"seed {seed}"
        prove_the_desk(made, people, kinds, per_board, before)
        prove_the_boards(made, boards)
        assert audit.audit(made.house.database.engine).faults == (), f"seed {seed}"
    acts, again = sum(one.answered for one in people), sum(one.again for one in people)
    receipts, seconds = sum(len(one.receipted) for one in boards), time.monotonic() - began
    assert acts >= kills and receipts >= kills // 2
    told = f"{kind}: {dict(done)} killed, {acts} acts, {again} of them answered twice, {receipts} receipts, {seconds:.1f} s"
    with capsys.disabled():
        print(f"\n  {told}, {seed=}")


def prove_the_desk(
    made: Trial, people: Sequence[Person], kinds: list[str], per_board: Counter[str], before: dict[str, int]
) -> None:
    """Each answered act stands once in its board's unbroken chain, with its rows; and nothing else stands there."""
    answered = {serial: count for one in people for serial, count in one.acts.items()}
    with made.house.database.reading() as work:
        chains = {serial: work.ledger.entries(serial) for serial in answered}
    for serial, entries in chains.items():
        assert ledger.first_break(entries) is None, serial
        assert [entry.kind for entry in entries] == kinds[: answered[serial]], serial
    added = {name: count - before[name] for name, count in made.rows().items()}
    assert added["answers"] == sum(answered.values())
    assert added["changes"] == added["ledger"]
    whole = [serial for serial, count in answered.items() if count == len(ACTS)]
    assert added["boards"] == added["modules"] == len(answered)
    for name in TABLES:
        least, most = per_board[name] * len(whole), per_board[name] * len(answered)
        assert least <= added[name] <= most, name
    entered = Counter(entry.kind for entries in chains.values() for entry in entries)
    for name, kind in (("defects", kinds[1]), ("repairs", kinds[2]), ("holds", kinds[1]), ("retirements", kinds[4])):
        assert added[name] == entered[kind], name


def prove_the_boards(made: Trial, boards: Sequence[Wireless]) -> None:
    """What has a receipt is stored and entered once; a report that was on its way at the end may be stored without one."""
    assert [one.false_receipts for one in boards] == [[] for _ in boards]
    for one in boards:
        with made.house.database.reading() as work:
            kept = Counter(item.digest for item in work.evidence.of_board(one.serial, 100_000))
            entries = work.ledger.entries(one.serial)
        assert ledger.first_break(entries) is None
        assert set(kept.values()) == {1} and set(one.receipted) <= set(kept) and len(kept) <= len(set(one.receipted)) + 1
        assert Counter(entry.facts["digest"] for entry in entries if entry.kind == "evidence") == kept
