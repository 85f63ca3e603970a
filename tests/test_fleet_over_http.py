"""What is asked of many boards, or of much evidence, at once: counts, lists, readings, reports, failures, the work list."""

import dataclasses
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from benchworthy import desk_actions, fleet_actions
from benchworthy.acts.enrolling import Enrolment
from benchworthy.history.standing import Wanted
from benchworthy.intake import label
from services import reports
from services.desk import COUNTED, certified, in_days, refused
from services.service import Trial, trial
from test_scripts_over_http import as_csv, follow


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def serials(made: Trial, path: str) -> list[str]:
    name = path.split("?")[0].strip("/").split("/")[-1]
    return [row["serial"] for row in made.get(path)[name]]


def lent(made: Trial, body: str, days: float) -> str:
    serial = certified(made, body)
    made.post(f"/boards/{serial}/loans", {"borrower": "B-7", "due": in_days(made, days), "accessories": COUNTED}, "desk")
    return serial


def held_at_check_in(made: Trial, body: str) -> str:
    serial = lent(made, body, 7)
    made.post(f"/boards/{serial}/returns", {"scanned": serial, "accessories": COUNTED}, "desk")
    run = made.whole_run(serial, reports.scaled("PWR-V5", "rail", 0.8))
    assert made.post(f"/boards/{serial}/check-ins", {"run": run["run"]}, "desk")["outcome"] == "held"
    return serial


# ------------------------------------------------------------------------------------------------------------- counts


def late_and_lapsing(told: dict[str, Any]) -> tuple[int, int]:
    return sum(group["overdue"] for group in told["groups"]), sum(group["lapsing"] for group in told["groups"])


def test_boards_are_counted_by_state_and_design_and_virtual_ones_apart(made: Trial) -> None:
    """Also what is overdue and what ends soon; nothing else of the fleet is in the answer."""
    made.enrol("COUNT1", virtual=False)
    made.enrol("COUNT2", design="beck-a")
    out = lent(made, "COUNT3", 7)
    told = made.get("/fleet/counts")
    assert (told["site"], told["states"], told["virtual_states"]) == ("trial", {"kit": 1}, {"kit": 1, "on loan": 1})
    assert {(group["design"], group["virtual"], group["state"]): group["boards"] for group in told["groups"]} == {
        ("beck-a", True, "kit"): 1, ("tarn-b", False, "kit"): 1, ("tarn-b", True, "on loan"): 1,
    }  # fmt: skip
    assert late_and_lapsing(told) == (0, 0)
    made.clock.ahead = timedelta(days=80)
    assert late_and_lapsing(made.get("/fleet/counts")) == (1, 1)
    assert serials(made, "/fleet/boards?overdue=true") == serials(made, "/fleet/boards?lapsing_within_days=14") == [out]
    made.clock.ahead = timedelta(days=91)
    assert late_and_lapsing(made.get("/fleet/counts")) == (1, 0)


def test_another_sites_boards_are_in_no_answer(made: Trial) -> None:
    """Two sites over one database."""
    annexe = dataclasses.replace(made.services, site="annexe")
    there = desk_actions.enrol(annexe, Enrolment(label.complete("ANNEX1"), "tarn-b", True, None, None), "C1")[0].serial
    here = made.enrol("HERE01")["serial"]
    assert serials(made, "/boards") == serials(made, "/fleet/boards") == [here]
    assert sum(group["boards"] for group in made.get("/fleet/counts")["groups"]) == 1
    assert [item["serial"] for item in made.get("/work")["work"]] == [here]
    for path in ("readings", "reports"):
        refused(made.ask("GET", f"/boards/{there}/{path}"), 404, "unknown-serial")
    assert [board.board.serial for board in fleet_actions.boards(annexe, Wanted(), "", 9)] == [there]


# -------------------------------------------------------------------------------------------------------------- boards


