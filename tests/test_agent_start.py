"""What happens when a board is powered: real MicroPython runs main.py on hardware that is played."""

import json
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from agent_on_micropython.at_bench import FAKE, PORTS, flash
from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from services import micropython
from services.answering import answering
from services.mosquitto import SITE, Mosquitto, running_mosquitto, until

SHEET = catalogue.find("tarn-b")
SERIAL, KEY, PASSWORD = "TARN0001A", bytes.fromhex("ab" * 32), "board-secret"
ENABLES = (12, 15)
# Every change of a pin is printed; then main.py runs as at power-on.
POWER_ON = """\
import machine
machine._hook[0] = lambda number, high: print("pin", number, high)
exec(open("main.py").read())
print("prompt")
"""


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return flash(tmp_path / "flash")


def power_on(place: Path, code: str = POWER_ON) -> list[str]:
    return micropython.run(code, cwd=place, path=(FAKE, Path("lib"))).splitlines()


def boot(place: Path) -> int:
    counted: int = json.loads((place / "state.json").read_text())["boot"]
    return counted


def test_enables_go_low_before_anything_else_and_the_start_is_counted(board):
    assert power_on(board) == ["pin 12 False", "pin 15 False", "prompt"]
    assert boot(board) == 8


def test_a_start_is_counted_also_when_the_outputs_cannot_be_reached(board):
    said = power_on(board, POWER_ON.replace("exec(", "del machine.Pin.OUT\nexec("))
    assert said[0].startswith("start: _make_safe: AttributeError") and said[-1] == "prompt"
    assert boot(board) == 8


def test_a_broken_state_is_told_and_leads_to_the_prompt(board):
    (board / "state.json").write_text("{")
    assert power_on(board)[2:] == ["start: state.json is broken", "prompt"]
    assert boot(board) == 1


@pytest.mark.parametrize("secrets", ["", "[1]", "no JSON", "{}", '{"mqtt": null}'])
def test_secrets_that_name_no_broker_lead_to_the_prompt(board, secrets):
    (board / "secrets.json").write_text(secrets)
    said = power_on(board)
    assert said[:2] == ["pin 12 False", "pin 15 False"] and said[-1] == "prompt"
    assert not any("Traceback" in line for line in said)


def test_secrets_of_the_wrong_shape_are_told_and_lead_to_the_prompt(board):
    (board / "secrets.json").write_text('{"mqtt": {"host": "somewhere"}}')
    said = power_on(board)
    assert said == [*["pin 12 False", "pin 15 False"] * 2, "start: _serve: KeyError site", "prompt"]


def test_without_a_field_key_the_board_asks_to_be_installed(board):
    (board / "state.json").write_text(json.dumps({"serial": SERIAL, "epoch": 1, "boot": 1}))
    (board / "secrets.json").write_text('{"mqtt": {"site": "x"}}')
    assert "no field key in state.json: install the board anew" in power_on(board)[2]


def test_main_alone_without_its_agent_reaches_the_prompt(tmp_path):
    (tmp_path / "main.py").write_bytes((micropython.AGENT / "main.py").read_bytes())
    said = micropython.run('exec(open("main.py").read())\nprint("prompt")', cwd=tmp_path, path=(FAKE,))
    assert said.startswith("main.py: ImportError") and said.endswith("prompt\n")


# -- with a broker


@dataclass
class Powered:
    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)

    def read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.strip())

    def high(self) -> set[int]:
        """The pins that were driven high at some time."""
        words = [line.split() for line in self.lines if line.startswith("pin ")]
        return {int(number) for _, number, high in words if high == "True"}


@contextmanager
def powered(place: Path, broker: Mosquitto) -> Iterator[Powered]:
    access = {"site": SITE, "host": "127.0.0.1", "port": broker.port, "user": SERIAL, "password": PASSWORD}
    (place / "secrets.json").write_text(json.dumps({"wifi": None, "mqtt": access}))
    process = micropython.start(POWER_ON, cwd=place, path=(FAKE, Path("lib")))
    made = Powered(process)
    reader = Thread(target=made.read)
    with process:
        reader.start()
        try:
            yield made
        finally:
            process.kill()
            reader.join(5)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with running_mosquitto(tmp_path, {SERIAL: PASSWORD}) as running:
        yield running


