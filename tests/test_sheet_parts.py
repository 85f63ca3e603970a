"""What follows from the Tarn's sheet: signed parts in the order of the phases, the plan, and what a board may do alone."""

import hashlib
import json

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import parts_of
from benchworthy.reports.report import Author


def test_the_coverage_is_told_against_the_catalogue() -> None:
    """Every certificate says how much of the trade's catalogue the sheet tests."""
    sheet = catalogue.find("tarn-b")
    assert sheet.coverage == f"{len(sheet.tests)} of the 62 tests of the catalogue"


def test_every_test_of_a_set_has_its_place_in_a_part_or_a_person() -> None:
    """Board and bench tests stand in exactly one part, whatever the set."""
    sheet = catalogue.find("tarn-b")
    for name in sheet.sets:
        placed = [test for part in parts_of(sheet, name) for test in part.tests]
        signed = [test.id for test in sheet.tests_of(name) if test.author in (Author.BOARD, Author.BENCH)]
        assert sorted(placed) == sorted(signed)


@pytest.mark.parametrize("name", ["quick", "plug", "renewal", "full"])
def test_parts_follow_the_phases_and_each_report_has_room(name: str) -> None:
    """What must see an empty board comes first; 42 bytes a step and at most 2,200 bytes of readings a part."""
    sheet = catalogue.find("tarn-b")
    order = [phase.name for phase in sheet.phases]
    board = [part for part in parts_of(sheet, name) if part.author is Author.BOARD]
    assert [part.number for part in board] == list(range(1, len(board) + 1))
    assert [order.index(part.phase) for part in board] == sorted(order.index(part.phase) for part in board)
    assert board[0].phase == "bare" and board[0].fixtures == ()
    for part in board:
        assert {sheet.tests[test].phase for test in part.tests} == {part.phase}
        assert sum(26 + len(test) + 42 * max(1, len(sheet.tests[test].steps)) for test in part.tests) <= 2200


def test_a_phase_has_only_the_fixtures_that_the_set_needs() -> None:
    """Nobody fits a plug for a set that does not use it."""
    sheet = catalogue.find("tarn-b")
    assert {part.fixtures for part in parts_of(sheet, "quick")} == {()}
    by_phase = {part.phase: part.fixtures for part in parts_of(sheet, "full") if part.author is Author.BOARD}
    assert by_phase == {
        "bare": (), "ports": ("TP-4",), "loads": ("TP-4", "L-2"), "rig": ("TP-4", "M-1"), "jack-out": ()
    }  # fmt: skip


def test_the_file_list_has_a_part_of_its_own() -> None:
    """It is the longest thing a bench reports."""
    bench = [part for part in parts_of(catalogue.find("tarn-b"), "full") if part.author is Author.BENCH]
    assert [part.tests for part in bench if "MCU-FW" in part.tests] == [("MCU-FW",)]
    assert len(bench) == 2


def test_a_plan_is_one_line_for_the_ports_and_one_for_each_test_of_the_board() -> None:
    """Named by the hash of its bytes; no line is longer than a board with little memory can hold."""
    sheet = catalogue.find("tarn-b")
    plan = plan_for(sheet, "plug")
    head, *lines = [json.loads(line) for line in plan.text.splitlines()]
    assert plan.text.endswith("\n") and hashlib.sha256(plan.text.encode()).hexdigest()[:32] == plan.hash
    assert (head["v"], head["design"], head["set"]) == (2, "tarn-b", "plug")
    assert head["ports"]["en1"] == [12, "out", 0] and head["ports"]["die"] == [4, "die", None]
    planned = [(part.number, test) for part in parts_of(sheet, "plug") if part.author is Author.BOARD for test in part.tests]
    assert [(line["part"], line["id"]) for line in lines] == planned
    stall = next(line for line in lines if line["id"] == "OUT-STALL")
    assert stall["p"] == "stall" and stall["n"] == ["M-1", "jack"] and stall["a"]["ms"] == 300
    assert max(len(line) for line in plan.text.splitlines()) < 1200
    assert all(line == json.dumps(json.loads(line), sort_keys=True, separators=(",", ":")) for line in plan.text.splitlines())


def test_what_a_board_does_alone_drives_nothing_and_needs_no_fixture() -> None:
    """A board in the field may have anything plugged in and anybody's fingers near."""
    sheet = catalogue.find("tarn-b")
    alone = sheet.tests_of("field")
    assert alone and all(test.author is Author.BOARD and not test.needs and not test.action for test in alone)
    assert not {test.procedure for test in alone} & {"walk", "outputs_off", "follows", "currents", "stall", "coast", "turn"}


def test_every_drive_names_its_hazard_and_ends_within_its_limit() -> None:
    """300 ms, with the rig's motor 2 s."""
    sheet = catalogue.find("tarn-b")
    drives = [test for test in sheet.tests.values() if PROCEDURES[test.procedure].pulse_ms]
    assert {test.procedure for test in drives} == {"follows", "currents", "duties", "droop", "stall", "coast", "turn"}
    for test in drives:
        assert test.hazard and 0 < test.parameters["ms"] <= (2000 if test.procedure in ("coast", "turn") else 300), test.id


def test_files_that_may_change_are_found_by_name_or_by_folder() -> None:
    """One level deep, and no other file."""
    sheet = catalogue.find("tarn-b")
    told = {
        path: sheet.state_limit(path) for path in ("state.json", "spool/0001", "spool/a/b", "spool", "spool/", "x/state.json")
    }
    assert told == {
        "state.json": 512, "spool/0001": 4096, "spool/a/b": None, "spool": None, "spool/": None, "x/state.json": None
    }  # fmt: skip
