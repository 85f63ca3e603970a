"""A run at the bench: the order of its steps, what is sent again, and what a wrong answer leads to."""

import json
from pathlib import Path
from typing import Any

import pytest

from bench_fakes import MODULE, OTHER, PORT, FakeBoard, FakeOperator, FakeService, carried_out, sha256
from bench_sheet import FIXTURES, OPENED, PLAN, SHEET
from benchworthy.bench.session import run_board
from benchworthy.designs import agent_release
from benchworthy.errors import BoardAnother, BoardFaulted, BoardSilent, ReceiptMissing, RequestInvalid, SheetDiffers
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.token import split

pytestmark = pytest.mark.real_time


@pytest.fixture
def key(tmp_path: Path) -> BenchKey:
    """A bench's key."""
    return BenchKey.load_or_create(tmp_path / "bench.jwk")


def _run(board: FakeBoard, service: FakeService, key: BenchKey, **options: Any) -> dict[str, Any]:
    """A run on the small sheet of the doubles, which the bench then takes for tarn-b."""
    operator = FakeOperator(board.steps, board)
    given = {"fixtures": FIXTURES, "wifi": {"ssid": "s", "password": "w" * 9}, **options}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("benchworthy.bench.session.catalogue.find", lambda name: SHEET)
        return run_board(board.reach(), service, key, operator, "S1", "full", **given)


def test_the_steps_of_a_run_come_in_order(key: BenchKey) -> None:
    """Cold first, then power and port; empty board, plug, loads, rig, jack out; each thing is fitted once and taken off."""
    steps: list[str] = []
    result = _run(FakeBoard(steps), FakeService(steps), key)
    assert steps == [
        "open port",
        "scan",
        "open run S1 full LABEL",
        "close port",
        "act pull-usb",
        "meter PRE-COLD V5: Ohms. Type it in V.",
        "meter PRE-COLD V33: Ohms. Type it in V.",
        'answer PRE-COLD 1 {"V5": "3.3", "V33": "3.3"}',
        "act put-back",
        "undo pull-usb",
        "open port",
        "begin",
        "clear Motors off the terminals.",
        "test OUT-H1",
        "test OUT-H2",
        "close 1",
        "fit TP-4 TP4-0007",
        "act press-key",
        "test KEY-PRESS",
        "undo press-key",
        "test I2C-SCAN",
        "test WIFI-RSSI",
        "close 2",
        "bench report",
        "bench report",
        'answer VIS-SHORT 1 {"cracks": "good", "feet": "good"}',
        "show blink 3",
        "answer LED-SEE 1 3",
        "meter PWR-DMM33: One hand. Meter on TP3.",
        "answer PWR-DMM33 1 3.3",
        "fit L-2 L2-01",
        "clear Motor outputs M1 and M2: wheels clear, fingers away, eyes on it.",
        "test OUT-I1",
        "close 3",
        "remove L-2",
        "fit M-1 M1-02",
        "act rig-held",
        "clear Motor outputs M1 and M2: wheels clear, fingers away, eyes on it.",
        "test OUT-STALL",
        "close 4",
        "act rig-motor",
        "show turn ['off', 'forward', 'back']",
        "answer OUT-DIR1 1 off forward back",
        "undo rig-motor",
        "remove TP-4",
        "remove M-1",
        "act pull-jack",
        "test PWR-USBONLY",
        "close 5",
        "undo pull-jack",
        "close port",
    ]
    assert [(r["author"], r["part"]) for r in result["reports"]] == [
        ("board", 1), ("board", 2), ("bench", 1), ("bench", 2), ("board", 3), ("board", 4), ("board", 5)
    ]  # fmt: skip
    assert (result["run"], result["module"], result["stand_in"]) == ("r-abcd", MODULE, True)


def test_the_board_gets_its_context_and_the_dead_man_his_answers(key: BenchKey) -> None:
    """Hash instead of plan, ports, key, what is absent; each sign of life that a drive asks for is given."""
    steps: list[str] = []
    board = FakeBoard(steps)
    _run(board, FakeService(steps), key, without=["jack"])
    context = board.context
    assert context["plan"] == sha256(PLAN.text)[:32] and "text" not in context
    assert context["ports"] == json.loads(PLAN.text.partition("\n")[0])["ports"]
    assert (context["key"], context["serial"], context["wifi"]["ssid"]) == ("11" * 32, "S1", "s")
    assert context["absent"] == ["jack"]
    assert board.replies == ["1\n", "2\n"] * len(carried_out(steps))


