"""The bench drives a real MicroPython 1.9 in 9 kB of heap: every test runs, or is not run for the emulator's own reason."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest

from benchworthy.bench import kinds, snippets
from benchworthy.bench.evidence import file_items
from benchworthy.bench.transport import BoardLink
from benchworthy.designs import catalogue
from benchworthy.designs.agent_release import NO_AGENT
from benchworthy.designs.plan import plan_for
from benchworthy.judging.decision import Verdict
from benchworthy.judging.tests import Expected, Outcome, judge_reading
from benchworthy.reports.report import Author, Reading, Step
from services import emulated_table as people
from services.emulated_board import MADE_UP_CONVERTER, NO_CONVERTER, EmulatedBoard, emulated, missing

pytestmark = [pytest.mark.real_time, pytest.mark.skipif(missing() is not None, reason=f"{missing()} is not installed")]

SHEET = catalogue.find("beck-a")
PLAN = plan_for(SHEET, "full").text.splitlines()
PORTS = json.loads(PLAN[0])["ports"]
LINES = {json.loads(line)["id"]: line for line in PLAN[1:]}
MODULE = "0300000078563412"
LAMP3, SDA = PORTS["lamp3"][0], PORTS["sda"][0]

# Of the 34 tests: the verdict on the emulated board, or why it is not run there.
IN, OUT = Verdict.IN_LIMITS, Verdict.OUT
ON_THE_EMULATOR: dict[str, Verdict | str] = {
    **dict.fromkeys(("MCU-HEAP", "MCU-FS", "MCU-RST", "GPIO-WALK", "KEY-IDLE", "I2C-IDLE", "I2C-CLEAR"), IN),
    "I2C-SCAN": OUT,  # every address answers there
    "I2C-RW": OUT,  # and what answers holds no memory with a check sum
    **dict.fromkeys(("MCU-TEMP", "PWR-V33S", "ADC-NOISE", "OUT-OFF", "SNS-OPEN", "SNS-S1", "SNS-S2", "SNS-S3"), NO_CONVERTER),
    **dict.fromkeys(("OUT-I1", "OUT-P1"), NO_CONVERTER),  # asked before anything is driven
}
ELSEWHERE = {
    **dict.fromkeys(("USB-LOOP", "MCU-ID", "MCU-FW", "MCU-CLK", "KEY-PRESS"), "below, one by one"),
    **dict.fromkeys(("LED-SEE", "TONE-HEAR", "OUT-DIR1"), "below, seen from outside"),
    **dict.fromkeys(("USB-ENUM", "USB-WIGGLE"), "the bench alone, in the whole run"),
    **dict.fromkeys(("VIS-INSP", "PRE-COLD", "PWR-DMM33", "PWR-LED", "VIS-SHORT"), "people alone, in the whole run"),
}


@dataclass
class Bench:
    """A bench with the board's link open."""

    board: EmulatedBoard
    link: BoardLink

    def reading(self, test: str, **changes: Any) -> dict[str, Any]:
        line = json.loads(LINES[test])
        line["a"] |= changes
        return snippets.reading(self.link, json.dumps(line), PORTS)

    def outcome(self, test: str, **changes: Any) -> Outcome:
        return judged(self.reading(test, **changes))


def judged(reading: dict[str, Any]) -> Outcome:
    """A reading as the service judges it."""
    steps = tuple(Step(*step) for step in reading["steps"]) if "steps" in reading else None
    read = Reading(reading["test"], steps=steps, not_run=reading.get("not_run"), error=reading.get("error"))
    return judge_reading(SHEET, SHEET.tests[read.test], read, Expected(MODULE, NO_AGENT))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """One emulated board for this file, met and marked."""
    with emulated(tmp_path_factory.mktemp("e")) as board, people.link_to(board) as link:
        assert kinds.identity(link).module == MODULE
        snippets.begin(link)
        yield Bench(board, link)


def test_every_test_of_the_catalogue_is_accounted_for() -> None:
    """34 tests: in this table, by themselves below, or in the whole run."""
    assert set(ON_THE_EMULATOR) | set(ELSEWHERE) == set(SHEET.tests)
    assert not set(ON_THE_EMULATOR) & set(ELSEWHERE)


