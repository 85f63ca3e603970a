"""The service on a real PostgreSQL: a board's story over HTTP, several machines and sites on one database, restarts of it."""

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests

from benchworthy.errors import ListenerAlreadyRuns
from benchworthy.history import ledger
from benchworthy.history.records import Evidence
from benchworthy.keeping import audit
from benchworthy.serve.demo.house import ServiceProcess
from benchworthy.storage import engine as engines
from benchworthy.storage.tables import metadata
from services import reports
from services.brokers import embedded_environment
from services.desk import COUNTED
from services.keeping import Wireless, command, flowing, send
from services.mosquitto import running_mosquitto, until
from services.postgres import DRAWN, Cluster, running_postgres
from services.service import Trial, environment, trial
from services.serving import serving

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Cluster]:
    with running_postgres() as running:
        yield running


@pytest.fixture
def url(cluster: Cluster) -> str:
    return cluster.new()


def test_a_server_that_is_away_is_told_and_one_that_came_back_is_served(tmp_path: Path) -> None:
    """Connections from before the restart are no trouble to anybody; nothing says the password."""
    with running_postgres() as own:
        address = own.new()
        with trial(tmp_path / "data", database=address) as made:
            serial = made.enrol("AWAY1")["serial"]
            own.stop("fast")
            for answer in (
                made.ask("GET", f"/boards/{serial}"),
                made.ask("POST", f"/boards/{serial}/defects", {"seen": "smells"}),
            ):
                assert (answer.status_code, answer.json["code"]) == (503, "storage-busy"), answer.text
                assert answer.headers["Retry-After"] == "5" and DRAWN not in answer.text
            own.start()
            assert made.get(f"/boards/{serial}")["serial"] == serial
            made.post(f"/boards/{serial}/defects", {"seen": "smells"})
        own.stop("fast")
        said = command("serve", settings=environment(tmp_path / "data", None, address), code=2).stderr
        assert "[storage-busy]" in said and "does not answer" in said and DRAWN not in said
        own.start()


def test_the_service_outlives_a_restart_of_its_database(tmp_path: Path) -> None:
    """No part ends: /health/ready says what is wrong meanwhile, a board keeps its report, and its receipt comes afterwards."""
    with running_postgres() as own:
        url = own.new()
        settings = embedded_environment(tmp_path / "data") | {"BENCHWORTHY_DATABASE": url}
        with trial(tmp_path / "data", database=url) as made, serving(settings, tmp_path / "serve.log") as serve:
            told, port = made.enrol("AWAY2"), int(settings["BENCHWORTHY_MQTT_LISTEN"].rpartition(":")[2])
            board = Wireless(told["serial"], told["field_key"], told["broker_password"], port)
            goes_on = lambda mark: until(lambda: len(board.receipted) > mark, 60)  # noqa: E731
            with flowing([board]):
                assert goes_on(0), serve.log.read_text()
                own.stop("immediate")
                assert until(lambda: serve.ready()[0] == 503, 20)
                assert serve.ready()[1]["code"] == "storage-busy"
                time.sleep(2)
                mark = len(board.receipted)
                own.start()
                assert goes_on(mark + 1), serve.log.read_text()
            serve.wait_ready()
            assert serve.restarts() == {"web": 0, "listener": 0, "broker": 0}
            assert set(board.receipted) <= {item.digest for item in _evidence(made, told["serial"])} and not board.false_receipts
            assert audit.audit(made.house.database.engine).faults == ()
        assert "Traceback" not in serve.log.read_text() and DRAWN not in serve.log.read_text(), serve.log.read_text()


def _evidence(made: Trial, serial: str) -> Sequence[Evidence]:
    with made.house.database.reading() as work:
        return work.evidence.of_board(serial, 10_000)


