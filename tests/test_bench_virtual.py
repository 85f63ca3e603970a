"""Whole runs at the bench with nothing replaced but the table: service, HTTP, serial port, MicroPython, agent, circuit."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench_hands import FIXTURES, MODULE, SHEET, Bench, bench, verdicts
from benchworthy.bench.table import drives
from benchworthy.bench.transport import BoardLink
from benchworthy.designs import agent_release
from benchworthy.errors import BenchFailure, BoardLost, PortAbsent

WITHOUT_BROKER = {"WIFI-LINK"}


@pytest.fixture
def table(tmp_path: Path) -> Iterator[Bench]:
    """A sound board."""
    with bench(tmp_path) as made:
        yield made


def test_a_sound_board_goes_through_the_plug_set(table: Bench) -> None:
    """Complete and in limits: every test has its reading, the agent is the approved one, the run's key is said nowhere."""
    told: list[str] = []
    done = table.run("plug", told.append)
    state = table.closed(done)
    found = verdicts(state)
    assert {test for test, verdict in found.items() if verdict != "in limits"} <= WITHOUT_BROKER
    assert set(found) == {test.id for test in SHEET.tests_of("plug")}
    assert state["complete"] and state["verdict"] == "in limits" and state["findings"] == []
    assert (done["module"], done["stand_in"]) == (MODULE, True)
    assert {path: sha for path, sha in done["files"].items() if path != "state.json"} == agent_release.current().files
    run_key = table.trial.services.derive_run_key(done["run"], _nonce(table, done["run"]))
    assert run_key not in json.dumps(done) + "".join(told)


def _nonce(table: Bench, run: str) -> str:
    with table.trial.house.database.reading() as work:
        found = work.runs.find(run)
        assert found is not None
        return found.nonce


def test_the_quick_set_needs_two_hands_and_no_fixture(table: Bench) -> None:
    """The cable out and in again, and nothing else."""
    state = table.closed(table.run("quick", fixtures=()))
    assert table.hands.did == ["pull-usb"]
    assert (state["complete"], state["verdict"]) == (True, "in limits")


def test_missing_fixtures_make_tests_not_run_and_the_run_incomplete(table: Bench) -> None:
    """Never pass, never zero; and nothing that is not there is asked for."""
    state = table.closed(table.run("plug", fixtures=FIXTURES[:1]))
    found = verdicts(state)
    assert {found["OUT-I1"], found["OUT-STALL"], found["PWR-DROOP"]} == {"not run"}
    assert found["SNS-S1"] == "in limits" and not state["complete"]
    assert "fit L-2" not in table.hands.did and "rig-held" not in table.hands.did


@pytest.mark.parametrize(("fault", "test"), [("R17=100k", "SNS-S1"), ("U6.3=open", "OUT-I1"), ("R41=open", "SV-IDLE")])
def test_a_fault_in_the_circuit_comes_out_in_its_test(tmp_path: Path, fault: str, test: str) -> None:
    """And is no error of anything else on the way."""
    with bench(tmp_path, faults=[fault]) as table:
        found = verdicts(table.closed(table.run("plug")))
    assert found[test] == "out"
    assert "error" not in found.values()


STEPS = ("Phase bare", "OUT-H1", "Board part 1", "USB-LOOP", "OUT-I1")


@pytest.mark.parametrize("step", STEPS)
def test_a_cable_pulled_after_any_step_is_bounded_and_told(table: Bench, step: str) -> None:
    """What went before is on record; the next word to the board ends the run with an error of the bench."""

    def say(text: str) -> None:
        if text.startswith(step):
            table.board.hands.detach("usb")

    begun = time.monotonic()
    with pytest.raises(BenchFailure) as fault:
        table.run("plug", say)
    assert isinstance(fault.value, BoardLost | PortAbsent) and fault.value.advice
    assert time.monotonic() - begun < 20


def test_a_board_that_hangs_in_the_middle_is_given_up(table: Bench) -> None:
    """The jack fails too: the program is gone, the port stays silent or goes away."""

    def say(text: str) -> None:
        if text.startswith("PWR-V5"):
            table.board.stop()

    begun = time.monotonic()
    with pytest.raises(BenchFailure):
        table.run("plug", say)
    assert time.monotonic() - begun < 30


def test_a_bench_that_falls_silent_lets_no_motor_run_on(table: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """No answer to the board's sign of life: every test that drives is an error of its own, and the enables are low."""
    monkeypatch.setattr(
        BoardLink, "reply", lambda self, text: None if text.strip().isdigit() else self._watch.write(text.encode())
    )
    done = table.run("plug")
    found = verdicts(done["state"])
    driven = {test.id for test in SHEET.tests_of("plug") if drives(test)}
    assert driven and {found[test] for test in driven} == {"error"}
    assert {test: found[test] for test in set(found) - driven if found[test] not in ("in limits", "not run")} == {}
    levels = {pin: level for _, pin, level in table.board.pins_log if pin in ("GP12", "GP15")}
    assert max(levels.values()) <= 0, "as they were left"


def test_a_bench_that_is_killed_leaves_a_board_that_the_next_one_can_use(table: Bench) -> None:
    """The port is free again and the board listens, whatever it was told to do last."""
    code = (
        "import sys\n"
        "from benchworthy.bench.transport import BoardLink\n"
        "with BoardLink(sys.argv[1]) as link:\n"
        "    link.call(\"print('at it')\\nwhile True: pass\", 60, lambda line: print(line, flush=True))\n"
    )
    words = [sys.executable, "-c", code, table.port]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as killed:
        assert killed.stdout is not None and killed.stdout.readline() == "at it\n"
        killed.kill()
    assert table.run("quick")["state"]["verdict"] == "in limits"
