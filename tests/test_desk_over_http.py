"""Certificates, lending and check-in over HTTP: what the desk gets, and everything that keeps a board here."""

import dataclasses
import hashlib
import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from benchworthy.acts.certifying import CERTIFICATE_TYPE, STATUS_LIST_TYPE
from benchworthy.keys.status import open_token
from services import reports
from services.desk import COUNTED, certified, in_days, lent, lent_once, refused, returned
from services.service import Trial, trial

LARGEST_CLAIMS = 580  # bytes; more would not fit the label's QR code
HEADER_RAIL_HIGH = reports.scaled("PWR-V33S", "rail", 1.025)  # 3.38 V against 3.366 V, U 0.05 V: marginal
MOTOR_RAIL_HIGH = reports.scaled("PWR-VMOT", "rail", 1.11)  # 5.55 V against 5.5 V, U 0.09 V: marginal, and no better witness


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def test_a_renewal_follows_a_first_certificate_and_cannot_come_before_it(made: Trial) -> None:
    """Fewer tests, and only on a module that was certified before."""
    serial = made.enrol("RENEW1")["serial"]
    early = made.whole_run(serial, test_set="renewal")
    assert (early["complete"], early["verdict"]) == (True, "in limits")
    assert made.unmet(serial, early["run"]) == ["renewal-not-enough"]
    assert made.certify(serial, made.whole_run(serial)["run"]).status_code == 201
    assert made.certify(serial, made.whole_run(serial, test_set="renewal")["run"]).status_code == 201


def test_a_run_has_a_set_of_the_sheet_and_never_the_one_for_the_field(made: Trial) -> None:
    """What a board does alone is no run at a bench."""
    serial = made.enrol("SETS01")["serial"]
    for name in ("field", "first", "everything"):
        body = {"set": name, "bench": made.bench.thumbprint, "scanned": serial, "fixtures": []}
        answer = refused(made.ask("POST", f"/boards/{serial}/runs", body), 422, "request-invalid")
        assert "full" in str(answer), answer


def test_a_wrong_answer_is_asked_once_more_with_another_stimulus(made: Trial) -> None:
    """The second draw differs, is made once, and a right answer to it settles the test; both answers stay."""
    serial = made.enrol("DRAWN1")["serial"]
    opened = made.open(serial, "renewal")
    run = f"/runs/{opened['run']}"
    assert {draw["test"] for draw in opened["draws"]} == {"LED-SEE", "TONE-HEAR", "OUT-DIR1", "OUT-DIR2"}
    first = next(draw for draw in opened["draws"] if draw["test"] == "TONE-HEAR")
    assert first["stimulus"]["p"] == "tone" and set(first["stimulus"]["a"]) == {"port", "pattern"}
    made.post(f"{run}/answers", {"answers": [{"test": "TONE-HEAR", "draw": 1, "text": "silence"}]})
    second = made.post(f"{run}/draws", {"test": "TONE-HEAR"})
    assert second["draw"] == 2 and second["stimulus"]["a"]["pattern"] != first["stimulus"]["a"]["pattern"]
    refused(made.ask("POST", f"{run}/draws", {"test": "TONE-HEAR"}), 409, "draw-refused")
    made.post(f"{run}/answers", {"answers": [reports.seen(second)]})
    (told,) = [test for test in made.get(run)["tests"] if test["test"] == "TONE-HEAR"]
    assert told["verdict"] == "in limits" and len(told["draws"]) == 2


