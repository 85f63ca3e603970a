"""What waits at the bench reaches the service once, whatever was answered, lost or refused on the way."""

import json
import logging
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
import requests_mock

from bench_evening import as_tester, box_at, fetched, measure, runs_of
from benchworthy.bench import spool
from benchworthy.bench.client import Service, ServiceSaid
from benchworthy.bench.delivery import deliver
from benchworthy.bench.spool import Spool
from benchworthy.errors import ServiceUnreachable, SpoolBusy
from services.served import served
from services.service import Trial, trial

BASE = "http://bench.example"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    with trial(tmp_path / "data") as started:
        yield started


@pytest.fixture
def url(made: Trial) -> Iterator[str]:
    """The same service behind a port."""
    with served(made.app) as address:
        yield address


def test_an_evening_of_three_boards_is_delivered_in_one_go(made: Trial, url: str, tmp_path: Path) -> None:
    """Each run complete but for the inspector, in limits; a second delivery finds nothing; no ticket is left on disk."""
    serials = [made.enrol(f"DLV00{n}")["serial"] for n in range(3)]
    box = fetched(made, tmp_path / "bench", 3, "full")
    opened = [measure(box, made.bench, serial, "full", wrong=("LED-SEE",)) for serial in serials]
    told = deliver(box, as_tester(made, url), lambda text: None)
    assert (told.done, told.refused, told.going_on) == ([o["run"] for o in opened], {}, [])
    for run, serial in zip(opened, serials, strict=True):
        state = made.get(f"/runs/{run['run']}")
        assert (state["serial"], state["verdict"], state["findings"]) == (serial, "in limits", [])
        assert [need["test"] for need in state["still_needed"]] == ["VIS-INSP"]
        (led,) = [test for test in state["tests"] if test["test"] == "LED-SEE"]
        assert (led["verdict"], len(led["draws"])) == ("in limits", 2), "both answers are kept"
    before = made.rows()
    assert deliver(box, as_tester(made, url), lambda text: None).done == []
    assert made.rows() == before
    assert not list((tmp_path / "bench" / "tickets").iterdir())
    assert {path.name for path in (tmp_path / "bench" / "delivered").iterdir()} == {o["run"] for o in opened}


def test_a_token_that_only_delivers_is_enough(made: Trial, url: str, tmp_path: Path) -> None:
    """The bench's computer needs no more than that."""
    serial = made.enrol("DLV010")["serial"]
    box = fetched(made, tmp_path / "bench", 1, "full")
    measure(box, made.bench, serial, "full", wrong=("LED-SEE", "TONE-HEAR"))
    body = {"role": "tester", "holder": "T4", "scope": "reports"}
    made.secrets["deliverer"] = made.post("/tokens", body, "coordinator")["secret"]
    told = deliver(box, as_tester(made, url, "deliverer"), lambda text: None)
    assert len(told.done) == 1 and told.refused == {}


class Cut(Service):
    """Loses the answer to each request whose turn is in `after`, or never sends it when it is in `before`."""

    def __init__(self, url: str, token: str, before: int = -1, after: int = -1) -> None:
        super().__init__(url, token, lambda seconds: None)
        self.before, self.after, self.turn = before, after, -1

    def _once(self, *given: Any, **named: Any) -> requests.Response:
        self.turn += 1
        if self.turn == self.before:
            raise ServiceUnreachable("cut off before")
        answer = super()._once(*given, **named)
        if self.turn == self.after:
            raise ServiceUnreachable("cut off after")
        return answer


def things(box: Any) -> int:
    return sum(len(box.spool.items(run)) for run in box.spool.runs())


@pytest.mark.parametrize("where", ["before", "after"])
def test_a_delivery_cut_off_at_any_point_goes_on_there(made: Trial, url: str, tmp_path: Path, where: str) -> None:
    """At each thing in turn the request or its answer is lost; in the end everything is on record once."""
    serial = made.enrol("DLV020")["serial"]
    box = fetched(made, tmp_path / "bench", 1, "full")
    run = measure(box, made.bench, serial, "full", wrong=("LED-SEE",))["run"]
    total, cuts = things(box), 0
    while box.spool.runs():
        # What was cut last time gets through, and the next thing is cut.
        service = Cut(url, made.secrets["tester"], **{where: 0 if cuts == 0 else 1})
        try:
            deliver(box, service, lambda text: None)
        except ServiceUnreachable:
            cuts += 1
    assert cuts == total
    state = made.get(f"/runs/{run}")
    kinds = {kind: sum(item["author"] == kind for item in state["arrived"]) for kind in ("board", "bench", "operator")}
    assert state["findings"] == [] and state["verdict"] == "in limits"
    assert sum(kinds.values()) == len(state["arrived"]) == total - 2, "all but the use and the draw are evidence"
    entries = made.get(f"/boards/{serial}/history?limit=1000")["entries"]
    assert [e["kind"] for e in entries].count("run-opened") == 1 and [e["kind"] for e in entries].count("drawn-again") == 1


