"""Procedures and runner, carried out on a toy board: order of steps, whole numbers, rest at the end, nothing lost."""

import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.procedures import PROCEDURES

AGENT = Path(__file__).resolve().parents[1] / "agent"
SHEET = catalogue.find("tarn-b")
BOARD_TESTS = [
    test for part in json.loads(plan_for(SHEET, "first").text)["parts"] for test in part if test["p"] in PROCEDURES
]


class ToyClock:
    """Time that passes only by sleeping, in microseconds."""

    def __init__(self) -> None:
        self.us = 0

    def ticks_ms(self) -> int:
        return self.us // 1000

    def ticks_diff(self, later: int, earlier: int) -> int:
        return later - earlier

    def sleep_ms(self, ms: int) -> None:
        self.us += ms * 1000

    def sleep_us(self, us: int) -> None:
        self.us += us


class ToyBoard:
    """Pins that read what drives or pulls them; each channel of the multiplexer reads 100 times its number."""

    def __init__(self) -> None:
        self.state: dict[str, int] = {}
        self.log: list[tuple[Any, ...]] = []

    def out(self, port: str, level: int) -> None:
        self.state[port] = level
        self.log.append(("out", port, level))

    def pull(self, port: str, direction: str | None) -> None:
        self.state[port] = int(direction == "up")
        self.log.append(("pull", port, direction))

    def level(self, port: str) -> int:
        return self.state.get(port, 0)

    def codes(self, port: str, n: int) -> Iterator[int]:
        channel = sum(self.state.get(f"mux{bit}", 0) << bit for bit in range(3))
        # The first conversion is what is left of the channel before.
        yield 4095
        for place in range(n - 1):
            yield 100 * channel + place % 2

    def duty(self, port: str, permille: int) -> None:
        self.log.append(("duty", port, permille))

    def rest(self) -> None:
        self.log.append(("rest",))


@pytest.fixture
def agent(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The agent's runner, with the agent on the path for this test only."""
    monkeypatch.syspath_prepend(str(AGENT))
    for name in [name for name in sys.modules if name.startswith("benchworthy_agent")]:
        monkeypatch.delitem(sys.modules, name)
    import benchworthy_agent.runner as runner

    return runner


def run(agent: ModuleType, tests: list[dict[str, Any]], hw: ToyBoard | None = None) -> list[dict[str, Any]]:
    readings: list[dict[str, Any]] = agent.run_tests(hw or ToyBoard(), ToyClock(), tests, lambda: None)
    return readings


@pytest.mark.parametrize("test", BOARD_TESTS, ids=lambda test: test["id"])
def test_a_board_reports_as_many_steps_as_the_sheet_names(agent: ModuleType, test: dict[str, Any]) -> None:
    """And each is five whole numbers that belong together."""
    (reading,) = run(agent, [test])
    assert len(reading["steps"]) == len(PROCEDURES[test["p"]].steps(test["a"]))
    for n, total, squares, least, greatest in reading["steps"]:
        assert n * least <= total <= n * greatest
        assert n * squares >= total * total


@pytest.mark.parametrize("test", BOARD_TESTS, ids=lambda test: test["id"])
def test_every_procedure_ends_at_rest(agent: ModuleType, test: dict[str, Any]) -> None:
    """The last thing done to the hardware is to bring it to rest."""
    hw = ToyBoard()
    run(agent, [test], hw)
    assert hw.log[-1] == ("rest",)


def test_a_walk_reads_masks_in_the_order_of_its_ports(agent: ModuleType) -> None:
    """Bit k is port k; each port is driven high and then low, as the service names the steps."""
    (reading,) = run(agent, [{"id": "W", "p": "walk", "a": {"ports": ["a", "b", "c"], "off": ["e"]}}])
    assert [step[1] for step in reading["steps"]] == [0b111, 0, 0b001, 0b110, 0b010, 0b101, 0b100, 0b011]


def test_a_walk_holds_the_enables_low_from_first_to_last(agent: ModuleType) -> None:
    """They are driven low once, before anything else, and not touched again until rest."""
    hw = ToyBoard()
    run(agent, [{"id": "W", "p": "walk", "a": {"ports": ["a", "b"], "off": ["e"]}}], hw)
    assert hw.log[0] == ("out", "e", 0)
    assert [entry for entry in hw.log if "e" in entry[1:]] == [("out", "e", 0)]


def test_the_first_conversion_is_thrown_away(agent: ModuleType) -> None:
    """It carries the channel before; the multiplexer stands at the channel of the step."""
    step = {"name": "x", "select": 5, "read": "common", "n": 4}
    (reading,) = run(agent, [{"id": "L", "p": "levels", "a": {"steps": [step]}}])
    assert reading["steps"] == [[4, 2002, 1002002, 500, 501]]


def test_outputs_off_drives_one_input_at_a_time(agent: ModuleType) -> None:
    """Never two high, so that a fault names its input."""
    hw = ToyBoard()
    (test,) = [test for test in BOARD_TESTS if test["id"] == "OUT-OFF"]
    run(agent, [test], hw)
    high: set[str] = set()
    for entry in hw.log:
        if entry[0] == "out" and entry[1].startswith("in"):
            high = high | {entry[1]} if entry[2] else high - {entry[1]}
            assert len(high) <= 1


def test_an_error_in_one_check_keeps_the_others(agent: ModuleType) -> None:
    """It is reported in its own place, in at most 64 characters."""
    good = {"id": "G", "p": "idle", "a": {"ports": ["a"], "pull": "up", "ms": 20, "every_ms": 2}}
    bad = {"id": "B", "p": "x" * 100, "a": {}}
    torn = {"id": "T", "p": "levels", "a": {}}
    first, second, third, fourth = run(agent, [good, bad, torn, good])
    assert first["steps"] == fourth["steps"] == [[10, 10, 10, 1, 1]]
    assert second["error"].startswith("ValueError: unknown procedure x")
    assert len(second["error"]) == 64
    assert "KeyError" in third["error"]


def test_heartbeats_are_at_most_two_seconds_apart(agent: ModuleType) -> None:
    """Also while a check waits."""
    clock, beats = ToyClock(), []
    step = {"name": "a", "read": "s1", "n": 1}
    slow = {"dac": "dac", "settle_ms": 5500, "steps": [{**step, "duty": 0}, {**step, "duty": 500}]}
    agent.run_tests(ToyBoard(), clock, [{"id": "R", "p": "ratio", "a": slow}], lambda: beats.append(clock.ticks_ms()))
    assert clock.ticks_ms() >= 11000
    assert max(b - a for a, b in zip([0, *beats], [*beats, clock.ticks_ms()], strict=True)) <= 2000


def test_only_the_files_of_board_families_import_machine() -> None:
    """So that the rest runs anywhere, and a new family of modules is one file."""
    importing = re.compile(r"^\s*(import|from) machine\b", re.MULTILINE)
    package = AGENT / "benchworthy_agent"
    users = {path.parent.name for path in package.rglob("*.py") if importing.search(path.read_text())}
    assert users == {"boards"}
    assert not importing.search((AGENT / "main.py").read_text())
