"""The listener is killed again and again in a stream of reports; in the end every receipt stands for one stored report."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchworthy.history import ledger
from services.mosquitto import Mosquitto, running_mosquitto, until
from services.senders import Sender, sending
from services.service import Trial, environment, trial

BOARDS, EACH, KILLS = 4, 525, 20
ALL = BOARDS * EACH
PATIENCE_S = 420.0  # a quiet machine needs a tenth of it: each start of the listener costs about a second of one processor


@dataclass
class Victim:
    """The listener's process, killed and started again on the same data."""

    settings: dict[str, str]
    log: Path
    process: "subprocess.Popen[bytes] | None" = None

    def start(self) -> None:
        with self.log.open("ab") as log:
            command = [sys.executable, "-m", "benchworthy.serve.listener"]
            self.process = subprocess.Popen(command, env=self.settings, stdout=log, stderr=log)

    def ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None

    def kill(self) -> None:
        """SIGKILL, by its own id. AssertionError when it had ended by itself: its lease must never keep it out."""
        assert self.process is not None and not self.ended(), self.log.read_text()
        os.kill(self.process.pid, signal.SIGKILL)
        assert self.process.wait(10) == -signal.SIGKILL

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(10)


def stored(database: Path) -> int:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=5)) as connection:
        return int(connection.execute("SELECT count(*) FROM evidence").fetchone()[0])


def digests(database: Path) -> set[str]:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True, timeout=5)) as connection:
        return {row[0] for row in connection.execute("SELECT digest FROM evidence")}


def kill_in_the_stream(victim: Victim, database: Path, senders: list[Sender], deadline: float) -> list[int]:
    """Kill KILLS times, each some rows after the last; gives the rows at each kill.

    Rows are seen to grow right after a commit. The pause, another each time, moves the kill to other places: into the next
    transaction, between commit and acknowledgement, and among the receipts. While the listener is dead nothing can be stored,
    so a receipt that came before its report was stored for certain would be seen here.
    """
    rows_at_kill: list[int] = []
    for number in range(KILLS):
        goal = (rows_at_kill[-1] if rows_at_kill else 0) + 20 + number * 17 % 31
        enough = lambda goal=goal: stored(database) >= goal or victim.ended()  # noqa: E731  # bound to this turn's goal
        assert until(enough, max(1.0, deadline - time.monotonic())), victim.log.read_text()
        time.sleep(number * 13 % 20 / 100)
        victim.kill()
        time.sleep(0.1)  # receipts that left before the kill arrive
        told = set().union(*(sender.told() for sender in senders))
        kept = digests(database)
        assert told <= kept, f"{len(told - kept)} receipts for reports that are not stored"
        rows_at_kill.append(len(kept))
        victim.start()
    return rows_at_kill


def boards_of(made: Trial, broker: Mosquitto) -> list[Sender]:
    senders = []
    for number in range(BOARDS):
        enrolled = made.enrol(f"KILL{number}")
        broker.boards[enrolled["serial"]] = enrolled["broker_password"]
        senders.append(Sender(enrolled["serial"], enrolled["field_key"], enrolled["broker_password"], broker.port))
    broker.reload()
    return senders


def test_no_receipted_report_is_lost_and_none_is_stored_twice(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], record_property: Callable[[str, object], None]
) -> None:
    """Over 2,000 reports of four boards by MQTT while the listener is killed twenty times with SIGKILL."""
    began = time.monotonic()
    data = tmp_path / "data"
    with running_mosquitto(tmp_path, {}) as broker, trial(data) as made:
        senders = boards_of(made, broker)
        for sender in senders:
            sender.prepare(EACH)
        victim = Victim(environment(data, broker), tmp_path / "listener.log")
        victim.start()
        try:
            with sending(senders):
                rows = kill_in_the_stream(victim, data / "benchworthy.sqlite3", senders, began + PATIENCE_S)
                done = until(lambda: not any(s.waiting for s in senders), max(1.0, began + PATIENCE_S - time.monotonic()))
            assert done, f"{sum(len(s.waiting) for s in senders)} reports have no receipt: {victim.log.read_text()[-3000:]}"
        finally:
            victim.end()
        assert len(rows) == KILLS and all(0 < count < ALL for count in rows), rows
        _proof(made, senders)
    seconds, resends = time.monotonic() - began, sum(sender.resends for sender in senders)
    with capsys.disabled():
        print(f"\n  {ALL} reports, {KILLS} kills at rows {rows}, {resends} resends, {seconds:.1f} s")
    record_property("seconds", round(seconds, 1))
    record_property("resends", resends)


def _proof(made: Trial, senders: list[Sender]) -> None:
    """Every receipted digest stands once in evidence and once in its board's unbroken chain, and nothing else does."""
    assert not any(sender.false_receipts for sender in senders)
    assert made.rows()["evidence"] == sum(len(sender.receipted) for sender in senders) == ALL
    with made.house.database.reading() as work:
        for sender in senders:
            kept = Counter(item.digest for item in work.evidence.of_board(sender.serial, ALL + 1))
            assert kept == Counter(sender.receipted), "evidence and receipts differ"
            entries = work.ledger.entries(sender.serial)
            assert ledger.first_break(entries) is None
            assert Counter(e.facts["digest"] for e in entries if e.kind == "evidence") == kept
    assert made.rows()["refusals"] == 0