def test_answers_are_not_doubled_when_their_key_is_forgotten(made: Trial, url: str, tmp_path: Path) -> None:
    """Another person's token, or two days later: the service knows no such key, and says what it has."""
    serial = made.enrol("DLV030")["serial"]
    box = fetched(made, tmp_path / "bench", 1, "full")
    run = measure(box, made.bench, serial, "full", wrong=("LED-SEE",))["run"]
    places = [item.number for item in box.spool.items(run) if item.kind in (spool.ANSWER, spool.DRAW)]
    deliver(box, as_tester(made, url), lambda text: None)
    before = made.rows()
    waiting = tmp_path / "bench" / "waiting" / run
    (tmp_path / "bench" / "delivered" / run).rename(waiting)
    for number in places:
        (waiting / f"{number:04}.reply").unlink()
    told = deliver(box, as_tester(made, url, "coordinator"), lambda text: None)
    assert (told.done, told.refused) == ([run], {})
    after = made.rows()
    assert {name: count for name, count in after.items() if name != "answers"} == {
        name: count for name, count in before.items() if name != "answers"
    }


def test_an_answer_that_another_gave_is_no_delivery(made: Trial, url: str, tmp_path: Path) -> None:
    """Somebody answered by hand meanwhile: the first answer stays, and the bench says that its own was refused."""
    serial = made.enrol("DLV031")["serial"]
    box = fetched(made, tmp_path / "bench", 1, "full")
    run = measure(box, made.bench, serial, "full")["run"]
    with pytest.raises(ServiceUnreachable):
        deliver(box, Cut(url, made.secrets["tester"], before=1), lambda text: None)
    made.post(f"/runs/{run}/answers", {"answers": [{"test": "PWR-DMM33", "number": 3.31}]})
    told = deliver(box, as_tester(made, url), lambda text: None)
    assert told.done == [] and len(told.refused[run]) == 1 and "answered" in told.refused[run][0]
    assert box.spool.runs() == [run], "nothing goes away"
    assert box.spool.set_aside(run) and box.spool.runs() == [] and not box.spool.set_aside(run)
    assert (tmp_path / "bench" / "set-aside" / run).is_dir()


def test_a_run_that_the_service_does_not_want_stops_no_other(made: Trial, url: str, tmp_path: Path) -> None:
    """Its use is refused: nothing more of it is sent, and the next run is delivered."""
    serial = made.enrol("DLV040")["serial"]
    box = fetched(made, tmp_path / "bench", 2)
    first = measure(box, made.bench, serial)["run"]
    use = next(item for item in box.spool.items(first) if item.kind == spool.USE)
    spool.write(tmp_path / "bench" / "waiting" / first / "0001.use", json.dumps({**use.body, "fixtures": ["x"]}).encode())
    second = measure(box, made.bench, serial)["run"]
    said: list[str] = []
    told = deliver(box, as_tester(made, url), said.append)
    assert (told.done, list(told.refused), told.sent.get(first)) == ([second], [first], None)
    assert len(said) == 1 and first in said[0]


def test_a_revoked_bench_keeps_what_it_cannot_deliver(made: Trial, url: str, tmp_path: Path) -> None:
    """The tickets died with the key; what was measured stays where it is, for whoever asks what happened."""
    serial = made.enrol("DLV050")["serial"]
    box = fetched(made, tmp_path / "bench")
    run = measure(box, made.bench, serial)["run"]
    body = {"since": datetime.now(UTC).isoformat(), "reason": "The bench was stolen."}
    made.post(f"/benches/{made.bench.thumbprint}/revocation", body, "coordinator")
    before = made.rows()
    told = deliver(box, as_tester(made, url), lambda text: None)
    assert made.rows() == before and "revoked" in told.refused[run][0] and box.spool.runs() == [run]


