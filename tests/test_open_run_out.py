"""An out counts from the moment it arrives: leaving the run open, or letting it expire, does not make it go away."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from benchworthy.bench import portlist
from benchworthy.bench.client import Service
from benchworthy.bench.reach import Reach
from benchworthy.bench.session import run_board
from benchworthy.virtual.board import VirtualBoard
from benchworthy.virtual.operator import VirtualOperator
from services import reports
from services.micropython import interpreter
from services.service import Trial, running, trial

SAGGING = reports.scaled("PWR-V5", "rail", 0.9)  # 4.5 V where 4.8 V is the least


def leave_an_out(made: Trial, serial: str) -> str:
    """A run in which the 5 V rail came out, and which nobody closes."""
    opened = made.open(serial)
    made.deliver(reports.part_with(opened, serial, reports.place(opened, "PWR-V5"), SAGGING))
    told = {test["test"]: test["verdict"] for test in made.get(f"/runs/{opened['run']}")["tests"]}
    assert told["PWR-V5"] == "out" and set(told.values()) == {"out", "in limits"}
    return str(opened["run"])


@pytest.mark.parametrize("hours", [0, 9], ids=["still open", "expired"])
def test_an_out_in_a_run_that_nobody_closed_blocks_until_three_complete_runs_without_it(tmp_path: Path, hours: int) -> None:
    """The bad run is dropped and a good one is made; that alone does not certify, three do."""
    with trial(tmp_path) as made:
        serial = made.enrol("OUT001")["serial"]
        bad = leave_an_out(made, serial)
        made.clock.ahead = timedelta(hours=hours)
        for wanted in (2, 1):
            good = made.whole_run(serial)
            assert (good["complete"], good["verdict"]) == (True, "in limits")
            refused = made.certify(serial, good["run"]).json
            assert [item["code"] for item in refused["unmet"]] == ["out-unexplained"], refused
            (unmet,) = refused["unmet"]
            assert unmet["evidence"] == bad and "PWR-V5" in unmet["what"] and f"{wanted} more" in unmet["next"]
            assert not made.get(f"/boards/{serial}/fitness")["fit"]
        made.whole_run(serial)
        assert made.certify(serial).status_code == 201
        assert made.get(f"/boards/{serial}/fitness")["fit"]


def test_incomplete_runs_explain_no_out(tmp_path: Path) -> None:
    """Three runs that leave out the inspector are no three complete runs."""
    with trial(tmp_path) as made:
        serial = made.enrol("OUT002")["serial"]
        leave_an_out(made, serial)
        for _ in range(3):
            opened = made.open(serial)
            made.deliver_all(opened, serial)
            made.post(f"/runs/{opened['run']}/close", {})
        assert "out-unexplained" in made.unmet(serial, made.whole_run(serial)["run"])


def test_an_out_in_an_open_run_takes_the_fitness_of_a_certified_board(tmp_path: Path) -> None:
    """A certificate in force is no answer to what was seen after it."""
    with trial(tmp_path) as made:
        serial = made.enrol("OUT003")["serial"]
        made.whole_run(serial)
        assert made.certify(serial).status_code == 201
        leave_an_out(made, serial)
        fitness = made.get(f"/boards/{serial}/fitness")
        assert (fitness["fit"], fitness["answer"]) == (False, "fails")
        assert "out-unexplained" in [item["code"] for item in fitness["unmet"]]
        due = (made.clock() + timedelta(days=3)).isoformat()
        refused = made.ask("POST", f"/boards/{serial}/loans", {"borrower": "B-1", "due": due}, "desk")
        assert (refused.status_code, refused.json["code"]) == (409, "loan-refused")


def test_a_lamp_that_stays_dark_is_asked_about_twice_and_then_out(tmp_path: Path) -> None:
    """Real MicroPython on a virtual board whose D6 is open; the person sees nothing, whatever was drawn."""
    interpreter()
    with running(tmp_path) as world:
        serial = world.enrol("DARK01")["serial"]
        made, flash = world.trial, tmp_path / "flash"
        flash.mkdir()
        after_first: list[dict[str, Any]] = []

        def overhear(text: str) -> None:
            if "LED-SEE" in text and "once more" in text:
                (run,) = (entry["facts"]["run"] for entry in history(made, serial) if entry["kind"] == "run-opened")
                after_first.append(made.get(f"/runs/{run}"))

        made.have_fixtures()
        sheet = reports.SHEET
        ports = tmp_path / "ports"
        board = VirtualBoard(
            sheet.parts, sheet.conditions, sheet.fixtures, 1, reports.MODULE, serial, flash, reports.PLUG, ports_dir=ports
        )
        board.inject("D6=open")
        board.hands.attach("jack")
        with board:
            person = VirtualOperator(board.perceived, board.hands, label=serial)
            tester = Service(world.url, made.secrets["tester"])
            reach = Reach(str(ports / reports.MODULE), lambda: portlist.listed(ports))
            done = run_board(
                reach, tester, made.bench, person, serial, "full", "mqtt", reports.FIXTURES, without=("wifi",), say=overhear
            )
        (seen,) = after_first
        assert ("second-draw", "LED-SEE") in [(need["code"], need["test"]) for need in seen["still_needed"]]
        assert "LED-SEE" not in [test["test"] for test in seen["tests"]]
        (told,) = (test for test in done["state"]["tests"] if test["test"] == "LED-SEE")
        assert told["verdict"] == "out" and told["draws"] == ["draw 1: answered 0", "draw 2: answered 0"]
        assert "second-draw" not in [need["code"] for need in done["state"]["still_needed"]]
        assert "drawn-again" in [entry["kind"] for entry in history(made, serial)]
        assert not done["state"]["closed_at"]
        assert "out-unexplained" in made.unmet(serial, made.whole_run(serial)["run"])


def history(made: Trial, serial: str) -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = made.get(f"/boards/{serial}/history")["entries"]
    return entries
