"""An evening at a bench without the service: tickets of a trial service, and runs whose parts a sound board would have signed."""

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from benchworthy.bench.client import Service
from benchworthy.bench.offline import OfflineRuns
from benchworthy.bench.tickets import TicketBox
from benchworthy.intake import label
from benchworthy.judging.draws import right_answer
from benchworthy.keys.bench_key import BenchKey
from benchworthy.keys.status import open_token
from benchworthy.reports.report import Author
from services import reports
from services.service import Trial


def box_at(folder: Path, key: BenchKey) -> TicketBox:
    return TicketBox(folder, key.thumbprint, open_token)


def fetched(made: Trial, folder: Path, count: int = 1, test_set: str = "plug", design: str = "tarn-b") -> TicketBox:
    """A box with tickets and with what is on record of the boards; the fixtures of the house are enrolled."""
    made.have_fixtures()
    box = box_at(folder, made.bench)
    body = {"count": count, "set": test_set, "design": design}
    told = made.post(f"/benches/{made.bench.thumbprint}/tickets", body)
    assert made.services.signer is not None
    boards = made.get("/boards?limit=200")["boards"]
    assert box.store(told, made.services.signer.jwks(), boards) == count
    return box


def runs_of(box: TicketBox, **more: Any) -> OfflineRuns:
    return OfflineRuns(box, label.parse, lambda: datetime.now(UTC), lambda text: None, **more)


def measure(
    box: TicketBox, key: BenchKey, serial: str, test_set: str = "plug", wrong: tuple[str, ...] = (), **more: Any
) -> dict[str, Any]:
    """A run of a sound board, everything spooled but what an inspector says; `wrong` are told wrongly the first time."""
    runs = runs_of(box, **more)
    opened = runs.open_run(serial, test_set, key.thumbprint, reports.FIXTURES, serial)
    for number in reports.numbers_of(opened, Author.BOARD):
        runs.send_report(reports.part(opened, serial, number))
    for number in reports.numbers_of(opened, Author.BENCH):
        runs.send_report(reports.bench_part(opened, serial, key, number))
    _answer(runs, opened, wrong)
    runs.end()
    return opened


def _answer(runs: OfflineRuns, opened: Mapping[str, Any], wrong: tuple[str, ...]) -> None:
    run, drawn = opened["run"], {draw["test"]: draw for draw in opened["draws"]}
    for asked in opened["ask"]:
        if asked["author"] != "operator":
            continue
        if asked["test"] not in drawn:
            runs.answer(run, {"answers": [reports.answer(asked)]})
            continue
        said = reports.seen(drawn[asked["test"]])
        state = runs.answer(run, {"answers": [{**said, "text": "no idea"} if asked["test"] in wrong else said]})
        if state["still_needed"]:
            again = runs.draw(run, asked["test"])
            text = right_answer(asked["procedure"], again["stimulus"])
            runs.answer(run, {"answers": [{"test": asked["test"], "draw": 2, "text": text}]})


def as_tester(made: Trial, url: str, role: str = "tester") -> Service:
    return Service(url, made.secrets[role], lambda seconds: None)