def test_what_is_absent_is_asked_of_nobody_and_not_run(key: BenchKey) -> None:
    """Without rig and jack nobody sets a switch, types clear for it, or reads a meter; each test says why."""
    steps: list[str] = []
    service = FakeService(steps)
    _run(FakeBoard(steps), service, key, fixtures=FIXTURES[:1], without=["jack"], wifi=None)
    assert not [step for step in steps if "rig" in step or "L-2" in step or "pull-jack" in step or step.startswith("meter PWR")]
    assert [a for a in service.answers if "not_run" in a] == [
        {"test": "PWR-DMM33", "draw": 1, "not_run": "no jack"},
        {"test": "OUT-DIR1", "draw": 1, "not_run": "no M-1"},
    ]
    assert carried_out(steps) == ["OUT-H1", "OUT-H2", "KEY-PRESS", "I2C-SCAN", "WIFI-RSSI", "OUT-I1", "OUT-STALL", "PWR-USBONLY"]
    assert len([step for step in steps if step.startswith("clear")]) == 1


def test_the_bench_signs_what_it_saw_itself(key: BenchKey) -> None:
    """Port, module id and files as seen and read over the wire, and stand-in, under the bench's own key."""
    steps: list[str] = []
    service = FakeService(steps)
    _run(FakeBoard(steps), service, key)
    tokens = [split(token) for token in service.reports if token.startswith(b"ey")]
    assert {str(token.key) for token in tokens} == {f"b.{key.thumbprint}"}
    first, files = (json.loads(token.payload) for token in tokens)
    port, identity = first["readings"]
    assert port["test"] == "USB-ENUM" and [step[1] for step in port["steps"]][1:] == [1, 1], "one new port, its text the id"
    assert identity == {"test": "MCU-ID", "text": MODULE}
    assert files["readings"] == [{"test": "MCU-FW", "items": {"state.json": "size 44", "release": agent_release.current().hash}}]
    assert files["agent"]["hash"] == agent_release.current().hash
    assert first["seen"] == {"ports_before": ["/dev/ttyELSE"], "ports_after": ["/dev/ttyELSE", OTHER], "stand_in": True}
    assert (first["run"], first["nonce"], first["part"], first["boot"]) == ("r-abcd", "0" * 32, 1, 7)
    assert first["plan"] == sha256(PLAN.text)[:32]


@pytest.mark.parametrize("wrong", [1, 2])
def test_a_wrong_answer_is_drawn_again_once(key: BenchKey, wrong: int) -> None:
    """Also when the second answer is wrong there is no third draw."""
    steps: list[str] = []
    result = _run(FakeBoard(steps), FakeService(steps, wrong=wrong), key)
    seen = [step for step in steps if "LED-SEE" in step or "blink" in step]
    assert seen == ["show blink 3", "answer LED-SEE 1 3", "draw LED-SEE", "show blink 5", "answer LED-SEE 2 3"]
    assert [answer["draw"] for answer in result["answers"] if answer["test"] == "LED-SEE"] == [1, 2]


def test_nobody_is_asked_about_what_the_board_could_not_show(key: BenchKey) -> None:
    """Not run, with the board's reason; never an answer out of habit."""
    steps: list[str] = []
    board, service = FakeBoard(steps), FakeService(steps)
    board.cannot_show = {"blink"}
    _run(board, service, key)
    assert {"test": "LED-SEE", "draw": 1, "not_run": "OSError: no timer"} in service.answers
    assert "answer OUT-DIR1 1 off forward back" in steps


def test_on_the_serial_link_the_bench_carries_report_and_receipt(key: BenchKey) -> None:
    """The frame is posted as it is, and the board gets the receipt."""
    steps: list[str] = []
    service = FakeService(steps)
    _run(FakeBoard(steps), service, key, link="serial")
    at = steps.index("close 1")
    assert steps[at : at + 3] == ["close 1", "post report", "receipt"]
    assert [token for token in service.reports if not token.startswith(b"ey")] == [b"board.part.%d" % n for n in range(1, 6)]


def test_without_a_broker_reports_go_over_the_serial_link(key: BenchKey) -> None:
    """A bench without a broker is still a bench."""
    steps: list[str] = []
    _run(FakeBoard(steps), FakeService(steps, opened={**OPENED, "mqtt": None}), key, link="mqtt")
    assert "post report" in steps


