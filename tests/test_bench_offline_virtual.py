"""An evening without the service, as a person at a console spends it: tickets, a run on a virtual board, delivery."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench_hands import Bench, bench, verdicts
from test_bench_cli import _command, _register

pytestmark = pytest.mark.real_time
NOWHERE = ("--url", "http://127.0.0.1:9")


@pytest.fixture
def table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A sound board in a folder of ports, and a bench that is registered."""
    with bench(tmp_path) as made:
        monkeypatch.setenv("BENCHWORTHY_PORTS", str(made.ports))
        monkeypatch.setenv("BENCHWORTHY_URL", made.url)
        monkeypatch.setenv("BENCHWORTHY_TOKEN", made.trial.secrets["tester"])
        monkeypatch.chdir(tmp_path)
        _register(made)
        yield made


@pytest.mark.parametrize("words", [("--offline",), NOWHERE])
def test_an_evening_without_the_service(table: Bench, words: tuple[str, ...]) -> None:
    """Measured, not judged, and said so; the next day every part is judged, and the run is like any other."""
    assert _command(table, "tickets", "fetch", "--count", "2", "--set", "quick", "--design", "tarn-b").code == 0
    before = table.trial.rows()
    said = _command(table, "test", table.serial, "--port", table.port, "--set", "quick", "--json", *words)
    assert said.code == 3, said.voice
    assert "OFFLINE" in said.voice and "measured, not judged" in said.voice and "in limits" not in said.voice
    assert ("CANNOT BE REACHED" in said.voice) == (words == NOWHERE)
    told = json.loads(said.out)
    assert table.trial.rows() == before, "the service heard nothing"
    delivered = _command(table, "deliver", "--json")
    assert delivered.code == 0, delivered.voice
    assert json.loads(delivered.out)["done"] == [told["run"]]
    state = table.trial.post(f"/runs/{told['run']}/close", {})
    assert (state["complete"], state["verdict"], state["findings"]) == (True, "in limits", [])
    assert set(verdicts(state).values()) == {"in limits"} and state["serial"] == table.serial
    reports = {item["digest"] for item in state["arrived"] if item["author"] in ("board", "bench")}
    assert reports == {report["report"] for report in told["reports"]}
    assert "nothing waits" in _command(table, "deliver").out
    assert len(json.loads(_command(table, "tickets", "show", "--json").out)["tickets"]) == 1
