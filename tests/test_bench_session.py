"""A run at the bench: the order of its steps, what is sent again, and what a wrong answer leads to."""

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from bench_fakes import MODULE, OPENED, PLAN, FakeBoard, FakeOperator, FakeService
from benchworthy.bench.evidence import Seen, signed_report
from benchworthy.bench.probe import BoardFile, Identity
from benchworthy.bench.session import run_board
from benchworthy.designs import agent_release, catalogue
from benchworthy.errors import BoardFaulted, ReceiptMissing
from benchworthy.intake.wire import read_report
from benchworthy.judging.tests import Expected, judge_reading
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.token import MAX_BYTES, split


@pytest.fixture
def key(tmp_path: Path) -> BenchKey:
    """A bench's key."""
    return BenchKey.load_or_create(tmp_path / "bench.jwk")


@pytest.fixture
def approved(monkeypatch: pytest.MonkeyPatch) -> None:
    """A release of one file, so that these tests do not depend on the agent's sources."""
    release = agent_release.AgentRelease("1.0.0", {"main.py": "a" * 64}, "0" * 32)
    monkeypatch.setattr(agent_release, "current", lambda: release)


def _run(board: FakeBoard, service: FakeService, key: BenchKey, **options: Any) -> dict[str, Any]:
    operator = FakeOperator(board.steps)
    fixtures = ("TP4-0007",)
    return run_board(board.opened, service, key, operator, "S1", "first", fixtures=fixtures, **options)


@pytest.mark.usefixtures("approved")
def test_the_steps_of_a_run_come_in_order(key: BenchKey) -> None:
    """Scan, open, part 1 on the empty board, plug, part 2, plug off, bench, eyes, meter; the run stays open."""
    steps: list[str] = []
    board, service = FakeBoard(steps), FakeService(steps)
    result = _run(board, service, key)
    assert steps == [
        "open port",
        "scan",
        "open run S1 first LABEL",
        "begin",
        "part 1",
        "fit TP4-0007",
        "part 2",
        "remove plug",
        "bench report",
        "blink lamp 3",
        "answer LED-SEE 1 3",
        "meter PWR-DMM33: One hand. Meter on TP3.",
        "answer PWR-DMM33 1 3.3",
        "close port",
    ]
    assert [(r["author"], r["part"], r["verdict"]) for r in result["reports"]] == [
        ("board", 1, "in limits"),
        ("board", 2, "in limits"),
        ("bench", 1, "in limits"),
    ]
    assert (result["run"], result["module"], result["stand_in"]) == ("r-abcd", MODULE, True)
    assert board.context["plan"] == PLAN and board.context["key"] == "11" * 32 and board.context["serial"] == "S1"


@pytest.mark.usefixtures("approved")
def test_the_bench_signs_what_it_saw_itself(key: BenchKey) -> None:
    """Module id and files as read over the wire, ports, echo and stand-in, under the bench's own key."""
    steps: list[str] = []
    service = FakeService(steps)
    _run(FakeBoard(steps), service, key)
    token = split(service.reports[-1])
    assert str(token.key) == f"b.{key.thumbprint}"
    said = json.loads(token.payload)
    assert said["readings"] == [
        {"test": "MCU-ID", "text": MODULE},
        {"test": "MCU-FW", "items": {"main.py": "a" * 64, "state.json": "b" * 64}},
    ]
    seen = said["seen"]
    assert (seen["stand_in"], seen["echo"], seen["sizes"]) == (True, True, {"state.json": 44})
    assert {"ports_before", "ports_after"} < set(seen)
    assert (said["run"], said["nonce"], said["part"], said["boot"]) == ("r-abcd", "0" * 32, 1, 7)
    assert said["plan"] == hashlib.sha256(PLAN.encode()).hexdigest()[:32]


@pytest.mark.usefixtures("approved")
@pytest.mark.parametrize("wrong", [1, 2])
def test_a_wrong_answer_is_drawn_again_once(key: BenchKey, wrong: int) -> None:
    """Also when the second answer is wrong there is no third draw."""
    steps: list[str] = []
    result = _run(FakeBoard(steps), FakeService(steps, wrong=wrong), key)
    seen = [step for step in steps if "LED-SEE" in step or "blink" in step]
    assert seen == ["blink lamp 3", "answer LED-SEE 1 3", "draw LED-SEE", "blink lamp 5", "answer LED-SEE 2 3"]
    assert [answer["draw"] for answer in result["answers"] if answer["test"] == "LED-SEE"] == [1, 2]


