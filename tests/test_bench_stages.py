"""`benchworthy bench test --stage`: boards whose later parts are missing from the circuit, and one without a module."""

import io
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from bench_hands import bench, verdicts
from benchworthy.cli.main import main
from benchworthy.designs import catalogue
from benchworthy.virtual.operator import VirtualOperator
from services.served import served
from services.service import trial

SHEET = catalogue.find("tarn-b")


@pytest.mark.parametrize("stage", [2, 3])
def test_a_half_built_board_is_in_limits_in_the_run_of_its_stage(tmp_path: Path, stage: int) -> None:
    """Every test that the bench can run with these parts alone; only the inspector's answer is still to come."""
    with bench(tmp_path, stage=stage) as table:
        operator = VirtualOperator(table.board.perceived, table.board.hands, label=table.serial)
        state = table.run(f"stage-{stage}", operator=operator)["state"]
        told = verdicts(state)
    expected = {test.id for test in SHEET.tests_of(f"stage-{stage}")} - {"VIS-INSP"}
    assert set(told) == expected
    not_good = {test: verdict for test, verdict in told.items() if verdict != "in limits"}
    assert not_good in ({}, {"WIFI-LINK": "not run"})  # there is no broker at this table, and the radio gates nothing
    assert [need["test"] for need in state["still_needed"]] == ["VIS-INSP"]


class Builder(io.StringIO):
    """Standard input that reads what was asked on `voice` and types what a sound board of the first stage gives."""

    ANSWERS = (
        ("over-range reversed", "3"),
        ("PRE-COLD", "1800"),
        ("PRE-DIODE", "0.25"),
        ("PWR-DMM5", "5,0"),
        ("PWR-DMM33", "3.3"),
    )

    def __init__(self, serial: str, voice: io.StringIO) -> None:
        super().__init__()
        self._serial, self._voice, self._read = serial, voice, 0

    def readline(self, size: int | None = -1) -> str:
        asked = self._voice.getvalue()[self._read :]
        self._read = len(self._voice.getvalue())
        if "Scan the board" in asked:
            return f"{self._serial}\n"
        last = asked.rpartition("\n")[2]
        return next((answer for words, answer in self.ANSWERS if words in last), "") + "\n"


@pytest.mark.parametrize(("design", "title", "last", "left"), [
    ("tarn-b", "Stage 1, Power entry", "PWR-DMM5", ""), ("beck-a", "Stage 1, Power and wire", "PWR-DMM33", "USB-ENUM"),
])  # fmt: skip
def test_a_board_without_a_module_is_asked_about_and_no_port_is_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, design: str, title: str, last: str, left: str
) -> None:
    """The first stage: cold tests before any supply, with what to look at said before; the rest after it."""
    out, voice = io.StringIO(), io.StringIO()
    with trial(tmp_path / "data") as made, served(made.app) as url:
        made.have_fixtures()
        serial = made.enrol("KM0002", staged=True, design=design)["serial"]
        monkeypatch.chdir(tmp_path)
        words = ["bench", "test", serial, "--stage", "1", "--fixture", "meter:MM-02", "--key", str(tmp_path / "data/bench.jwk")]
        monkeypatch.setenv("BENCHWORTHY_URL", url)
        monkeypatch.setenv("BENCHWORTHY_TOKEN", made.secrets["tester"])
        with redirect_stdout(out), redirect_stderr(voice), pytest.MonkeyPatch.context() as patch:
            patch.setattr(sys, "stdin", Builder(serial, voice))
            code = main(words)
        assert (code, "Traceback" in voice.getvalue()) == (0, False), voice.getvalue()
        said = voice.getvalue()
    order = [title, "PRE-COLD", "Now the supply", last]
    assert [said.index(word) for word in order] == sorted(said.index(word) for word in order)
    assert ("PRE-DIODE, D4" in said) is (design == "tarn-b") and "PRE-DIODE, D8" not in said
    assert "still needed: inspector" in out.getvalue()
    assert bool(left) is ("no module answers yet" in said) and left in out.getvalue()