def test_a_wrong_url_gets_a_sentence_without_its_password(tmp_path: Path, cluster: Cluster) -> None:
    url = cluster.new()
    wrong = (url.rpartition("/")[0] + "/nowhere", url.replace(DRAWN, "hush-hush"), "postgresql+psycopg://u:hush-hush@h:port/x")
    for address in wrong:
        said = command("serve", settings=environment(tmp_path / "data", None, address), code=2).stderr
        assert "hush-hush" not in said and DRAWN not in said and "Traceback" not in said and "database" in said.lower(), said


def ask(url: str, secret: str, method: str, path: str, body: Any = None, **headers: str) -> requests.Response:
    given = {"Authorization": f"Bearer {secret}", **headers}
    return requests.request(method, f"{url}/api/v1{path}", json=body, headers=given, timeout=20)


@dataclass(frozen=True)
class Said:
    """An answer that came over a wire, as the client inside a process would give it."""

    status_code: int
    json: Any
    text: str
    headers: Any


@dataclass(frozen=True)
class Wire:
    """Stands in for a trial's own client: everything it asks goes to a real service."""

    url: str

    def open(self, path: str, method: str, headers: Any, json: Any = None) -> Said:
        return self._said(requests.request(method, self.url + path, headers=headers, json=json, timeout=20))

    def post(self, path: str, data: bytes, content_type: str) -> Said:
        return self._said(requests.post(self.url + path, data=data, headers={"Content-Type": content_type}, timeout=20))

    @staticmethod
    def _said(answer: requests.Response) -> Said:
        return Said(answer.status_code, answer.json(), answer.text, answer.headers)


def test_a_board_s_story_over_http(tmp_path: Path, url: str) -> None:
    """The real service: enrolled, tested in one run, certified, lent, all over HTTP; the chain holds, and so does the audit."""
    settings = environment(tmp_path / "data", None, url)
    with trial(tmp_path / "data", database=url) as made:
        service = ServiceProcess(settings, tmp_path / "serve.log")
        service.start()
        try:
            made.client = Wire(service.url)  # type: ignore[assignment]
            serial = made.enrol("STORY1")["serial"]
            closed = made.whole_run(serial)
            assert closed["complete"] and closed["verdict"] == "in limits", closed
            assert made.certify(serial).status_code == 201
            due = (datetime.now(UTC) + timedelta(days=7)).isoformat(timespec="seconds")
            made.post(f"/boards/{serial}/loans", {"borrower": "B-7", "due": due, "accessories": COUNTED}, "desk")
            assert made.get(f"/boards/{serial}/fitness")["state"] == "on loan"
            assert made.get(f"/changes?after={2**53}")["changes"] == []
            assert {change["serial"] for change in made.get("/changes")["changes"]} == {serial}
            assert made.ask("GET", f"/runs/{'9' * 300}%00").status_code == 404
        finally:
            service.stop()
        assert not (tmp_path / "data" / "benchworthy.sqlite3").exists()
        assert (made.rows()["certificates"], made.rows()["loans"]) == (1, 1)
        with made.house.database.reading() as work:
            entries = work.ledger.entries(serial)
        assert ledger.first_break(entries) is None and entries[-1].kind == "lent"
        assert audit.audit(made.house.database.engine).faults == ()
        assert "everything holds" in command("audit", settings=settings).stdout
    assert "Traceback" not in (tmp_path / "serve.log").read_text()


def test_a_key_is_good_for_one_effect_across_two_machines(tmp_path: Path, url: str) -> None:
    """Two web processes on one database get the same request at once, again and again: one defect each time, one answer."""
    with trial(tmp_path / "data", database=url) as made:
        serial = made.enrol("TWICE1")["serial"]
        services = [
            ServiceProcess(environment(tmp_path / "data", None, url), tmp_path / f"serve{number}.log") for number in range(2)
        ]
        try:
            for service in services:
                service.start()
            with ThreadPoolExecutor(8) as pool:
                for number in range(5):
                    one = lambda service, number=number: ask(  # noqa: E731
                        service.url, made.secrets["desk"], "POST", f"/boards/{serial}/defects", {"seen": f"rattles {number}"},
                        **{"Idempotency-Key": f"defect-{number}"},
                    )  # fmt: skip
                    answers = list(pool.map(one, services * 4))
                    assert {a.status_code for a in answers} <= {201, 409}, [a.text for a in answers]
                    said = {a.text for a in answers if a.status_code == 201}
                    assert len(said) == 1 and {a.json()["code"] for a in answers if a.status_code == 409} <= {"request-in-flight"}
        finally:
            for service in services:
                service.stop()
        assert (made.rows()["defects"], made.rows()["answers"]) == (5, 5)
        with made.house.database.reading() as work:
            assert ledger.first_break(work.ledger.entries(serial)) is None