@pytest.mark.usefixtures("approved")
def test_on_the_serial_link_the_bench_carries_report_and_receipt(key: BenchKey) -> None:
    """The frame is posted as it is, and the board gets the receipt."""
    steps: list[str] = []
    service = FakeService(steps)
    _run(FakeBoard(steps), service, key, link="serial")
    assert steps[4:7] == ["part 1", "post report", "receipt"]
    assert service.reports[:2] == [b"board.part.1", b"board.part.2"]


@pytest.mark.usefixtures("approved")
def test_without_a_broker_reports_go_over_the_serial_link(key: BenchKey) -> None:
    """A bench without a broker is still a bench."""
    steps: list[str] = []
    _run(FakeBoard(steps), FakeService(steps, opened={**OPENED, "mqtt": None}), key, link="mqtt")
    assert "post report" in steps


@pytest.mark.usefixtures("approved")
@pytest.mark.parametrize(
    ("link", "deaf", "damaged", "down"),
    [("mqtt", 3, 0, 0), ("serial", 3, 0, 0), ("serial", 0, 3, 0), ("serial", 0, 0, 3)],
)
def test_a_report_without_a_receipt_is_sent_again(key: BenchKey, link: Any, deaf: int, damaged: int, down: int) -> None:
    """Lost receipts, damaged frames and a service that is away: three repeats are enough."""
    steps: list[str] = []
    _run(FakeBoard(steps, deaf=deaf, damaged=damaged), FakeService(steps, down=down), key, link=link)
    assert steps.count("again 1") == 3


@pytest.mark.usefixtures("approved")
@pytest.mark.parametrize("link", ["mqtt", "serial"])
def test_after_three_repeats_the_receipt_is_missing(key: BenchKey, link: Any) -> None:
    """The part is named, and the plug is never asked for."""
    steps: list[str] = []
    with pytest.raises(ReceiptMissing) as fault:
        _run(FakeBoard(steps, deaf=99), FakeService(steps), key, link=link)
    assert fault.value.facts["part"] == 1
    assert steps.count("again 1") == 3 and "fit TP4-0007" not in steps


@pytest.mark.usefixtures("approved")
def test_a_part_that_gives_no_report_is_the_boards_fault(key: BenchKey) -> None:
    """There is nothing to send again."""
    steps: list[str] = []
    with pytest.raises(BoardFaulted, match="MemoryError"):
        _run(FakeBoard(steps, error="MemoryError: "), FakeService(steps), key)
    assert "again 1" not in steps


@pytest.mark.usefixtures("approved")
def test_the_runs_key_is_never_said(key: BenchKey) -> None:
    """Key and broker password go to the board and nowhere else."""
    steps: list[str] = []
    told: list[str] = []
    result = _run(FakeBoard(steps), FakeService(steps), key, say=told.append)
    assert told and "11" * 32 not in "".join(told) + json.dumps(result)


def test_the_release_of_this_package_fits_into_one_report(key: BenchKey) -> None:
    """A board with the approved agent and its state file leaves nothing off, and is judged as in order."""
    release = agent_release.current()
    report = read_report(split(_signed(key, {**release.files, "state.json": "b" * 64}, release.files)).payload)
    sheet = catalogue.find("tarn-b")
    for reading in report.readings:
        judged = judge_reading(sheet, sheet.tests[reading.test], reading, Expected(MODULE, release))
        assert judged.sentence == ""


def test_what_does_not_belong_comes_through_when_room_is_short(key: BenchKey) -> None:
    """The release's own files are left off first; long names stay within the schema."""
    release = {f"lib/benchworthy_agent/file_{number}.py": "a" * 64 for number in range(60)}
    alien = {"secrets.json": "c" * 64, "x" * 200: "d" * 64}
    report = read_report(split(_signed(key, {**release, **alien}, release)).payload)
    items = report.readings[1].items
    assert items is not None and items["secrets.json"] == "c" * 32
    assert [path[:50] for path in items if path.startswith("x")] == ["x" * 50]
    assert 10 < len(items) < 62


def _signed(key: BenchKey, files: dict[str, str], release: Mapping[str, str]) -> bytes:
    head = {
        "serial": "TARN0001X",
        "design": "tarn-b",
        "plan": "0" * 32,
        "epoch": 1,
        "ms": 2**30 - 1,
        "clock": "2026-11-25T12:00:00Z",
        "run": "r-" + "a" * 26,
        "nonce": "0" * 32,
        "part": 1,
    }
    identity = Identity(MODULE, False, "x" * 64, 7, "1.0.0")
    held = {path: BoardFile(1234, sha256) for path, sha256 in files.items()}
    seen = Seen(identity, held, True, ["/dev/ttyACM0", "/dev/ttyACM1"], ["/dev/ttyACM0", "/dev/ttyACM1"])
    token = signed_report(head, ["MCU-ID", "MCU-FW"], seen, release, key.sign_report)
    assert len(token) <= MAX_BYTES
    return token