@pytest.mark.parametrize("test", sorted(ON_THE_EMULATOR))
def test_a_test_runs_or_says_why_not(bench: Bench, test: str) -> None:
    """Judged as the service does it; what the emulator lacks is not run, never in limits and never zero."""
    wanted, outcome = ON_THE_EMULATOR[test], bench.outcome(test)
    if isinstance(wanted, Verdict):
        assert outcome.verdict is wanted, outcome.sentence
    else:
        assert outcome.verdict is Verdict.NOT_RUN and wanted in outcome.sentence


def test_the_bus_scan_comes_out_as_every_address_answers(bench: Bench) -> None:
    """112 of them, from 8 to 119."""
    values = {q.name: q.value for q in bench.outcome("I2C-SCAN").quantities}
    assert values == {"addresses that answer": 112, "lowest address": 8, "highest address": 119}


@pytest.mark.parametrize("level", [0, 1])
def test_a_pin_held_from_outside_is_named_by_the_walk(bench: Bench, level: int) -> None:
    """A bridge to ground or to the rail, which no program on the board can see otherwise."""
    bench.board.inject(LAMP3, level)
    try:
        outcome = bench.outcome("GPIO-WALK")
    finally:
        bench.board.inject(LAMP3, None)
    assert outcome.verdict is OUT and "lamp3" in outcome.sentence and "lamp2," not in outcome.sentence
    assert bench.outcome("GPIO-WALK").verdict is IN


def test_a_jammed_key_turns_its_own_test_out(bench: Bench) -> None:
    """And the walk, which drives the same pin; nothing else."""
    bench.board.inject(people.KEY, 0)
    try:
        found = {name: bench.outcome(name).verdict for name in ("KEY-IDLE", "GPIO-WALK", "I2C-IDLE")}
    finally:
        bench.board.inject(people.KEY, None)
    assert found == {"KEY-IDLE": OUT, "GPIO-WALK": OUT, "I2C-IDLE": IN}


def test_a_bus_line_held_low_is_told_and_cannot_be_set_free(bench: Bench) -> None:
    """Nine clocks do not help against a bridge."""
    bench.board.inject(SDA, 0)
    try:
        idle, clear = bench.outcome("I2C-IDLE"), bench.outcome("I2C-CLEAR")
    finally:
        bench.board.inject(SDA, None)
    assert idle.verdict is OUT and [q.value for q in idle.quantities] == [0, 1]
    assert clear.verdict is OUT and clear.quantities[0].value == 10


def test_presses_are_counted_and_their_bounce_is_measured(bench: Bench) -> None:
    """Five touches from outside, each opening again four times; how fast depends on this machine."""
    operator = people.EmulatedOperator(bench.board, "X", bounces=4)
    operator.act("press-key", "")
    reading = bench.reading("KEY-PRESS", ms=8000)
    (n, _, _, _, longest), presses = reading["steps"]
    assert (n, presses[1]) == (5, 5) and 50 < longest < 100_000


def test_without_presses_the_test_ends_by_itself(bench: Bench) -> None:
    """One 0 for the bounce, no press."""
    assert bench.reading("KEY-PRESS", ms=300)["steps"] == [[1, 0, 0, 0, 0], [1, 0, 0, 0, 0]]


def test_the_echo_is_whole(bench: Bench) -> None:
    """The emulated line is slower than a real one, so its speed is not asserted."""
    echoed = snippets.echo(bench.link, 1536)
    assert echoed.errors == 0 and echoed.bytes_per_s > 0


def test_the_clock_is_stamped_from_both_sides(bench: Bench) -> None:
    """The emulated clock is the host's own, so both agree as well as stamps over this wire can."""
    board_us, host_us = snippets.clock(bench.link, 1)
    assert host_us > 1_000_000 and abs(board_us - host_us) < 20_000


def test_files_are_read_back_and_hashed_here(bench: Bench) -> None:
    """A borrower's program with every byte value in it; a clean board holds nothing."""
    assert kinds.files(bench.link, small=True) == {}
    bench.link.call("f=open('mine.py','wb')\nf.write(bytes(range(256)))\nf.close()", 5.0)
    try:
        found = kinds.files(bench.link, small=True)
    finally:
        bench.link.call("import os\nos.remove('mine.py')", 5.0)
    assert {path: (file.size, file.sha256) for path, file in found.items()} == {
        "mine.py": (256, hashlib.sha256(bytes(range(256))).hexdigest())
    }
    for files, verdict in (({}, IN), (found, OUT)):
        read = Reading("MCU-FW", items=file_items(files, NO_AGENT, SHEET.state_limit))
        judged_so = judge_reading(SHEET, SHEET.tests["MCU-FW"], read, Expected(MODULE, NO_AGENT))
        assert judged_so.verdict is verdict and ("mine.py" in judged_so.sentence) == (verdict is OUT)