def test_late_evidence_is_delivered_and_does_not_certify(made: Trial, url: str, tmp_path: Path) -> None:
    """A week later: the service takes all of it, and the run says why it stays incomplete."""
    serial = made.enrol("DLV060")["serial"]
    box = fetched(made, tmp_path / "bench", 1, "full")
    run = measure(box, made.bench, serial, "full")["run"]
    made.clock.ahead = timedelta(days=7)
    assert deliver(box, as_tester(made, url), lambda text: None).done == [run]
    state = made.get(f"/runs/{run}")
    assert {need["code"] for need in state["still_needed"]} == {"answer-missing", "ticket-expired"}


def test_a_refused_token_ends_the_delivery_with_nothing_lost(made: Trial, url: str, tmp_path: Path) -> None:
    """It is about the sender: no thing is marked, and no other is tried."""
    serial = made.enrol("DLV070")["serial"]
    box = fetched(made, tmp_path / "bench")
    run = measure(box, made.bench, serial)["run"]
    for service in (Service(url, "bw_nobody", lambda seconds: None), as_tester(made, url, "reader")):
        with pytest.raises(ServiceSaid) as fault:
            deliver(box, service, lambda text: None)
        assert fault.value.status in (401, 403)
    assert all(item.reply is None for item in box.spool.items(run)) and made.rows()["runs"] == 0


def test_one_delivery_at_a_time_and_none_of_a_run_that_goes_on(made: Trial, url: str, tmp_path: Path) -> None:
    """A second one is told to wait; a run that is being measured is left for later."""
    serial = made.enrol("DLV080")["serial"]
    box = fetched(made, tmp_path / "bench")
    runs = runs_of(box)
    run = runs.open_run(serial, "plug", made.bench.thumbprint, [], serial)["run"]
    again = box_at(tmp_path / "bench", made.bench)
    assert deliver(again, as_tester(made, url), lambda text: None).going_on == [run]
    with box.spool.alone(), pytest.raises(SpoolBusy):
        deliver(again, as_tester(made, url), lambda text: None)
    runs.end()
    assert deliver(again, as_tester(made, url), lambda text: None).done == [run]


def test_a_report_that_comes_twice_waits_once(tmp_path: Path) -> None:
    """The board sends again when the receipt was lost on the wire."""
    waiting = Spool(tmp_path)
    assert waiting.begin("r-abcd") and not waiting.begin("r-abcd") and not Spool(tmp_path).begin("r-abcd")
    for octets in (b"a.b.c", b"d.e.f", b"a.b.c"):
        waiting.add("r-abcd", spool.REPORT, octets)
    assert [item.octets for item in waiting.items("r-abcd")] == [b"a.b.c", b"d.e.f"]
    assert {path.stat().st_mode & 0o777 for path in tmp_path.rglob("*") if path.is_file()} == {0o600}


def test_two_runs_never_take_the_same_ticket(made: Trial, tmp_path: Path) -> None:
    """Eight at once, four tickets: four get one each."""
    made.enrol("DLV090")
    fetched(made, tmp_path / "bench", 4)
    got: list[str] = []
    start = threading.Barrier(8)

    def take() -> None:
        box = box_at(tmp_path / "bench", made.bench)
        start.wait()
        for claims in box.waiting(datetime.now(UTC)):
            if box.spool.begin(claims["run"]):
                got.append(claims["run"])
                return

    threads = [threading.Thread(target=take) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert len(got) == len(set(got)) == 4


def test_a_welcome_page_takes_nothing_away(made: Trial, tmp_path: Path) -> None:
    """A network that answers everything with 200 and a page, or with some JSON of its own: everything still waits."""
    serial = made.enrol("DLV100")["serial"]
    box = fetched(made, tmp_path / "bench")
    run = measure(box, made.bench, serial)["run"]
    for page in ({"text": "<html>Welcome</html>"}, {"json": {"ok": True}}, {"status_code": 204}):
        with requests_mock.Mocker(case_sensitive=True) as http:
            http.register_uri(requests_mock.ANY, requests_mock.ANY, **page)
            with pytest.raises(ServiceUnreachable):
                deliver(box, Service(BASE, "bw_x", lambda seconds: None), lambda text: None)
    assert all(item.reply is None for item in box.spool.items(run))