@pytest.mark.parametrize(
    ("link", "deaf", "damaged", "down"),
    [("mqtt", 3, 0, 0), ("serial", 3, 0, 0), ("serial", 0, 3, 0), ("serial", 0, 0, 3)],
)
def test_a_report_without_a_receipt_is_sent_again(key: BenchKey, link: Any, deaf: int, damaged: int, down: int) -> None:
    """Lost receipts, damaged frames and a service that is away: three repeats are enough."""
    steps: list[str] = []
    _run(FakeBoard(steps, deaf=deaf, damaged=damaged), FakeService(steps, down=down), key, link=link)
    assert steps.count("again 1") == 3


@pytest.mark.parametrize("link", ["mqtt", "serial"])
def test_after_three_repeats_the_receipt_is_missing(key: BenchKey, link: Any) -> None:
    """The part is named, and the plug is never asked for."""
    steps: list[str] = []
    with pytest.raises(ReceiptMissing) as fault:
        _run(FakeBoard(steps, deaf=99), FakeService(steps), key, link=link)
    assert fault.value.facts["part"] == 1
    assert steps.count("again 1") == 3 and not [step for step in steps if step.startswith("fit")]


def test_a_part_that_gives_no_report_is_the_boards_fault(key: BenchKey) -> None:
    """There is nothing to send again."""
    steps: list[str] = []
    with pytest.raises(BoardFaulted, match="MemoryError"):
        _run(FakeBoard(steps, error="MemoryError: "), FakeService(steps), key)
    assert "again 1" not in steps


def test_the_runs_key_is_never_said(key: BenchKey) -> None:
    """Key and passwords go to the board and nowhere else."""
    steps: list[str] = []
    told: list[str] = []
    result = _run(FakeBoard(steps), FakeService(steps), key, say=told.append)
    assert told and not [secret for secret in ("11" * 32, "w" * 9) if secret in "".join(told) + json.dumps(result)]


def test_a_person_hears_how_each_test_went(key: BenchKey) -> None:
    """One line a test: id and what came of it, the reason where it was not run."""
    steps: list[str] = []
    told: list[str] = []
    _run(FakeBoard(steps), FakeService(steps), key, wifi=None, say=told.append)
    assert {"OUT-H1: steps", "WIFI-RSSI: not_run, no wifi", "MCU-FW: items", "LED-SEE: answered"} <= set(told)


def test_a_test_that_hangs_does_not_lose_the_others(key: BenchKey) -> None:
    """The board is itself again after a Ctrl-C and still has the run's key: the next test follows, and the gap is told."""
    steps: list[str] = []
    told: list[str] = []
    board = FakeBoard(steps)
    board.hangs = {"I2C-SCAN"}
    _run(board, FakeService(steps), key, say=told.append)
    assert steps.index("test WIFI-RSSI") == steps.index("test I2C-SCAN") + 1
    assert [line for line in told if "no reading" in line and line.startswith("I2C-SCAN")]


def test_a_board_that_starts_anew_in_a_test_ends_the_run(key: BenchKey) -> None:
    """Its key and readings are gone: what the part still needs cannot be made up."""
    steps: list[str] = []
    board = FakeBoard(steps)
    board.hangs = {"I2C-SCAN"}
    with pytest.raises(BoardSilent):
        _run(board, FakeService(steps), key, say=lambda text: setattr(board, "mark", None))
    assert "test WIFI-RSSI" not in steps


def test_another_sheet_at_the_service_is_refused(key: BenchKey) -> None:
    """A bench that would act on another plan than the service judges by does not begin."""
    steps: list[str] = []
    with pytest.raises(SheetDiffers):
        _run(FakeBoard(steps), FakeService(steps, opened={**OPENED, "plan": PLAN.text + "x"}), key)
    assert "begin" not in steps


def test_a_fixture_needs_its_kind(key: BenchKey) -> None:
    """Before anything is opened."""
    with pytest.raises(RequestInvalid, match="kind:serial"):
        _run(FakeBoard([]), FakeService([]), key, fixtures=["TP4-0007"])


def test_the_board_is_found_under_another_port_name(key: BenchKey) -> None:
    """Ports change their names; the module's id does not."""
    steps: list[str] = []
    board = FakeBoard(steps)
    assert board.port == PORT
    _run(board, FakeService(steps), key)
    assert board.port == OTHER


def test_a_board_that_is_swapped_while_unplugged_is_not_taken(key: BenchKey) -> None:
    """The module that comes back must be the one that was there; no key goes to another."""
    steps: list[str] = []
    board = FakeBoard(steps)
    plug = board.plug

    def swapped(there: bool) -> None:
        plug(there)
        board.module = "e66000000000000f"

    board.plug = swapped  # type: ignore[method-assign]
    with pytest.raises(BoardAnother, match="e66000000000000f"):
        _run(board, FakeService(steps), key)
    assert "begin" not in steps
