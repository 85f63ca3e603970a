"""`benchworthy bench` as a person at a console uses it, with a virtual board on the table."""

import io
import json
import sys
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest

from bench_hands import MODULE, Bench, bench
from benchworthy.bench import choosing
from benchworthy.cli.main import main

LAMP, SOUNDER, MOTOR_PINS = "GP7", "GP5", {f"GP{number}" for number in range(10, 16)}


class Person(io.StringIO):
    """Standard input that reads what was asked on `voice`, does it with the board's hands, and types the answer."""

    def __init__(self, table: Bench, voice: io.StringIO) -> None:
        super().__init__()
        self._table, self._voice, self._read = table, voice, 0

    def readline(self, size: int | None = -1) -> str:
        asked = self._voice.getvalue()[self._read :]
        self._read = len(self._voice.getvalue())
        hands = self._table.board.hands
        if "Scan the board" in asked:
            return f"{self._table.serial}\n"
        if "Type clear" in asked:
            return "clear\n"
        if "Pull the USB" in asked:
            hands.detach("usb")
        elif "Plug the USB" in asked:
            hands.attach("usb")
        return "\n"


@pytest.fixture
def table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A sound board in a folder of ports, the service's address and a tester's token in the environment."""
    with bench(tmp_path) as made:
        monkeypatch.setenv("BENCHWORTHY_PORTS", str(made.ports))
        monkeypatch.setenv("BENCHWORTHY_URL", made.url)
        monkeypatch.setenv("BENCHWORTHY_TOKEN", made.trial.secrets["tester"])
        monkeypatch.chdir(tmp_path)
        yield made


@dataclass
class Said:
    """How a command ended: exit code, results, and what was said to the person."""

    code: int
    out: str
    voice: str


def _command(table: Bench, *words: str, person: bool = True) -> Said:
    """One command with a person at the console, or with nobody there."""
    out, voice = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(voice), pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdin", Person(table, voice) if person else io.StringIO(""))
        code = main(["bench", *words])
    assert "Traceback" not in voice.getvalue()
    return Said(code, out.getvalue(), voice.getvalue())


def _register(table: Bench) -> None:
    assert _command(table, "key", "--name", "Bench 2", "--token", table.trial.secrets["coordinator"]).code == 0


def test_a_quick_run_from_the_console(table: Bench) -> None:
    """Plug in, scan, pull and plug; a line for each test; the run as JSON on stdout and exit 0."""
    _register(table)
    said = _command(table, "test", table.serial, "--port", table.port, "--set", "quick", "--json")
    state = json.loads(said.out)
    assert (said.code, state["verdict"], state["complete"]) == (0, "in limits", True)
    assert "PWR-V5: steps" in said.voice


def test_without_a_port_the_board_that_is_plugged_in_is_taken(table: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench watches the ports while the plug goes in; a module on record is recognised without that."""
    _register(table)
    table.board.hands.detach("usb")
    assert _command(table, "test", table.serial, "--set", "quick").code == 0
    table.trial.post(f"/runs/{_newest_run(table)}/close", {})
    monkeypatch.setattr(choosing, "WATCH_S", 0.1)
    said = _command(table, "test", table.serial, "--set", "quick")
    assert said.code == 0 and f"Module {MODULE} is at" in said.voice, "now the record knows the module"


def _newest_run(table: Bench) -> str:
    with table.trial.house.database.reading() as work:
        return str(next(iter(work.runs.of_board(table.serial))).id)


def test_nobody_at_the_console_is_told_without_a_traceback(table: Bench) -> None:
    """Standard input closed: exit 2."""
    _register(table)
    said = _command(table, "test", table.serial, "--port", table.port, "--set", "quick", person=False)
    assert said.code == 2 and "the input ended" in said.voice


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["--port", "/dev/none"], "port-absent"),
        (["--fixture", "TP4-0007"], "request-invalid"),
        (["--set", "tomorrow"], "request-invalid"),
        (["--wifi", "nothing.json"], "file-unreadable"),
    ],
)
def test_a_users_mistake_is_one_line_with_a_code(table: Bench, words: list[str], code: str) -> None:
    """Exit 2, what was wrong, what to do."""
    _register(table)
    said = _command(table, "test", table.serial, "--port", table.port, *words)
    assert said.code == 2 and said.voice.rstrip().endswith(f"[{code}]")


def test_a_board_at_this_bench_shows_itself(table: Bench) -> None:
    """By its serial number, wherever it is plugged in; lamp and sounder, and no enable is ever driven high."""
    said = _command(table, "find", table.serial, "--port", table.port)
    assert said.code == 0 and f"{table.serial} is at {table.port}" in said.voice
    driven = {pin for _, pin, level in table.board.pins_log if level > 0}
    assert {LAMP, SOUNDER} <= driven and not driven & MOTOR_PINS


def test_the_port_of_a_virtual_board_is_listed_with_its_board(table: Bench) -> None:
    """By the link that stands for a USB port."""
    said = _command(table, "ports", "--port", table.port, "--json")
    (found,) = json.loads(said.out)
    assert (found["state"], found["board"]["module"], found["board"]["serial"]) == ("board", MODULE, table.serial)
    assert "tarn-b" in _command(table, "ports", "--port", table.port).out, "the service knows its design"
    there = _command(table, "ports", "--port", table.port, "--url", "http://127.0.0.1:9")
    assert there.code == 0 and MODULE in there.out, "and without a service the ports are told all the same"


def test_watching_tells_what_appears_when_the_board_is_plugged_in(table: Bench) -> None:
    """Only that port is looked at."""
    table.board.hands.detach("usb")
    said = _command(table, "ports", "--watch", "--json")
    assert said.code == 0 and [found["board"]["serial"] for found in json.loads(said.out)] == [table.serial]


def test_installing_on_a_virtual_board_leaves_it_fit_to_start(table: Bench) -> None:
    """After the restart main.py counts the start, and the key is in its state."""
    said = _command(table, "install", table.serial, "--port", table.port, "--restart")
    assert said.code == 0 and "After the restart: board" in said.voice
    state = json.loads((table.ports.parent / "flash" / "state.json").read_text())
    assert state["boot"] == 2 and len(state["key"]) == 64