def test_a_run_hands_out_what_people_are_asked_and_what_may_move(made: Trial) -> None:
    """Items of a check list, quantities of a meter, actions beside other authors' tests, hazards by part."""
    serial = made.enrol("ASKED1")["serial"]
    opened = made.open(serial)
    asked = {entry["test"]: entry for entry in opened["ask"]}
    assert asked["PWR-LED"]["items"] == ["blue lamp lit", "amber lamp lit"]
    assert [q["name"] for q in asked["PRE-DIODE"]["quantities"]] == ["D1", "D4", "D5", "D8", "over-range reversed"]
    actions = {test: entry["action"] for test, entry in asked.items() if entry["author"] in ("board", "bench")}
    assert actions == {
        "KEY-PRESS": "press-key",
        "PWR-USBONLY": "pull-jack",
        "OUT-STALL": "rig-held",
        "OUT-COAST": "rig-motor",
        "USB-WIGGLE": "move-plug",
        "PWR-CHG": "pull-usb",
    }
    moving = {test for part in opened["parts"] for test in part["hazards"]}
    assert moving == {test.id for test in reports.SHEET.tests.values() if test.hazard} - {
        "GPIO-WALK", "OUT-OFF", "OUT-DIR1", "OUT-DIR2"
    }  # fmt: skip
    assert opened["state_files"] == {"state.json": 512, "spool/*": 4096}
    phases = [part["phase"] for part in opened["parts"] if part["author"] == "board"]
    assert list(dict.fromkeys(phases)) == ["bare", "ports", "loads", "rig", "jack-out"]


def test_what_was_left_out_is_named_in_the_results_with_its_reason(made: Trial) -> None:
    """No radio here: the certificate says so, and shows no result for it."""
    serial = made.enrol("QUIET1")["serial"]
    quiet = [{"test": "WIFI-RSSI", "not_run": "no wifi"}, {"test": "WIFI-LINK", "not_run": "no broker"}]
    run = made.whole_run(serial, *quiet)
    given = made.certify(serial, run["run"])
    assert given.status_code == 201, given.text
    document = made.ask("GET", f"/certificates/{given.json['id']}/results").json
    left_out = {item["test"]: item["reason"] for item in document["not_tested_in_this_run"]}
    assert set(left_out) == {"WIFI-RSSI", "WIFI-LINK"} and "no wifi" in left_out["WIFI-RSSI"]
    assert not set(left_out) & {result["test"] for result in document["results"]}
    one_sided = next(result for result in document["results"] if result["test"] == "MCU-HEAP")["quantities"][0]
    assert (one_sided["low"], one_sided["high"]) == (120_000, None)


# ------------------------------------------------------------------------------------------------------ certificates


def test_a_certificate_is_small_signed_and_bound_to_its_results(made: Trial) -> None:
    """At most 580 bytes of claims, opened with the public keys alone; the document's SHA-256 stands in it."""
    serial = made.enrol("CERT01")["serial"]
    run = made.whole_run(serial)["run"]
    given = made.certify(serial, run).json
    keys = made.client.get("/.well-known/jwks.json").json
    claims = open_token(given["token"], keys, CERTIFICATE_TYPE)
    assert len(json.dumps(claims, separators=(",", ":"), ensure_ascii=False).encode()) <= LARGEST_CLAIMS
    about = (claims["serial"], claims["run"], claims["module"], claims["virtual"])
    assert about == (serial, run, reports.module_of(serial), True)
    document = made.ask("GET", f"/certificates/{given['id']}/results", role="reader")
    assert hashlib.sha256(document.data).hexdigest() == claims["results"] == given["results"]
    assert {result["test"] for result in document.json["results"]} == {t.id for t in reports.SHEET.tests_of("full")}
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "application/jose"}
    signed = made.client.get(f"/api/v1/certificates/{given['id']}", headers=headers)
    assert (signed.mimetype, signed.text) == ("application/jose", given["token"])
    listed = open_token(made.client.get("/api/v1/status-list").text, keys, STATUS_LIST_TYPE)
    assert listed["certificates"] == {given["id"]: "in-force"}
    for path in ("", "/results"):
        refused(made.ask("GET", f"/certificates/c-none{path}"), 404, "unknown-certificate")


