"""A board away from a bench, on real MicroPython at a real mosquitto: requests, spool, state, trouble, Ctrl-C."""

import json
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from services import micropython
from services.answering import Answering, answering
from services.mosquitto import Mosquitto, listener, running_mosquitto, topic, until

pytestmark = pytest.mark.real_time

SCRIPT = micropython.SCRIPTS / "field_scenarios.py"
SERIAL, PASSWORD, KEY = "TRN1", "one-secret", bytes(range(32))
VIRTUAL = (micropython.AGENT / "virtual", micropython.AGENT)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running_mosquitto(tmp_path, {SERIAL: PASSWORD}) as running:
        yield running


@pytest.fixture
def service(broker: Mosquitto) -> Iterator[Answering]:
    with answering(broker, SERIAL, KEY) as made:
        yield made


@dataclass
class Board:
    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)

    def read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.strip())

    def says(self, line: str, times: int = 1) -> bool:
        return until(lambda: self.lines.count(line) >= times)

    def interrupt(self) -> None:
        self.process.send_signal(signal.SIGINT)
        self.process.wait(5)


def keep(flash: Path, boot: int = 0) -> None:
    flash.mkdir(exist_ok=True)
    state = {"serial": SERIAL, "epoch": 1, "boot": boot, "key": KEY.hex()}
    (flash / "state.json").write_text(json.dumps(state))


@contextmanager
def board(flash: Path, port: int, path: Any = (micropython.AGENT,), **options: Any) -> Iterator[Board]:
    """A powered board with `flash`, until the block ends."""
    if not (flash / "state.json").exists():
        keep(flash)
    given = json.dumps({"port": port, "password": PASSWORD, **options})
    process = micropython.start(SCRIPT, cwd=flash, given=given, path=path)
    made = Board(process)
    reader = Thread(target=made.read)
    with process:
        reader.start()
        try:
            yield made
        finally:
            process.kill()
            reader.join(5)


@pytest.fixture
def flash(tmp_path: Path) -> Path:
    return tmp_path / "flash"


def spooled(flash: Path) -> list[str]:
    return sorted(path.name for path in (flash / "spool").glob("*"))


def test_a_request_brings_a_self_test_whose_report_goes_only_after_its_receipt(flash, broker, service):
    with board(flash, broker.port) as on_table:
        assert until(lambda: service.states == ["online"])
        service.silent = True
        service.ask(1, "self-test", "a plan")
        assert on_table.says("self-test 1")
        assert until(lambda: spooled(flash) == ["000001"])
        # Sent only after the request was acknowledged: an earlier end would have it repeated.
        assert until(lambda: service.heard == 1)
        service.silent = False
        on_table.interrupt()
    with board(flash, broker.port):
        assert until(lambda: service.arrivals.total() == 1 and spooled(flash) == [])
    assert [(each["boot"], each["seq"]) for each in service.payloads()] == [(1, 1)]


WRONG = {
    "a mac under another key": {"mac": "0" * 64},
    "no mac": {"mac": None},
    "another number than was signed": {"n": 9},
    "another act than was signed": {"do": "self-test"},
    "another plan than was signed": {"plan": "another"},
    "a number that is none": {"n": "1"},
    "another version": {"v": 2},
}


@pytest.mark.parametrize("changes", WRONG.values(), ids=WRONG)
def test_a_request_that_is_not_right_is_not_done(flash, broker, service, changes):
    with board(flash, broker.port) as on_table:
        assert until(lambda: service.states == ["online"])
        service.ask(3, "find", spoilt=changes)
        service.ask(4, "find")
        assert on_table.says("find")
        assert on_table.lines.count("find") == 1 and "self-test 1" not in on_table.lines


@pytest.mark.parametrize("payload", [b"", b"[]", b"\xff\xfe", b"null", b'{"v":1}', b"[" * 4000])
def test_garbage_on_the_request_topic_ends_nothing(flash, broker, service, payload):
    with board(flash, broker.port) as on_table:
        assert until(lambda: service.states == ["online"])
        service.sender.publish(topic(SERIAL, "request"), payload, 1)
        service.ask(1, "find")
        assert on_table.says("find")
        assert on_table.lines.count("connect") == 1