def test_a_request_for_a_self_test_brings_a_reading_of_every_test_of_the_field_set(board, broker):
    plan = plan_for(SHEET, "field")
    with answering(broker, SERIAL, KEY) as service, powered(board, broker) as on_table:
        service.ask(1, "self-test", plan.text)
        assert until(lambda: len(service.stored) == 1)
    (report,) = service.payloads()
    assert [each["test"] for each in report["readings"]] == [json.loads(line)["id"] for line in plan.text.splitlines()[1:]]
    assert not any("error" in reading for reading in report["readings"])
    named = {"serial": SERIAL, "design": "tarn-b", "plan": plan.hash, "epoch": 1, "boot": 8}
    assert {name: report[name] for name in named} == named and "run" not in report
    assert report["agent"] == {"version": agent_release.current().version, "hash": agent_release.current().hash}
    assert not on_table.high() & set(ENABLES)


def test_find_lights_and_sounds_by_itself_and_touches_no_motor(board, broker):
    lamp, sounder = PORTS["lamp"][0], PORTS["sounder"][0]
    with answering(broker, SERIAL, KEY) as service, powered(board, broker) as on_table:
        service.ask(1, "find")
        assert until(lambda: {lamp, sounder} <= on_table.high())
        service.ask(2, "self-test", plan_for(SHEET, "field").text)
        # The next request is done, so the first has ended.
        assert until(lambda: len(service.stored) == 1)
    assert not on_table.high() & set(ENABLES)


MOTOR = ("OUT-H1", "OUT-I1", "OUT-P1", "PWR-DROOP", "OUT-STALL", "OUT-COAST")


def test_a_request_never_drives_a_motor_whatever_its_plan_holds(board, broker):
    """No bench watches there: the dead-man's question finds nobody."""
    first, *lines = plan_for(SHEET, "full").text.splitlines(keepends=True)
    chosen = [line for line in lines if json.loads(line)["id"] in MOTOR]
    with answering(broker, SERIAL, KEY) as service, powered(board, broker) as on_table:
        service.ask(1, "self-test", first + "".join(chosen))
        parts = {json.loads(line)["part"] for line in chosen}
        assert until(lambda: len(service.stored) == len(parts))
    readings: list[dict[str, Any]] = [each for report in service.payloads() for each in report["readings"]]
    assert [each["test"] for each in readings] == [json.loads(line)["id"] for line in chosen]
    assert {each.get("not_run") for each in readings} == {"no bench watches"}
    assert not on_table.high() & set(ENABLES)


def test_a_plan_that_sets_an_enable_without_a_pulse_reaches_no_pin(board, broker):
    first = plan_for(SHEET, "field").text.splitlines(keepends=True)[0]
    step = {"n": 1, "name": "a", "read": "common", "select": 1, "set": {"en1": 1}}
    line = {"a": {"steps": [step]}, "id": "PWR-V33M", "n": [], "p": "levels", "part": 1}
    with answering(broker, SERIAL, KEY) as service, powered(board, broker) as on_table:
        service.ask(1, "self-test", first + json.dumps(line) + "\n")
        assert until(lambda: len(service.stored) == 1)
    assert "en1" in service.payloads()[0]["readings"][0]["error"]
    assert not on_table.high() & set(ENABLES)


def test_ctrl_c_leads_from_the_field_to_the_prompt_with_enables_low(board, broker):
    with answering(broker, SERIAL, KEY) as service, powered(board, broker) as on_table:
        assert until(lambda: service.states[-1:] == ["online"])
        on_table.process.send_signal(signal.SIGINT)
        assert on_table.process.wait(5) == 0
        assert until(lambda: service.states[-1] == "offline")
    end = on_table.lines[-4:]
    assert end == ["pin 12 False", "pin 15 False", "start: interrupted; the prompt is the bench's", "prompt"]