def test_a_certificate_needs_a_closed_complete_run_of_this_board(made: Trial) -> None:
    """Every unmet condition is told at once, with what to do next."""
    serial, other = made.enrol("CERT02")["serial"], made.enrol("CERT03")["serial"]
    assert made.unmet(serial) == ["no-bench-evidence"]
    opened = made.open(serial)
    assert {"run-open", "run-incomplete"} <= set(made.unmet(serial))
    assert made.unmet(other, opened["run"]) == ["no-bench-evidence"]
    refused(made.ask("POST", f"/boards/{serial}/certificates", {"run": "r-none"}), 404, "unknown-run")
    small = made.whole_run(serial, test_set="plug")
    assert small["complete"] and "set-does-not-certify" in made.unmet(serial, small["run"])


def test_a_marginal_without_a_better_witness_refuses(made: Trial) -> None:
    """The sheet names none for the motor rail, so the certificate waits for another run."""
    serial = made.enrol("MARG01")["serial"]
    run = made.whole_run(serial, MOTOR_RAIL_HIGH)
    assert (run["complete"], run["verdict"]) == (True, "marginal")
    assert made.unmet(serial, run["run"]) == ["test-marginal"]


def test_a_marginal_whose_witness_is_in_limits_in_the_same_run_certifies(made: Trial) -> None:
    """The meter settles what the converter left open, and the results say so."""
    serial = made.enrol("MARG02")["serial"]
    run = made.whole_run(serial, HEADER_RAIL_HIGH, volts=3.34)
    assert (run["complete"], run["verdict"]) == (True, "in limits")
    given = made.certify(serial, run["run"])
    assert given.status_code == 201, given.text
    results = made.ask("GET", f"/certificates/{given.json['id']}/results").json["results"]
    (settled,) = [result for result in results if result["test"] == "PWR-V33S"]
    assert "PWR-DMM33" in settled["remark"] and settled["quantities"][0]["verdict"] == "marginal"


def test_a_marginal_whose_witness_is_marginal_too_refuses(made: Trial) -> None:
    """Two doubts are no certainty."""
    serial = made.enrol("MARG03")["serial"]
    run = made.whole_run(serial, HEADER_RAIL_HIGH, volts=3.375)
    assert made.unmet(serial, run["run"]) == ["test-marginal", "test-marginal"]


def test_the_inspector_must_be_a_second_person(made: Trial) -> None:
    """The coordinator may answer everything, and gets no certificate for a board inspected by who tested it."""
    serial = made.enrol("SAME01")["serial"]
    opened = made.open(serial)
    run = f"/runs/{opened['run']}"
    made.deliver_all(opened, serial)
    made.people_answer(opened, inspector="coordinator")
    assert made.post(f"{run}/close", {})["complete"]
    assert made.unmet(serial, opened["run"]) == ["inspector-not-second-person"]


# ----------------------------------------------------------------------------------------------------- lend and return


def test_a_fit_board_goes_out_comes_back_and_is_fit_again(made: Trial) -> None:
    """Lent, returned, checked in on a run made after the return."""
    serial = certified(made, "LEND01")
    loan = lent(made, serial)
    assert (loan["borrower"], loan["returned_at"]) == ("B-204", None)
    assert made.get(f"/boards/{serial}/fitness")["state"] == "on loan"
    again = made.ask("POST", f"/boards/{serial}/loans", {"borrower": "B-205", "due": in_days(made, 14)}, "desk")
    assert "on-loan" in [item["code"] for item in refused(again, 409, "loan-refused")["unmet"]]
    early = made.whole_run(serial)
    other = made.enrol("LEND02")["serial"]
    refused(made.ask("POST", f"/boards/{serial}/returns", {"scanned": other}, "desk"), 409, "return-refused")
    assert returned(made, serial)["returned_at"]
    refused(made.ask("POST", f"/boards/{serial}/returns", {"scanned": serial}, "desk"), 409, "return-refused")
    back = made.get(f"/boards/{serial}/fitness")
    assert (back["fit"], back["state"]) == (False, "returned")
    assert "not-checked-in" in [item["code"] for item in back["unmet"]]
    refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": early["run"]}, "desk"), 409, "check-in-refused")
    run = made.whole_run(serial)["run"]
    settled = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert (settled["outcome"], settled["lapse"]) == ("fit kept", None)
    assert made.get(f"/boards/{serial}/fitness")["state"] == "fit"
    refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": run}, "desk"), 409, "check-in-refused")