def test_a_request_is_done_once_however_often_it_comes(flash, broker, service):
    with board(flash, broker.port) as on_table:
        for n in (5, 5, 4, 5, 6):
            service.ask(n, "self-test", "a plan")
        assert until(lambda: len(service.stored) == 2)
        assert on_table.says("self-test 2")
        service.ask(7, "find")
        assert on_table.says("find")
    assert [line for line in on_table.lines if line.startswith("self-test")] == ["self-test 1", "self-test 2"]


def test_a_request_made_while_the_board_was_away_waits_for_it(flash, broker, service):
    with board(flash, broker.port) as on_table:
        assert until(lambda: service.states == ["online"])
        on_table.interrupt()
    service.ask(1, "self-test", "a plan")
    with board(flash, broker.port):
        assert until(lambda: len(service.stored) == 1)


def test_a_request_that_meets_the_board_at_a_bench_waits_until_the_field_has_it_again(flash, broker, service):
    """The bench sends a report on the same session, and does not listen for requests."""
    with board(flash, broker.port) as on_table:
        assert until(lambda: service.states == ["online"])
        on_table.interrupt()
    service.ask(1, "find")
    script = (
        "from benchworthy_agent.link import post\n"
        f"access = {{'site': 'trial', 'host': '127.0.0.1', 'port': {broker.port}, 'user': 'TRN1', 'password': 'one-secret'}}\n"
        "mail = post.Post(access, 'TRN1', lambda text: None)\n"
        "mail.open()\nmail.client.wait(200)\nmail.close()\n"
    )
    micropython.run(script, cwd=flash)
    with board(flash, broker.port) as again:
        assert again.says("find")


def test_a_full_spool_makes_no_new_self_test_and_says_so(flash, broker, service):
    service.silent = True
    with board(flash, broker.port, receipt_ms=1) as on_table:
        for n in range(1, 11):
            service.ask(n, "self-test", "a plan")
        assert until(lambda: service.states[-1] == "online; spool full; 8 without a receipt")
        on_table.interrupt()
    assert spooled(flash) == [f"{n:06d}" for n in range(1, 9)]
    assert "self-test 9" not in on_table.lines
    service.silent = False
    with board(flash, broker.port):
        assert until(lambda: len(service.stored) == 8 and spooled(flash) == [])
        assert until(lambda: service.states[-1] == "online")
    assert sorted(each["seq"] for each in service.payloads()) == list(range(1, 9))


def test_a_report_that_the_access_list_drops_is_noticed_and_told(flash, broker, service):
    """The broker acknowledges it all the same; only the receipt, which does not come, tells."""
    access = broker.directory / "access"
    access.write_text(access.read_text().replace("pattern write benchworthy/v1/trial/%u/report\n", ""))
    with broker_rereads(broker), board(flash, broker.port, receipt_ms=300) as on_table:
        service.ask(1, "self-test", "a plan")
        assert until(lambda: service.states[-1:] == ["online; 1 without a receipt"])
        assert "field: no receipt (the broker acknowledged; its access list may have dropped the report)" in on_table.lines
    assert service.stored == {} and spooled(flash) == ["000001"]


@contextmanager
def broker_rereads(broker: Mosquitto) -> Iterator[None]:
    before = broker.log().count("Reloading config")
    broker.process.send_signal(signal.SIGHUP)
    assert until(lambda: broker.log().count("Reloading config") > before)
    time.sleep(0.2)  # the line is written before the files are read
    yield


def test_a_damaged_file_is_told_as_lost_and_does_not_hold_up_the_others(flash, broker, service):
    keep(flash)
    (flash / "spool").mkdir()
    (flash / "spool" / "000001").write_bytes(b"half a rep")
    with board(flash, broker.port):
        service.ask(1, "self-test", "a plan")
        assert until(lambda: len(service.stored) == 1 and spooled(flash) == [])
    assert service.states[0] == "online; 1 lost, damaged or signed under an earlier key"


def test_a_self_test_that_breaks_is_told_and_the_next_one_is_made(flash, broker, service):
    with board(flash, broker.port) as on_table:
        service.ask(1, "self-test", "a plan that breaks")
        assert until(lambda: service.states[-1:] == ["online; self-test: ValueError no such port"])
        service.ask(2, "self-test", "a plan")
        assert until(lambda: len(service.stored) == 1 and service.states[-1] == "online")
    assert on_table.lines.count("connect") == 1


