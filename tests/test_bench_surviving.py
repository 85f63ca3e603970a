"""The service goes away in the middle of a run: the rest is kept on disk, and delivered when it is back."""

import logging
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from bench_evening import as_tester, box_at
from bench_fakes import FakeBoard, FakeOperator, FakeService
from bench_sheet import FIXTURES, SHEET
from benchworthy.bench import spool
from benchworthy.bench.delivery import deliver
from benchworthy.bench.offline import NOT_JUDGED
from benchworthy.bench.session import run_board
from benchworthy.bench.spool import Spool
from benchworthy.bench.surviving import SurvivingRuns
from benchworthy.errors import ServiceUnreachable
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.report import Author
from services import reports
from services.served import served
from services.service import trial


class GoesAway(FakeService):
    """Answers `left` times, then no more; `back` misses are made up for."""

    left, back = 9, 0

    def _answers(self) -> None:
        if self.back:
            self.back -= 1
            raise ServiceUnreachable("away for a moment")
        if self.left <= 0:
            raise ServiceUnreachable("away")
        self.left -= 1

    def send_report(self, token: bytes) -> dict[str, Any]:
        self._answers()
        return super().send_report(token)

    def answer(self, run: str, body: Mapping[str, Any]) -> dict[str, Any]:
        self._answers()
        return super().answer(run, body)

    def get_run(self, run: str) -> dict[str, Any]:
        self._answers()
        return super().get_run(run)


@pytest.fixture
def key(tmp_path: Path) -> BenchKey:
    return BenchKey.load_or_create(tmp_path / "bench.jwk")


def play(service: GoesAway, waiting: Spool, key: BenchKey, said: list[str]) -> tuple[dict[str, Any], SurvivingRuns]:
    board = FakeBoard(service.steps)
    runs = SurvivingRuns(service, waiting, said.append)
    operator = FakeOperator(board.steps, board)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchworthy.bench.session.catalogue.find", lambda name: SHEET)
        done = run_board(board.reach(), runs, key, operator, "S1", "full", "serial", FIXTURES)
    runs.end()
    return done, runs


@pytest.mark.parametrize("left", range(12))
def test_whenever_the_service_goes_away_nothing_is_lost_or_doubled(key: BenchKey, tmp_path: Path, left: int) -> None:
    """What it took and what waits is together the whole run, in order; it is said once, and the verdict is none."""
    whole = GoesAway([])
    whole.left = 99
    play(whole, Spool(tmp_path / "whole"), key, [])
    service, waiting, said = GoesAway([]), Spool(tmp_path / "bench"), list[str]()
    service.left = left
    done, runs = play(service, waiting, key, said)
    items = waiting.items("r-abcd")
    kept = [item.body["answers"][0]["test"] for item in items if item.kind == spool.ANSWER]
    assert [a["test"] for a in service.answers] + kept == [a["test"] for a in whole.answers]
    parts = [item.octets for item in items if item.kind == spool.REPORT]
    together = [t for t in service.reports + parts if not t.startswith(b"ey")]
    assert together == [t for t in whole.reports if not t.startswith(b"ey")]
    assert len(service.reports) + len(parts) == len(whole.reports)
    assert runs.away and done["state"]["verdict"] == NOT_JUDGED and sum("CANNOT BE REACHED" in line for line in said) == 1


def test_a_service_that_is_away_for_a_moment_is_waited_for(key: BenchKey, tmp_path: Path) -> None:
    """Two misses are made up for; nothing is kept, and the run is judged."""
    service, waiting, said = GoesAway([]), Spool(tmp_path / "bench"), list[str]()
    service.left, service.back = 99, 2
    done, runs = play(service, waiting, key, said)
    assert not runs.away and waiting.runs() == [] and "verdict" not in done["state"]
    assert not [line for line in said if "CANNOT" in line]


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    yield tmp_path


def test_the_rest_of_a_run_is_delivered_into_the_run_that_is_open(folder: Path) -> None:
    """One part while the service is there; the others and an answer, that it had taken unheard, afterwards."""
    with trial(folder / "data") as made:
        made.have_fixtures()
        serial = made.enrol("SRV001")["serial"]
        box = box_at(folder / "bench", made.bench)
        with served(made.app) as url:
            runs = SurvivingRuns(as_tester(made, url), box.spool, lambda text: None)
            opened = runs.open_run(serial, "full", made.bench.thumbprint, reports.FIXTURES, serial)
            first, *others = reports.numbers_of(opened, Author.BOARD)
            assert runs.send_report(reports.part(opened, serial, first))["verdict"] == "in limits"
        answer = {"answers": [{"test": "PWR-DMM33", "number": 3.3}]}
        made.post(f"/runs/{opened['run']}/answers", answer)  # it committed, and its answer was lost
        for number in others:
            assert runs.send_report(reports.part(opened, serial, number))["verdict"] == NOT_JUDGED
        assert runs.answer(opened["run"], answer)["verdict"] == NOT_JUDGED
        runs.end()
        with served(made.app) as url:
            told = deliver(box, as_tester(made, url), lambda text: None)
        assert (told.done, told.refused) == ([opened["run"]], {})
        arrived = made.get(f"/runs/{opened['run']}")["arrived"]
        assert sorted(i["part"] for i in arrived if i["author"] == "board") == [first, *others]
        assert [i["author"] for i in arrived].count("operator") == 1