def test_a_person_sees_which_lamp_goes_out(bench: Bench) -> None:
    """By the pins, from outside the firmware; a lamp that never lit is 0."""
    which = 6
    shown = {"p": "dark", "a": {"ports": SHEET.tests["LED-SEE"].parameters["ports"], "count": which}}
    operator = people.EmulatedOperator(bench.board, "X")
    assert operator.watch("dark", "", lambda: snippets.show(bench.link, PORTS, shown)) == str(which)
    assert people.went_out([(0.0, 0), (1.0, 0b111110000), (2.0, 0b011110000)]) == "0" and bench.board.driven() == 0


def test_a_person_counts_how_often_a_lamp_blinks(bench: Bench) -> None:
    """Beck's sheet has no such test; another small board's may."""
    shown = {"p": "blink", "a": {"port": "lamp2", "count": 2}}
    seen = people.Watcher(bench.board).during(lambda: snippets.show(bench.link, PORTS, shown))
    lit = [mask >> PORTS["lamp2"][0] & 1 for _, mask in seen]
    assert lit.count(1) == 2 and lit[-1] == 0


@pytest.mark.parametrize("pattern", ["rising", "long-long", "dot-dash-dot"])
def test_a_person_hears_which_pattern_it_was(bench: Bench, pattern: str) -> None:
    """By what the sounder's pin does; asked once more, as a person may be, since this machine may be busy."""
    shown = {"p": "tone", "a": {"port": "sounder", "pattern": pattern}}
    operator = people.EmulatedOperator(bench.board, "X")
    assert any(operator.watch("tone", "", lambda: snippets.show(bench.link, PORTS, shown)) == pattern for _ in range(2))


def test_a_person_sees_the_output_turn_in_its_order(bench: Bench) -> None:
    """And it is low afterwards."""
    a = {"enable": "m1", "a": "m1", "b": "m1", "order": ["forward", "off"], "ms": 200}
    operator = people.EmulatedOperator(bench.board, "X")
    seen = operator.watch("turn", "", lambda: snippets.show(bench.link, PORTS, {"p": "turn", "a": a}))
    assert seen == "forward off" and bench.board.driven() == 0


def test_a_current_is_measured_while_the_output_is_on_and_not_longer(bench: Bench) -> None:
    """With a converter made up for this test; the pulse is seen from outside and ends by itself."""
    bench.link.call(MADE_UP_CONVERTER, 5.0)
    try:
        found: list[dict[str, Any]] = []
        seen = people.Watcher(bench.board).during(lambda: found.append(bench.reading("OUT-I1")))
    finally:
        bench.link.call("import beck as B\ndel B.code", 5.0)
    assert "steps" in found[0], found[0]
    base, on = found[0]["steps"]
    assert (base[3], base[4], on[3], on[4]) == (20, 20, 500, 500) and base[0] == on[0] == 16
    assert [mask >> people.M1 & 1 for _, mask in seen][-1] == 0 and any(mask >> people.M1 & 1 for _, mask in seen)


def test_what_the_code_itself_raises_is_an_error_of_that_test_alone(bench: Bench) -> None:
    """The next test runs as if nothing had been."""
    bench.link.call("import beck as B\ndef f(p):raise OSError(5)\nB.code=f", 5.0)
    try:
        reading = bench.reading("PWR-V33S")
    finally:
        bench.link.call("import beck as B\ndef f(p):raise B.NotHere('gone')\nB.code=f", 5.0)
    assert "OSError" in reading["error"]
    assert bench.reading("PWR-V33S")["not_run"] == "gone"


def test_every_piece_of_code_is_short_and_the_bench_knows_every_procedure() -> None:
    """1,200 characters at most, so that a heap of 9 kB can hold and parse it."""
    driven = {t.procedure for t in SHEET.tests_of("full", Author.BENCH) if t.id in LINES}
    assert driven == {json.loads(line)["p"] for line in LINES.values()}
    said: list[str] = []

    class Mute:
        port = "nowhere"

        def call(self, text: str, *_: Any) -> list[str]:
            said.append(text)
            return []

        def reply(self, text: str) -> None: ...

    for line in LINES.values():
        told = json.loads(line)
        with pytest.raises(Exception, match="arrive whole"):
            snippets.reading(Mute(), json.dumps(told), PORTS)
    assert max(map(len, said)) < 700
