"""Procedures and runner, carried out on a toy board: order of steps, whole numbers, rest at the end, nothing lost."""

import json
import re
import sys
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from agent_on_micropython.toy import ARGUMENTS, ToyBoard, ToyTime
from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import Author

AGENT = Path(__file__).resolve().parents[1] / "agent"
SHEET = catalogue.find("tarn-b")
# The echo measures no board but the way to the broker, and is carried out beside the procedures.
MEASURING = sorted(name for name, procedure in PROCEDURES.items() if Author.BOARD in procedure.authors and name != "radio_echo")
MOTOR = ["follows", "currents", "duties", "droop", "stall", "coast", "turn"]
PLANNED = [line for line in map(json.loads, plan_for(SHEET, "full").text.splitlines()[1:]) if line["p"] != "radio_echo"]


@pytest.fixture
def agent(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The agent's runner, with the agent on the path for this test only."""
    return on_cpython(monkeypatch)


def on_cpython(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(Path(__file__).with_name("agent_on_cpython")))
    monkeypatch.syspath_prepend(str(AGENT))
    for name in [name for name in sys.modules if name.startswith("benchworthy_agent")]:
        monkeypatch.delitem(sys.modules, name)
    import benchworthy_agent.drive as drive
    import benchworthy_agent.runner as runner

    # The bench always answers; that it may not is tested on real MicroPython. The runner lets go of what it used: not this.
    monkeypatch.setattr(drive, "ask", lambda clock: None)
    monkeypatch.setattr(runner, "forget", lambda: None)
    return runner


class Trial:
    """One procedure on a toy board."""

    def __init__(self, agent: ModuleType, procedure: str, more: int = 0) -> None:
        self.time = ToyTime()
        self.hw = ToyBoard(self.time, more)
        self.beats: list[int] = []
        clock = agent.Clock(self.time, lambda: self.beats.append(self.time.ticks_ms()), True)
        self.start = self.time.ticks_ms()
        line = {"id": "T", "p": procedure, "a": ARGUMENTS[procedure]}
        self.kind, self.content = agent.carry_out(self.hw, clock, line)

    def of(self, *what: str) -> list[tuple[Any, ...]]:
        return [entry for entry in self.hw.log if entry[1] in what]


def test_the_service_and_the_agent_know_the_same_procedures(agent: ModuleType) -> None:
    """Those that a board measures and those that a person watches; `find` stands in no plan."""
    known = [name for line in agent.procedures.FILES for name in line.split()[1:]]
    drawn = {test.procedure for test in SHEET.tests.values() if PROCEDURES[test.procedure].drawn}
    assert sorted(known) == sorted([*MEASURING, *drawn, "find"]) == sorted(ARGUMENTS)


@pytest.mark.parametrize("procedure", MEASURING)
def test_a_board_reports_as_many_steps_as_the_service_names(agent: ModuleType, procedure: str) -> None:
    """And each is five whole numbers that belong together."""
    trial = Trial(agent, procedure)
    assert (trial.kind, len(trial.content)) == ("steps", len(PROCEDURES[procedure].steps(ARGUMENTS[procedure])))
    for n, total, squares, least, greatest in trial.content:
        assert n * least <= total <= n * greatest
        assert n * squares >= total * total


@pytest.mark.parametrize("line", PLANNED, ids=lambda line: line["id"])
def test_every_line_of_the_tarns_plan_gives_the_steps_that_its_formulas_name(agent: ModuleType, line: dict[str, Any]) -> None:
    """With the sheet's own parameters, on the toy."""
    clock = ToyTime()
    kind, content = agent.carry_out(ToyBoard(clock), agent.Clock(clock, lambda: None, True), line)
    assert (kind, len(content)) == ("steps", len(SHEET.tests[line["id"]].steps))


@pytest.mark.parametrize("procedure", sorted(ARGUMENTS))
def test_every_procedure_that_touches_a_pin_ends_at_rest(agent: ModuleType, procedure: str) -> None:
    """Nothing is driven or pulled after it."""
    log = Trial(agent, procedure).hw.log
    assert not log or log[-1][1] == "rest"


@pytest.mark.parametrize("procedure", MOTOR)
def test_an_enable_is_high_only_inside_a_pulse_and_not_too_long(agent: ModuleType, procedure: str) -> None:
    """300 ms, or 2000 ms on the rig, and the timer stands behind it from before the first to after the last moment."""
    trial = Trial(agent, procedure)
    longest = 2000 if procedure in ("coast", "turn") else 300
    armed, high, since = False, set(), 0
    for ms, what, port, value in trial.hw.log:
        if what == "arm":
            armed = True
            assert value <= 500
        elif what == "disarm":
            assert not high, "the timer goes off while an enable is high"
            armed = False
        elif port in ("en1", "en2"):
            is_high = value[0] > 0 if what == "duty" else bool(value)
            assert armed or not is_high
            since = ms if is_high and not high else since
            high = high | {port} if is_high else high - {port}
            assert ms - since <= longest
    assert not high and not armed
    assert [entry for entry in trial.of("arm") if entry[2] == ("en1",)] or procedure == "droop"


@pytest.mark.parametrize("procedure", sorted(set(ARGUMENTS) - set(MOTOR)))
def test_no_other_procedure_ever_raises_an_enable(agent: ModuleType, procedure: str) -> None:
    """The walk and the outputs' own test hold them low."""
    for _, what, port, value in Trial(agent, procedure).hw.log:
        assert what != "arm" and not (port in ("en1", "en2") and value)


def test_a_long_pulse_renews_the_benchs_answer(agent: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that the timer, which waits half a second at most, lets it go on."""
    import benchworthy_agent.drive as drive

    asked: list[int] = []
    monkeypatch.setattr(drive, "ask", lambda clock: asked.append(clock.ticks_ms()))
    trial = Trial(agent, "coast")
    assert trial.kind == "steps"
    assert max(b - a for a, b in pairwise(asked)) <= 300
    assert len(asked) >= 1500 // 300


def test_nothing_is_driven_where_no_bench_watches(agent: ModuleType) -> None:
    """A board on its own says so, and has not touched an enable."""
    time = ToyTime()
    hw = ToyBoard(time)
    line = {"id": "T", "p": "currents", "a": ARGUMENTS["currents"]}
    assert agent.carry_out(hw, agent.Clock(time, lambda: None), line) == ("not_run", "no bench watches")
    assert not [entry for entry in hw.log if entry[2] == "en1"]


@pytest.mark.parametrize("procedure", ["currents", "droop", "coast"])
def test_a_bench_that_falls_silent_ends_the_test_as_an_error(
    agent: ModuleType, monkeypatch: pytest.MonkeyPatch, procedure: str
) -> None:
    """At the first question, and then at each later one; the enables are low and the next test goes on."""
    import benchworthy_agent.drive as drive
    from benchworthy_agent.boards import Silent

    for answers in range(4):
        left = [answers]

        def ask(clock: Any, left: list[int] = left) -> None:
            left[0] -= 1
            if left[0] < 0:
                clock.sleep_us(500_000)
                raise Silent("bench fell silent")

        monkeypatch.setattr(drive, "ask", ask)
        trial = Trial(agent, procedure)
        if trial.kind == "steps":
            assert left[0] >= 0
            continue
        assert (trial.kind, trial.content) == ("error", "bench fell silent")
        assert not trial.hw.state.get("en1") and trial.hw.log[-1][1] == "rest"
    assert Trial(agent, "idle").kind == "steps"


def test_a_pulse_that_its_timer_ended_is_an_error(agent: ModuleType) -> None:
    """What was read after the timer is no current."""
    line = {"id": "T", "p": "currents", "a": {**ARGUMENTS["currents"], "ms": 299, "n": 100, "every_us": 1000}}
    time = ToyTime()
    hw = ToyBoard(time)
    clock = agent.Clock(time, lambda: None, True)
    assert agent.carry_out(hw, clock, line) == ("error", "the pulse was ended by its timer")


def test_a_walk_reads_masks_in_the_order_of_its_ports(agent: ModuleType) -> None:
    """Bit k is port k; each port is driven high and then low, as the service names the steps."""
    trial = Trial(agent, "walk")
    assert [step[1] for step in trial.content] == [0b111, 0, 0b001, 0b110, 0b010, 0b101, 0b100, 0b011]


def test_a_walk_holds_the_enables_low_from_first_to_last(agent: ModuleType) -> None:
    """They are driven low once, before anything else, and not touched again until rest."""
    log = Trial(agent, "walk").hw.log
    assert [entry[1:] for entry in log[:2]] == [("out", "en1", 0), ("out", "en2", 0)]
    assert len([entry for entry in log if entry[2] in ("en1", "en2")]) == 2


def test_outputs_off_drives_one_input_at_a_time(agent: ModuleType) -> None:
    """Never two high, so that a fault names its input."""
    high: set[str] = set()
    for _, what, port, value in Trial(agent, "outputs_off").hw.log:
        if what == "out" and port.startswith("in"):
            high = high | {port} if value else high - {port}
            assert len(high) <= 1


def test_a_step_reads_the_channel_that_it_names(agent: ModuleType) -> None:
    """The multiplexer stands at the channel of each step."""
    base, forward, back, ref = (step[3] for step in Trial(agent, "currents").content)
    assert {base // 100, forward // 100, back // 100} == {4} and ref // 100 == 1


def test_the_plugs_dac_is_let_go_before_a_servo_pulse(agent: ModuleType) -> None:
    """GP8 and GP9 share one block and its frequency."""
    assert Trial(agent, "servo").hw.log[0][1] == "rest"


def test_find_lasts_half_a_minute_and_ends_by_itself(agent: ModuleType) -> None:
    """With light and rising chirps, the lamp and sounder alone."""
    trial = Trial(agent, "find")
    assert 30_000 <= trial.hw.log[-1][0] - trial.start < 32_000
    assert {entry[2] for entry in trial.of("out", "duty")} == {"lamp", "sounder"}
    heard = [value[1] for _, what, _, value in trial.hw.log if what == "duty"]
    assert heard[:6] == [800, 1000, 1200, 1400, 1600, 1800]


def test_each_tone_pattern_is_over_within_a_second(agent: ModuleType) -> None:
    """It is played close to the ear."""
    import benchworthy_agent.procedures.people as people

    assert {name: sum(ms for _, ms in notes) <= 1000 for name, notes in people.PATTERNS.items()} == dict.fromkeys(
        ("rising", "long-long", "dot-dash-dot"), True
    )
    pitches = {name: {hertz for hertz, _ in notes} - {0} for name, notes in people.PATTERNS.items()}
    assert pitches["long-long"] == {400} and pitches["dot-dash-dot"] == {2000} and len(pitches["rising"]) == 6


def test_an_error_in_one_check_keeps_the_others(agent: ModuleType) -> None:
    """It is reported in its own place, in at most 64 characters."""
    time = ToyTime()
    hw, clock = ToyBoard(time), agent.Clock(time, lambda: None)
    good = {"id": "G", "p": "idle", "n": [], "a": ARGUMENTS["idle"]}
    assert agent.carry_out(hw, clock, good)[0] == "steps"
    kind, text = agent.carry_out(hw, clock, {"id": "B", "p": "x" * 100, "a": {}})
    assert kind == "error" and text.startswith("ValueError: unknown procedure x") and len(text) == 64
    kind, text = agent.carry_out(hw, clock, {"id": "T", "p": "levels", "a": {}})
    assert kind == "error" and "KeyError" in text
    assert agent.carry_out(hw, clock, good)[0] == "steps"


def test_what_needs_something_absent_is_not_run_with_the_reason(agent: ModuleType) -> None:
    """And nothing is touched for it."""
    time = ToyTime()
    hw, clock = ToyBoard(time), agent.Clock(time, lambda: None, True)
    line = {"id": "C", "p": "coast", "n": ["M-1", "TP-4", "jack"], "a": ARGUMENTS["coast"]}
    assert agent.carry_out(hw, clock, line, ["wifi", "TP-4"]) == ("not_run", "no TP-4")
    assert hw.log == []


@pytest.mark.parametrize("procedure", ["ratio", "find", "turn", "presses"])
def test_heartbeats_are_at_most_two_seconds_apart(agent: ModuleType, procedure: str) -> None:
    """Also while a check waits."""
    trial = Trial(agent, procedure)
    moments = [trial.start, *trial.beats, trial.time.ticks_ms()]
    assert max(b - a for a, b in pairwise(moments)) <= 2000


def test_only_the_files_of_board_families_import_machine() -> None:
    """So that the rest runs anywhere, and a new family of modules is one file."""
    importing = re.compile(r"^\s*(import|from) (machine|rp2)\b", re.MULTILINE)
    package = AGENT / "benchworthy_agent"
    users = {path.parent.name for path in package.rglob("*.py") if importing.search(path.read_text())}
    assert users == {"boards"}
    assert not importing.search((AGENT / "main.py").read_text())


def test_what_the_agent_knows_before_any_plan_is_what_the_sheet_says(agent: ModuleType) -> None:
    """The motor enables, and what `find` lights and sounds."""
    import benchworthy_agent.boards as boards

    driven = {name for line in PLANNED for name in (line["a"].get("enable"), *line["a"].get("enables", ())) if name}
    assert sorted(boards.ENABLES) == sorted(SHEET.ports[name].pin for name in driven)
    for name, port in boards.FINDING.items():
        assert port == [SHEET.ports[name].pin, SHEET.ports[name].does, SHEET.ports[name].rest]
