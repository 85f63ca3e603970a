"""A backlog of reports is worked off while boards report live, and a board that reports now does not wait for its end."""

import asyncio
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from benchmarks.backlog import TESTS, Drained, measure, percentile
from benchworthy.intake.overtaking import Arrival, Overtaking
from services.field_boards import FieldBoard, numbered
from services.mosquitto import Mosquitto, running_mosquitto, until
from services.service import Trial, trial
from test_forgeries import listening

WAITING, SHORT = 600, TESTS[:2]
NOW = "benchworthy-listener-trial-now"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path / "data") as started:
        yield started


@contextmanager
def broker_with(made: Trial, folder: Path, count: int) -> Iterator[tuple[Mosquitto, list[FieldBoard]]]:
    """A broker that knows the boards, and the session of a listener that was there once."""
    with running_mosquitto(folder, {}) as broker:
        enrolled = [made.enrol(f"LATE{n:02}") for n in range(count)]
        broker.boards.update({board["serial"]: board["broker_password"] for board in enrolled})
        broker.reload()
        with listening(made, broker):
            assert until(lambda: "benchworthy-listener-trial" in broker.log(), 20)
            until(lambda: False, 0.5)  # its subscription stands
        yield (
            broker,
            [FieldBoard(b["serial"], b["broker_password"], numbered(b["serial"], b["field_key"], SHORT)) for b in enrolled],
        )


async def leave(boards: Sequence[FieldBoard], port: int) -> None:
    """Each board hands its share over while nobody listens."""
    for board in boards:
        await board.connect(port)
        for number in range(1, WAITING // len(boards) + 1):
            await board.publish(number)
        board.close()


async def live(board: FieldBoard, made: Trial, port: int) -> list[int]:
    """How many reports of all were on record when each live receipt came."""
    await board.connect(port)
    seen = []
    for number in range(1, 6):
        await board.deliver(number)
        seen.append(made.rows()["evidence"])
    board.close()
    return seen


def test_a_board_that_reports_now_is_answered_before_the_backlog_is_over(made: Trial, tmp_path: Path) -> None:
    """What waited in the broker and what came meanwhile are all on record, once, and receipted once."""
    with broker_with(made, tmp_path, 4) as (broker, boards):
        asyncio.run(leave(boards[1:], broker.port))
        with listening(made, broker):
            assert until(lambda: NOW in broker.log(), 30)
            seen = asyncio.run(live(boards[0], made, broker.port))
            assert seen[-1] < WAITING, seen
            assert until(lambda: made.rows()["evidence"] == WAITING + 5, 120), made.rows()
            until(lambda: False, 0.5)
        rows = made.rows()
        assert (rows["evidence"], rows["outbox"], rows["refusals"]) == (WAITING + 5, WAITING + 5, 0)


def test_the_second_connection_ends_with_the_backlog(made: Trial, tmp_path: Path) -> None:
    """At once when the first one meets what the second one took, else after a while without anything."""
    with broker_with(made, tmp_path, 1) as (broker, (board,)), listening(made, broker):
        assert until(lambda: NOW in broker.log(), 30)
        assert until(lambda: "disconnected" in broker.log().rpartition(NOW)[2], 20), broker.log()
        asyncio.run(live(board, made, broker.port))
        assert made.rows()["evidence"] == made.rows()["outbox"] == 5


def arrival(payload: bytes) -> Arrival:
    message = paho.MQTTMessage()
    message.payload = payload
    return Arrival(paho.Client(paho.CallbackAPIVersion.VERSION2), message)


def test_what_was_taken_in_ahead_is_passed_over_once() -> None:
    """The same bytes a second time are a report that was seen, and get their receipt as ever."""
    overtaking = Overtaking(None, "trial", "topic", 5)  # type: ignore[arg-type]  # never connected here
    assert not overtaking.has_taken(arrival(b"one"))
    overtaking.took([arrival(b"one"), arrival(b"two")])
    assert overtaking.has_taken(arrival(b"one")) and not overtaking.has_taken(arrival(b"one"))
    overtaking.rest(1.0)
    assert overtaking.has_taken(arrival(b"two"))
    assert not overtaking.has_taken(arrival(b"two"))


@pytest.mark.long
def test_ten_to_the_fifth_drain_within_ten_minutes_and_live_receipts_come_within_a_second(tmp_path: Path) -> None:
    """Boards in step with their receipts, as the agent is; the whole service in processes of its own."""
    told: Drained = measure(tmp_path, 100_000, 100)
    assert told.seconds < 600 and percentile(told.live, 99) < 1 and percentile(told.http, 99) < 1, told.rate