def test_an_out_at_check_in_holds_the_board_and_lapses_its_certificate(made: Trial) -> None:
    """The sentence names the header; the status list says what became of the certificate."""
    serial = certified(made, "LEND03")
    lent(made, serial)
    returned(made, serial)
    run = made.whole_run(serial, reports.scaled("SNS-S1", "full", 0.5), test_set="plug")["run"]
    settled = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert (settled["outcome"], settled["lapse"]) == ("held", "LAPSE-CHECKIN-FAILED")
    assert "J4" in settled["sentence"]
    held = made.get(f"/boards/{serial}/fitness")
    assert (held["fit"], held["state"]) == (False, "held")
    keys = made.client.get("/.well-known/jwks.json").json
    listed = open_token(made.client.get("/api/v1/status-list").text, keys, STATUS_LIST_TYPE)
    assert list(listed["certificates"].values()) == ["LAPSE-CHECKIN-FAILED"]


def test_a_marginal_at_check_in_waits_for_its_witness(made: Trial) -> None:
    """The meter is not in the smaller set; until somebody measures, the board is neither fit nor held."""
    serial = certified(made, "LEND04")
    lent_once(made, serial)
    lent(made, serial)
    returned(made, serial)
    opened = made.open(serial, "plug")
    made.deliver_all(opened, serial, HEADER_RAIL_HIGH)
    shown = made.get(f"/runs/{opened['run']}")
    assert [(need["code"], need["test"]) for need in shown["still_needed"]] == [("witness", "PWR-DMM33")]
    settled = made.post(f"/boards/{serial}/check-ins", {"run": opened["run"]}, "desk")
    assert (settled["outcome"], settled["lapse"]) == ("returned", None)


def test_a_loan_is_refused_with_everything_that_keeps_the_board_here(made: Trial) -> None:
    """No evidence; a due date that has passed; a certificate that ends before it."""
    serial = made.enrol("LEND05")["serial"]
    answer = made.ask("POST", f"/boards/{serial}/loans", {"borrower": "B-1", "due": in_days(made, -1)}, "desk")
    codes = [item["code"] for item in refused(answer, 409, "loan-refused")["unmet"]]
    assert {"no-bench-evidence", "due-in-the-past"} <= set(codes)
    fit = certified(made, "LEND06")
    answer = made.ask(
        "POST", f"/boards/{fit}/loans", {"borrower": "B-1", "due": in_days(made, 91), "accessories": COUNTED}, "desk"
    )
    assert [i["code"] for i in refused(answer, 409, "loan-refused")["unmet"]] == ["certificate-ends-before-due"]


def test_a_hold_keeps_a_fit_board_here(made: Trial) -> None:
    """Any doubt is enough, once at a time."""
    serial = certified(made, "HOLD01")
    held = made.post(f"/boards/{serial}/holds", {"reason": "smells of smoke"}, "desk")
    assert (held["state"], held["reason"]) == ("held", "smells of smoke")
    refused(made.ask("POST", f"/boards/{serial}/holds", {"reason": "once more"}, "desk"), 409, "hold-refused")
    fitness = made.get(f"/boards/{serial}/fitness", "reader")
    assert (fitness["fit"], [item["code"] for item in fitness["unmet"]]) == (False, ["held"])


def test_of_certificates_issued_in_one_second_the_last_one_is_the_newest(made: Trial) -> None:
    """Ids are random, so without an order of their own an older certificate could stand for the board."""
    serial = certified(made, "SECOND1")
    now = made.clock().replace(microsecond=0) + timedelta(seconds=2)
    made.app.extensions["benchworthy"] = dataclasses.replace(made.services, now=lambda: now)
    for _ in range(5):
        issued = made.certify(serial)
        assert issued.status_code == 201, issued.text
        with made.house.database.reading() as work:
            newest = work.desk.newest_certificate(serial)
        assert newest is not None and issued.json is not None and newest.id == issued.json["id"]