def test_a_boot_that_could_not_be_counted_makes_no_report(flash, broker, service):
    """Its counters might be those of another report."""
    with board(flash, broker.port, flag="not saved") as on_table:
        service.ask(1, "self-test", "a plan")
        assert until(lambda: service.states[-1:] == ["online; boot counter not saved; no self-test"])
    assert "self-test 1" not in on_table.lines


@pytest.mark.parametrize("path", [(micropython.AGENT,), VIRTUAL], ids=["real time", "virtual time"])
def test_ctrl_c_brings_the_outputs_to_rest_and_says_offline(flash, broker, service, path):
    with board(flash, broker.port, path) as on_table:
        assert until(lambda: service.states == ["online"])
        on_table.interrupt()
    assert on_table.lines[-2:] == ["rest", "interrupted"]
    assert until(lambda: service.states[-1] == "offline")


def test_a_board_whose_power_goes_leaves_its_will(flash, broker, service):
    with board(flash, broker.port) as on_table:
        assert until(lambda: service.states == ["online"])
        on_table.process.kill()
        assert until(lambda: service.states == ["online", "offline"])
    with listener(broker) as heard:
        assert until(lambda: (topic(SERIAL, "state"), b"offline", True) in heard)


def test_a_broker_that_stays_away_brings_a_new_radio_then_a_new_start_with_growing_pauses(flash, broker):
    broker.stop()
    began = time.monotonic()
    with board(flash, broker.port, pause_ms=1) as on_table:
        assert on_table.process.wait(20) == 3
    acts = [line for line in on_table.lines if not line.startswith("field:")]
    assert acts == [*["connect", "rest"] * 4, "radio off"] * 2 + [*["connect", "rest"] * 4, "radio off", "reset"]
    assert sum(2**n for n in range(9)) / 1000 < time.monotonic() - began < 15


def test_a_broker_that_comes_back_finds_the_board_and_what_it_kept(flash, broker):
    with board(flash, broker.port, pause_ms=100) as on_table:
        with answering(broker, SERIAL, KEY) as before:
            assert until(lambda: before.states == ["online"])
        broker.stop()
        assert on_table.says("connect", 2)
        broker_again(broker)
        with answering(broker, SERIAL, KEY) as after:
            after.ask(1, "self-test", "a plan")
            assert until(lambda: len(after.stored) == 1)


def broker_again(broker: Mosquitto) -> None:
    """Start it anew on its old port."""
    configuration = broker.directory / "mosquitto.conf"
    with (broker.directory / "log").open("ab") as log:
        command = [*broker.process.args[:1], "-c", str(configuration)]  # type: ignore[index]
        broker.process = subprocess.Popen(command, stdout=log, stderr=log)
    assert until(broker._accepts)


def test_a_broker_lost_in_the_middle_of_a_self_test_costs_nothing_of_it(flash, broker):
    with board(flash, broker.port, pause_ms=100) as on_table:
        with answering(broker, SERIAL, KEY) as before:
            before.ask(1, "self-test", "a long plan")
            assert on_table.says("long")
        broker.stop()
        assert on_table.says("self-test 1")
        assert until(lambda: spooled(flash) == ["000001"])
        on_table.process.send_signal(signal.SIGSTOP)  # or it might send to a broker that nobody listens to yet
        broker_again(broker)
        with answering(broker, SERIAL, KEY) as after:
            on_table.process.send_signal(signal.SIGCONT)
            assert until(lambda: len(after.stored) == 1 and spooled(flash) == [])
    assert on_table.lines.count("self-test 1") == 1 and "self-test 2" not in on_table.lines


def test_virtual_time_does_not_make_a_board_hammer_on_an_absent_broker(flash, broker):
    broker.stop()
    with board(flash, broker.port, VIRTUAL, pause_ms=400) as on_table:
        time.sleep(1.5)
        tries = on_table.lines.count("connect")
    assert 1 <= tries <= 3


def test_a_board_serves_under_virtual_time_too(flash, broker, service):
    with board(flash, broker.port, VIRTUAL):
        service.ask(1, "self-test", "a plan")
        assert until(lambda: len(service.stored) == 1 and spooled(flash) == [])