def test_boards_are_found_by_state_design_and_reference_and_say_where_they_stand(made: Trial) -> None:
    """In both lists alike."""
    fit = certified(made, "FIND01")
    kit = made.enrol("FIND02", inventory_ref="INV 2")["serial"]
    beck = made.enrol("FIND03", design="beck-a")["serial"]
    for place in ("/boards", "/fleet/boards"):
        assert serials(made, f"{place}?state=fit") == [fit]
        assert serials(made, f"{place}?state=kit") == sorted([kit, beck])
        assert serials(made, f"{place}?state=kit&design=beck-a") == [beck]
        assert serials(made, f"{place}?inventory_ref=INV+2") == [kit]
        assert serials(made, f"{place}?state=held") == []
        refused(made.ask("GET", f"{place}?state=good"), 422, "request-invalid")
    listed = {row["serial"]: row for row in made.get("/boards")["boards"]}
    fitness = made.get(f"/boards/{fit}/fitness")
    assert (listed[fit]["state"], listed[fit]["fit"], listed[fit]["until"]) == ("fit", True, fitness["until"])
    assert (listed[kit]["state"], listed[kit]["fit"], listed[kit]["until"]) == ("kit", False, None)


@pytest.mark.parametrize("limit", [1, 2, 200])
def test_a_filtered_list_comes_in_pages_and_as_a_table(made: Trial, limit: int) -> None:
    """By the links alone; the table has a line for each."""
    kits = sorted(made.enrol(f"PAGE0{n}")["serial"] for n in range(3))
    made.enrol("PAGE09", design="beck-a")
    rows = follow(made, f"/fleet/boards?design=tarn-b&limit={limit}", "boards")
    assert [row["serial"] for row in rows] == kits
    head, *table = as_csv(made, "/fleet/boards?design=tarn-b")
    assert [dict(zip(head, line, strict=True))["serial"] for line in table] == kits
    head, *table = as_csv(made, "/boards?state=kit")
    assert {"state", "until", "serial"} <= set(head) and len(table) == 4


def test_a_board_is_found_by_the_firmware_that_its_newest_report_names(made: Trial) -> None:
    """With when it was last heard of, and its agent."""
    old, new = made.enrol("FIRM01"), made.enrol("FIRM02")
    made.enrol("FIRM03")
    for board, version in ((old, "1.20"), (new, "1.20"), (new, "1.27")):
        made.deliver(reports.field(board["serial"], board["field_key"], boot=int(version[2:]), firmware=f"MicroPython {version}"))
    assert serials(made, "/fleet/boards?firmware=MicroPython+1.20") == [old["serial"]]
    (row,) = made.get("/fleet/boards?firmware=MicroPython+1.27")["boards"]
    assert row["serial"] == new["serial"] and row["agent"] and len(row["agent_hash"]) == 32
    newest = made.get(f"/boards/{new['serial']}/reports?limit=1")["reports"][0]
    assert (row["report"], row["seen_at"]) == (newest["report"], newest["at"])


# ------------------------------------------------------------------------------------------- readings, reports, failures


def test_values_of_a_test_are_read_across_runs_with_unit_uncertainty_and_verdict(made: Trial) -> None:
    """The sound board's 5 V rail in two runs and one report from the field, in the order of their coming."""
    enrolled = made.enrol("VALUE1")
    serial = enrolled["serial"]
    runs = [made.whole_run(serial)["run"], made.whole_run(serial, reports.scaled("PWR-V5", "rail", 0.8))["run"]]
    made.deliver(reports.field(serial, enrolled["field_key"], boot=9))
    rows = made.get(f"/boards/{serial}/readings?test=PWR-V5")["readings"]
    assert [(row["run"], row["verdict"]) for row in rows] == [(runs[0], "in limits"), (runs[1], "out"), (None, "in limits")]
    assert [row["evidence_class"] for row in rows] == ["bench", "bench", "field"]
    assert {(row["quantity"], row["unit"], row["author"]) for row in rows} == {("V5", "V", "board")}
    assert 4.8 < rows[0]["value"] < 5.2 and rows[1]["value"] == pytest.approx(0.8 * rows[0]["value"], rel=1e-3)
    assert all(0 < row["expanded"] < 0.2 for row in rows)
    since = rows[1]["at"].replace("+", "%2B")
    assert len(made.get(f"/boards/{serial}/readings?test=PWR-V5&since={since}")["readings"]) == 2
    assert made.get(f"/boards/{serial}/readings?test=NONE")["readings"] == []