def test_two_sites_on_one_database_do_not_see_each_other(tmp_path: Path, url: str) -> None:
    """Each has its own listener and lease, its own secrets, and answers for its own boards only."""
    with (
        trial(tmp_path / "north", "north", url) as north,
        trial(tmp_path / "south", "south", url) as south,
        running_mosquitto(tmp_path, {}) as broker,
    ):
        boards = {"north": north.enrol("NORTH1")["serial"], "south": south.enrol("SOUTH1")["serial"]}
        assert [b["serial"] for b in north.get("/boards")["boards"]] == [boards["north"]]
        assert north.ask("GET", f"/boards/{boards['south']}").status_code == 404
        assert north.ask("POST", f"/boards/{boards['south']}/defects", {"seen": "not ours"}).status_code == 404
        assert south.ask("GET", "/boards", role=None).status_code == 401
        now = datetime.now(UTC)
        base, said = north.house.database, environment(tmp_path / "north", broker, url)
        base.take_lease("listener of site north", "pid 1 start 1 on one-machine", now, 60)
        base.take_lease("listener of site south", "pid 2 start 1 on other-machine", now, 60)
        with pytest.raises(ListenerAlreadyRuns):
            south.house.database.take_lease("listener of site north", "pid 9 start 1 on other-machine", now, 60)
        base.drop_lease("listener of site north", "pid 1 start 1 on one-machine")
        service = ServiceProcess(said | {"BENCHWORTHY_SITE": "north"}, tmp_path / "serve.log")
        try:
            service.start()
            assert until(lambda: "as benchworthy-listener-north" in broker.log(), 20), broker.log()
        finally:
            service.stop()


def test_the_newest_of_two_certificates_of_one_second_is_the_one_that_came_later(tmp_path: Path, url: str) -> None:
    """Ids are drawn at random and dates have whole seconds; the chain knows the order, on either database."""
    for place, database in ((tmp_path / "a", url), (tmp_path / "b", None)):
        with trial(place, database=database) as made:
            serial = made.enrol("SAME1")["serial"]
            for _ in range(3):
                made.whole_run(serial)
                assert made.certify(serial).status_code == 201
            with made.house.database.writing() as work:
                ids = [e.facts["certificate"] for e in work.ledger.entries(serial) if e.kind == "certified"]
            table = metadata.tables["certificates"]
            with engines.writing(made.house.database.engine) as connection:
                connection.execute(table.update().values(issued_at=NOW))
            with made.house.database.reading() as work:
                newest = work.desk.newest_certificate(serial)
            assert newest is not None and newest.id == ids[-1] and len(ids) == 3


def test_reports_are_taken_and_their_receipts_go_out(tmp_path: Path, url: str) -> None:
    """By HTTP the same bytes are 201 and then 200; counters may be as high as a board can count."""
    with trial(tmp_path / "data", database=url) as made:
        enrolled = made.enrol("REPORT1")
        service = ServiceProcess(environment(tmp_path / "data", None, url), tmp_path / "serve.log")
        try:
            service.start()
            token = reports.field(enrolled["serial"], enrolled["field_key"], seq=2**53)
            assert [send(service.url, token).status_code for _ in range(2)] == [201, 200]
        finally:
            service.stop()
        assert made.rows()["evidence"] == 1
