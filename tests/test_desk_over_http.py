"""Certificates, lending and check-in over HTTP: what the desk gets, and everything that keeps a board here."""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchworthy.acts.certifying import CERTIFICATE_TYPE, STATUS_LIST_TYPE
from benchworthy.keys.status import open_token
from services import reports
from services.desk import certified, in_days, refused
from services.service import Trial, trial

LARGEST_CLAIMS = 580  # bytes; more would not fit the label's QR code
HEADER_RAIL_HIGH = reports.scaled("PWR-V33S", "rail", 1.025)  # 3.38 V against 3.366 V, U 0.05 V: marginal
V5_HIGH = reports.scaled("PWR-V5", "rail", 1.045)  # 5.22 V against 5.20 V: marginal, and the sheet names no better witness


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


# ------------------------------------------------------------------------------------------------------ certificates


def test_a_certificate_is_small_signed_and_bound_to_its_results(made: Trial) -> None:
    """At most 580 bytes of claims, opened with the public keys alone; the document's SHA-256 stands in it."""
    serial = made.enrol("CERT01")["serial"]
    run = made.whole_run(serial)["run"]
    given = made.certify(serial, run).json
    keys = made.client.get("/.well-known/jwks.json").json
    claims = open_token(given["token"], keys, CERTIFICATE_TYPE)
    assert len(json.dumps(claims, separators=(",", ":"), ensure_ascii=False).encode()) <= LARGEST_CLAIMS
    assert (claims["serial"], claims["run"], claims["module"], claims["virtual"]) == (serial, run, reports.MODULE, True)
    document = made.ask("GET", f"/certificates/{given['id']}/results", role="reader")
    assert hashlib.sha256(document.data).hexdigest() == claims["results"] == given["results"]
    assert {result["test"] for result in document.json["results"]} == set(reports.SHEET.tests)
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
    small = made.whole_run(serial, test_set="check-in")
    assert small["complete"] and "set-does-not-certify" in made.unmet(serial, small["run"])


def test_a_marginal_without_a_better_witness_refuses(made: Trial) -> None:
    """The sheet names none for the 5 V rail, so the certificate waits for another run."""
    serial = made.enrol("MARG01")["serial"]
    run = made.whole_run(serial, V5_HIGH)
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
    made.deliver(reports.part(opened, serial, 1), reports.part(opened, serial, 2), reports.bench_part(opened, serial, made.bench))
    (draw,) = opened["draws"]
    made.post(f"{run}/answers", {"answers": [{"test": "VIS-INSP", "items": reports.INSPECTED}]}, "coordinator")
    said = [{"test": "LED-SEE", "text": str(draw["stimulus"]["count"])}, {"test": "PWR-DMM33", "number": 3.3}]
    made.post(f"{run}/answers", {"answers": said}, "coordinator")
    assert made.post(f"{run}/close", {})["complete"]
    assert made.unmet(serial, opened["run"]) == ["inspector-not-second-person"]


# ----------------------------------------------------------------------------------------------------- lend and return


def test_a_fit_board_goes_out_comes_back_and_is_fit_again(made: Trial) -> None:
    """Lent, returned, checked in on a run made after the return."""
    serial = certified(made, "LEND01")
    loan = made.post(f"/boards/{serial}/loans", {"borrower": "B-204", "due": in_days(made, 14)}, "desk")
    assert (loan["borrower"], loan["returned_at"]) == ("B-204", None)
    assert made.get(f"/boards/{serial}/fitness")["state"] == "on loan"
    again = made.ask("POST", f"/boards/{serial}/loans", {"borrower": "B-205", "due": in_days(made, 14)}, "desk")
    assert "on-loan" in [item["code"] for item in refused(again, 409, "loan-refused")["unmet"]]
    early = made.whole_run(serial, test_set="check-in")
    other = made.enrol("LEND02")["serial"]
    refused(made.ask("POST", f"/boards/{serial}/returns", {"scanned": other}, "desk"), 409, "return-refused")
    assert made.post(f"/boards/{serial}/returns", {"scanned": serial}, "desk")["returned_at"]
    refused(made.ask("POST", f"/boards/{serial}/returns", {"scanned": serial}, "desk"), 409, "return-refused")
    back = made.get(f"/boards/{serial}/fitness")
    assert (back["fit"], back["state"]) == (False, "returned")
    assert "not-checked-in" in [item["code"] for item in back["unmet"]]
    refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": early["run"]}, "desk"), 409, "check-in-refused")
    run = made.whole_run(serial, test_set="check-in")["run"]
    settled = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert (settled["outcome"], settled["lapse"]) == ("fit kept", None)
    assert made.get(f"/boards/{serial}/fitness")["state"] == "fit"
    refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": run}, "desk"), 409, "check-in-refused")


def test_an_out_at_check_in_holds_the_board_and_lapses_its_certificate(made: Trial) -> None:
    """The sentence names the header; the status list says what became of the certificate."""
    serial = certified(made, "LEND03")
    made.post(f"/boards/{serial}/loans", {"borrower": "B-204", "due": in_days(made, 14)}, "desk")
    made.post(f"/boards/{serial}/returns", {"scanned": serial}, "desk")
    run = made.whole_run(serial, reports.scaled("SNS-S1", "full", 0.5), test_set="check-in")["run"]
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
    made.post(f"/boards/{serial}/loans", {"borrower": "B-204", "due": in_days(made, 14)}, "desk")
    made.post(f"/boards/{serial}/returns", {"scanned": serial}, "desk")
    opened = made.open(serial, "check-in")
    made.deliver(
        reports.part(opened, serial, 1),
        reports.part_with(opened, serial, 2, HEADER_RAIL_HIGH),
        reports.bench_part(opened, serial, made.bench),
    )
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
    answer = made.ask("POST", f"/boards/{fit}/loans", {"borrower": "B-1", "due": in_days(made, 91)}, "desk")
    assert [i["code"] for i in refused(answer, 409, "loan-refused")["unmet"]] == ["certificate-ends-before-due"]


def test_a_hold_keeps_a_fit_board_here(made: Trial) -> None:
    """Any doubt is enough, once at a time."""
    serial = certified(made, "HOLD01")
    held = made.post(f"/boards/{serial}/holds", {"reason": "smells of smoke"}, "desk")
    assert (held["state"], held["reason"]) == ("held", "smells of smoke")
    refused(made.ask("POST", f"/boards/{serial}/holds", {"reason": "once more"}, "desk"), 409, "hold-refused")
    fitness = made.get(f"/boards/{serial}/fitness", "reader")
    assert (fitness["fit"], [item["code"] for item in fitness["unmet"]]) == (False, ["held"])