def keys(rows: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    return [(row["at"], row["report"], row["test"], row["quantity"]) for row in rows]


@pytest.mark.parametrize("limit", [1, 7, 1000])
def test_pages_of_readings_and_reports_meet_every_row_once(made: Trial, limit: int) -> None:
    """Also where a page ends in the middle of a report."""
    enrolled = made.enrol("CURSOR")
    serial = enrolled["serial"]
    for boot in range(2 if limit == 1 else 9):
        made.deliver(reports.field(serial, enrolled["field_key"], boot=boot + 1))
    whole = made.get(f"/boards/{serial}/readings?limit=1000")["readings"]
    paged = follow(made, f"/boards/{serial}/readings?limit={limit}", "readings")
    assert keys(paged) == keys(whole) == sorted(keys(whole)) and len(set(keys(whole))) == len(whole) >= 6
    newest_first = [row["report"] for row in follow(made, f"/boards/{serial}/reports?limit={limit}", "reports")]
    assert newest_first == list(reversed(list(dict.fromkeys(row["report"] for row in whole))))
    assert len(as_csv(made, f"/boards/{serial}/readings?limit=1000")) == len(whole) + 1
    assert len(as_csv(made, f"/boards/{serial}/reports?limit=1000")) == len(newest_first) + 1


def test_a_report_line_says_who_sent_what_and_how_it_was_judged(made: Trial) -> None:
    """Answers of people are arrivals too."""
    serial = made.enrol("LINES1")["serial"]
    made.whole_run(serial)
    lines = made.get(f"/boards/{serial}/reports")["reports"]
    assert {line["author"] for line in lines} == {"board", "bench", "operator", "inspector"}
    board = next(line for line in lines if line["author"] == "board")
    expected = ("in limits", reports.module_of(serial), "T4", "http")
    assert (board["verdict"], board["module"], board["holder"], board["arrival"]) == expected
    assert next(line for line in lines if line["author"] == "inspector")["verdict"] is None


def test_all_values_of_one_test_across_the_fleet(made: Trial) -> None:
    """Of one design; a page at a time."""
    enrolled = [made.enrol(f"ACROS{n}") for n in range(3)]
    for boot in (1, 2):
        for board in enrolled:
            made.deliver(reports.field(board["serial"], board["field_key"], boot=boot))
    rows = follow(made, "/fleet/readings?design=tarn-b&test=PWR-V5&limit=4", "readings")
    assert [row["serial"] for row in rows] == [board["serial"] for board in enrolled] * 2
    assert {row["test"] for row in rows} == {"PWR-V5"}
    refused(made.ask("GET", "/fleet/readings?design=tarn-b&test=NONE"), 422, "request-invalid")
    refused(made.ask("GET", "/fleet/readings?design=none&test=PWR-V5"), 404, "unknown-design")
    refused(made.ask("GET", "/fleet/readings?design=tarn-b"), 422, "request-invalid")


@pytest.mark.parametrize("cursor", ["x", "eyJ9", "WzEsMiwzLDRd", "WyIyMDI2LTAxLTAxIiwiYSIsImIiLCJjIl0", "%00", "[]", "5" * 400])
def test_a_cursor_that_no_page_named_is_refused(made: Trial, cursor: str) -> None:
    """In one shape, whatever it holds; among them a list of numbers, and a moment without its zone."""
    serial = made.enrol("WRONG1")["serial"]
    for path in (f"/boards/{serial}/readings", f"/boards/{serial}/reports", "/fleet/readings?design=tarn-b&test=PWR-V5"):
        joined = "&" if "?" in path else "?"
        refused(made.ask("GET", f"{path}{joined}after={cursor}"), 422, "request-invalid")


def test_check_ins_that_failed_are_told_with_why_newest_first(made: Trial) -> None:
    """Those of the days asked for; one that went well is not among them."""
    first = held_at_check_in(made, "FAIL01")
    made.clock.ahead = timedelta(days=5)
    second = held_at_check_in(made, "FAIL02")
    good = lent(made, "FAIL03", 7)
    made.post(f"/boards/{good}/returns", {"scanned": good, "accessories": COUNTED}, "desk")
    made.post(f"/boards/{good}/check-ins", {"run": made.whole_run(good)["run"]}, "desk")
    rows = follow(made, "/fleet/failures?limit=1", "failures")
    assert [row["serial"] for row in rows] == [second, first]
    assert "V5" in rows[0]["reason"] and rows[0]["by"] == "D1" and rows[0]["virtual"] is True
    assert serials(made, "/fleet/failures?days=3") == [second]
    assert as_csv(made, "/fleet/failures")[1][1] == second


# ----------------------------------------------------------------------------------------------------------- work list


def test_the_work_list_names_one_act_for_each_board_that_waits(made: Trial) -> None:
    """What has a date first; then by hands. The fit board waits for nobody."""
    certified(made, "WORK00")
    kit = made.enrol("WORK01", inventory_ref="INV 1")["serial"]
    back = lent(made, "WORK02", 7)
    made.post(f"/boards/{back}/returns", {"scanned": back, "accessories": COUNTED}, "desk")
    out = lent(made, "WORK03", 2)
    told = made.get("/work")
    assert [(item["serial"], item["act"]) for item in told["work"]] == [
        (out, "remind the borrower"), (kit, "run a set"), (back, "run a set"),
    ]  # fmt: skip
    assert told["work"][1]["inventory_ref"] == "INV 1" and told["hands"] == sum(item["hands"] for item in told["work"])
    item = told["work"][2]
    assert (item["method"], item["path"], item["body"]) == ("POST", f"/api/v1/boards/{back}/runs", {"set": "full"})
    assert item["roles"] == ["coordinator", "desk", "tester"] and item["seconds"] == 554 and "first loan" in item["what"]
    assert [i["serial"] for i in made.get("/work?minutes=3")["work"]] == [out]
    assert len(as_csv(made, "/work")) == 4
    for limit in (1, 2, 3):
        assert follow(made, f"/work?limit={limit}", "work") == told["work"]


def test_a_persons_list_holds_what_their_tokens_allow(made: Trial) -> None:
    """By the holder's code; nobody of that code is told so, and a revoked token allows nothing."""
    serial = made.enrol("MINE01")["serial"]
    made.whole_run(serial)
    for holder, count in (("T4", 1), ("C1", 1), ("D1", 0), ("R9", 0)):
        assert len(made.get(f"/work?holder={holder}")["work"]) == count, holder
    assert len(made.get("/work?role=tester")["work"]) == 1 and made.get("/work?role=inspector")["work"] == []
    refused(made.ask("GET", "/work?holder=X9"), 422, "request-invalid")
    refused(made.ask("GET", "/work?minutes=0"), 422, "request-invalid")
    tokens = {token["holder"]: token["token"] for token in made.get("/tokens", "coordinator")["tokens"]}
    made.post(f"/tokens/{tokens['T4']}/revocation", {}, "coordinator")
    refused(made.ask("GET", "/work?holder=T4", role="desk"), 422, "request-invalid")


def test_a_certificate_that_ends_soon_and_a_late_loan_come_up_by_themselves(made: Trial) -> None:
    """Nobody has to do anything for it; the moments are in the certificate and the loan."""
    here, out = certified(made, "SOON01"), lent(made, "SOON02", 30)
    assert made.get("/work")["work"] == []
    made.clock.ahead = timedelta(days=77)
    told = {item["serial"]: item for item in made.get("/work")["work"]}
    assert (told[here]["act"], told[here]["body"]) == ("run a set", {"set": "renewal"})
    assert (told[out]["act"], told[out]["path"]) == ("record as missing", f"/api/v1/boards/{out}/loss")
    made.clock.ahead = timedelta(days=91)
    told = {item["serial"]: item for item in made.get("/work")["work"]}
    assert told[here]["state"] == "under test" and told[here]["body"] == {"set": "renewal"}
    assert datetime.fromisoformat(told[out]["due"]) < made.clock()


def test_lists_need_a_token_and_a_known_board(made: Trial) -> None:
    """And the serial number's check character."""
    for path in ("/fleet/counts", "/fleet/boards", "/fleet/failures", "/fleet/readings", "/work"):
        refused(made.ask("GET", path, role=None), 401, "token-missing")
    for path in ("readings", "reports"):
        refused(made.ask("GET", f"/boards/{label.complete('NOBODY')}/{path}"), 404, "unknown-serial")
        refused(made.ask("GET", f"/boards/NOBODY0/{path}"), 422, "serial-invalid")
