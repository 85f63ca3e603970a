"""Waivers over HTTP: what they let go, what stands on the certificate for it, and what becomes of both when they end."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchworthy.acts.certifying import LARGEST_CLAIMS, _waived
from benchworthy.keys.status import judge, open_token
from benchworthy.reports.report import Author
from benchworthy.reports.signed import CERTIFICATE_TYPE
from papers import seen_text
from services import reports
from services.desk import certified, in_days, lent, refused, returned
from services.service import Trial, trial

LAMP_OUT = reports.scaled("LED-VF", "anode", 1.3)
WEAK_RAIL = reports.scaled("PWR-V5", "rail", 0.8)


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def waive(made: Trial, serial: str, test: str = "LED-VF", days: float = 30) -> dict[str, Any]:
    body = {"test": test, "reason": "New lamps are ordered.", "until": in_days(made, days)}
    given: dict[str, Any] = made.post(f"/boards/{serial}/waivers", body, "coordinator")
    return given


def codes(answer: Any) -> list[str]:
    return [item["code"] for item in answer.json["unmet"]]


def fitness(made: Trial, serial: str) -> tuple[bool, list[str]]:
    told = made.get(f"/boards/{serial}/fitness")
    return told["fit"], [item["code"] for item in told["unmet"]]


def claims(made: Trial, certificate: dict[str, Any]) -> dict[str, Any]:
    return open_token(certificate["token"], made.client.get("/.well-known/jwks.json").json, CERTIFICATE_TYPE)


def test_a_waived_test_that_is_out_does_not_refuse_and_stands_on_everything(made: Trial) -> None:
    """On results, claims, page data and paper, with reason, end and who gave it; the certificate ends with the waiver."""
    serial = made.enrol("WAIVE1")["serial"]
    run = made.whole_run(serial, LAMP_OUT)["run"]
    assert made.unmet(serial, run) == ["test-out"]
    waiver = waive(made, serial)
    assert (waiver["test"], waiver["by"], waiver["ended_at"]) == ("LED-VF", "C1", None)
    given = made.certify(serial, run)
    assert given.status_code == 201, given.text
    certificate = given.json
    assert certificate["waived"] == ["LED-VF"] and certificate["one_person"] is False
    assert certificate["valid_until"][:19] == waiver["until"][:19] < in_days(made, 89)
    assert claims(made, certificate)["waived"] == ["LED-VF"]
    results = made.ask("GET", f"/certificates/{certificate['id']}/results").json
    (told,) = results["waivers"]
    assert (told["test"], told["verdict"], told["reason"], told["by"]) == ("LED-VF", "out", "New lamps are ordered.", "C1")
    (lamp,) = [result for result in results["results"] if result["test"] == "LED-VF"]
    assert lamp["verdict"] == "out" and lamp["waived"].endswith("by C1")
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "application/pdf"}
    paper = seen_text(made.client.get(f"/api/v1/certificates/{certificate['id']}", headers=headers).data)
    assert "Let go by a waiver" in paper and "New lamps are ordered." in paper
    assert fitness(made, serial) == (True, [])
    told_of = made.get(f"/boards/{serial}/fitness")
    assert (told_of["until"], [w["number"] for w in told_of["waivers"]]) == (certificate["valid_until"], [waiver["number"]])


def test_an_ended_waiver_ends_the_certificate_and_the_out_is_as_unexplained_as_before(made: Trial) -> None:
    """Ending it twice, an unknown one, and ending by another role are refused, and nothing is written."""
    serial = made.enrol("WAIVE2")["serial"]
    run = made.whole_run(serial, LAMP_OUT)["run"]
    number = waive(made, serial)["number"]
    certificate = made.certify(serial, run).json["id"]
    rows = made.rows()
    refused(made.ask("POST", f"/waivers/{number}/end", role="tester"), 403, "role-refused")
    refused(made.ask("POST", f"/waivers/{number + 1}/end", role="coordinator"), 404, "unknown-waiver")
    refused(made.ask("POST", f"/waivers/{10**30}/end", role="coordinator"), 404, "unknown-waiver")
    assert made.rows() == rows
    ended = made.ask("POST", f"/waivers/{number}/end", role="coordinator")
    assert (ended.status_code, ended.json["ended_by"]) == (200, "C1")
    assert made.get(f"/certificates/{certificate}")["lapse"] == "LAPSE-WAIVER"
    assert fitness(made, serial) == (False, ["certificate-lapsed", "out-unexplained"])
    assert made.unmet(serial, run) == ["test-out"]
    assert codes(made.ask("POST", f"/waivers/{number}/end", role="coordinator")) == ["waiver-ended"]
    told = [entry for entry in made.get(f"/boards/{serial}/history")["entries"] if entry["kind"].startswith("waive")]
    assert [entry["kind"] for entry in told] == ["waived", "waiver-ended"] and told[1]["facts"]["lapsed"] == [certificate]
    assert told[0]["text_hash"] and "ordered" not in json.dumps(told)


def test_a_waiver_that_runs_out_takes_its_certificate_with_it(made: Trial) -> None:
    """By its date alone, with nothing written; a certificate that did not need the waiver keeps its own date."""
    serial, other = made.enrol("WAIVE3")["serial"], made.enrol("WAIVE4")["serial"]
    run = made.whole_run(serial, LAMP_OUT)["run"]
    sound = made.whole_run(other)["run"]
    for board in (serial, other):
        waive(made, board, days=5)
    assert made.certify(serial, run).status_code == 201
    kept = made.certify(other, sound).json
    assert kept["waived"] == [] and kept["valid_until"] > in_days(made, 80)
    made.clock.ahead += made.clock.ahead.__class__(days=6)
    assert fitness(made, serial) == (False, ["certificate-lapsed", "out-unexplained"])
    assert fitness(made, other) == (True, [])


def test_what_is_never_waived_and_who_may_not(made: Trial) -> None:
    """A rail, a hazard and an unknown test; any role but the coordinator's; and nothing is written."""
    serial = made.enrol("WAIVE5")["serial"]
    rows = made.rows()
    body = {"test": "PWR-V5", "reason": "In a hurry.", "until": in_days(made, 3)}
    for role in ("tester", "desk", "inspector", "reader"):
        refused(made.ask("POST", f"/boards/{serial}/waivers", body, role), 403, "role-refused")
    for test, code in (
        ("PWR-V5", "never-waived"),
        ("OUT-OFF", "never-waived"),
        ("MCU-ID", "never-waived"),
        ("X", "test-unknown"),
    ):
        answer = made.ask("POST", f"/boards/{serial}/waivers", {**body, "test": test}, "coordinator")
        assert (answer.status_code, codes(answer)) == (409, [code])
    late = made.ask("POST", f"/boards/{serial}/waivers", {**body, "test": "LED-VF", "until": in_days(made, 91)}, "coordinator")
    assert codes(late) == ["lasts-too-long"]
    assert made.rows() == rows
    waive(made, serial)
    again = made.ask("POST", f"/boards/{serial}/waivers", {**body, "test": "LED-VF"}, "coordinator")
    assert codes(again) == ["waived-already"]


def test_waivers_are_listed_with_the_ended_ones_a_page_at_a_time(made: Trial) -> None:
    """Oldest first; as CSV too."""
    serial = made.enrol("WAIVE6")["serial"]
    numbers = [waive(made, serial, test)["number"] for test in ("LED-VF", "KEY-PRESS", "TONE-HEAR")]
    made.post(f"/waivers/{numbers[0]}/end", {}, "coordinator")
    first = made.get(f"/boards/{serial}/waivers?limit=2")
    assert [w["number"] for w in first["waivers"]] == numbers[:2] and first["waivers"][0]["ended_by"] == "C1"
    rest = made.get(f"/boards/{serial}/waivers?limit=2&after={first['next']}")
    assert ([w["number"] for w in rest["waivers"]], rest["next"]) == (numbers[2:], None)
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "text/csv"}
    lines = made.client.get(f"/api/v1/boards/{serial}/waivers", headers=headers).text.splitlines()
    assert len(lines) == 4 and lines[0].startswith("number,serial,test,reason")
    assert [w["test"] for w in made.get(f"/boards/{serial}/life")["waivers"]] == ["KEY-PRESS", "TONE-HEAR"]


def test_a_waived_test_that_was_not_run_leaves_the_run_complete(made: Trial) -> None:
    """The module is bound, the board certified and lent; without the waiver the same run is incomplete."""
    serial = made.enrol("WAIVE7")["serial"]
    not_run = {"test": "LED-VF", "not_run": "the lamp is off the board"}
    assert "run-incomplete" in made.unmet(serial, made.whole_run(serial, not_run)["run"])
    waive(made, serial)
    run = made.whole_run(serial, not_run)
    assert (run["complete"], run["verdict"], run["waived"]) == (True, "in limits", ["LED-VF"])
    given = made.certify(serial, run["run"])
    assert given.status_code == 201, given.text
    results = made.ask("GET", f"/certificates/{given.json['id']}/results").json
    good = sum(result["verdict"] == "in limits" for result in results["results"])
    assert given.json["coverage"] == f"{good} of the 62 tests of the catalogue"
    assert results["waivers"][0]["verdict"] == "not run"
    lent(made, serial, days=7)


def test_a_run_with_a_waived_test_out_does_not_hide_another_out(made: Trial) -> None:
    """Only the test named is let go."""
    serial = made.enrol("WAIVE8")["serial"]
    waive(made, serial)
    run = made.whole_run(serial, LAMP_OUT, WEAK_RAIL)["run"]
    assert made.unmet(serial, run) == ["test-out"]
    assert fitness(made, serial)[1] == ["no-certificate", "out-unexplained"]


def lent_and_back(made: Trial, serial: str) -> None:
    lent(made, serial, days=7)
    returned(made, serial)


def test_an_out_in_a_waived_test_at_check_in_does_not_hold(made: Trial) -> None:
    """The certificate names the waiver, so it stays in force; every other out holds as ever."""
    serial = made.enrol("WAIVE9")["serial"]
    waive(made, serial)
    made.whole_run(serial, LAMP_OUT)
    assert made.certify(serial).status_code == 201
    lent_and_back(made, serial)
    run = made.whole_run(serial, LAMP_OUT)["run"]
    told = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert (told["outcome"], told["lapse"]) == ("fit kept", None) and "LED-VF, waived" in told["sentence"]
    assert fitness(made, serial) == (True, [])
    lent_and_back(made, serial)
    run = made.whole_run(serial, LAMP_OUT, WEAK_RAIL)["run"]
    assert made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")["outcome"] == "held"


def test_a_certificate_that_calls_a_waived_test_in_limits_ends_at_check_in(made: Trial) -> None:
    """Not held; certified again on a full run, the new one names the waiver."""
    serial = certified(made, "WAIVEA")
    lent_and_back(made, serial)
    waive(made, serial)
    run = made.whole_run(serial, LAMP_OUT)["run"]
    assert fitness(made, serial)[1] == ["not-checked-in", "waiver-not-certified"]
    told = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert (told["outcome"], told["lapse"]) == ("returned", "LAPSE-CHECKIN-FAILED")
    assert made.get(f"/boards/{serial}/life")["hold"] is None
    full = made.whole_run(serial, LAMP_OUT)["run"]
    assert made.certify(serial, full).json["waived"] == ["LED-VF"]
    assert made.post(f"/boards/{serial}/check-ins", {"run": full}, "desk")["outcome"] == "fit kept"
    assert fitness(made, serial) == (True, [])


def test_a_renewal_does_not_pass_on_what_was_let_go(made: Trial) -> None:
    """While the test is still out a whole set is wanted; once it is in limits again a renewal will do."""
    serial = made.enrol("WAIVEB")["serial"]
    number = waive(made, serial)["number"]
    made.whole_run(serial, LAMP_OUT)
    assert made.certify(serial).status_code == 201
    still = made.whole_run(serial, LAMP_OUT, test_set="renewal")["run"]
    assert made.unmet(serial, still) == ["renewal-not-enough"]
    made.post(f"/waivers/{number}/end", {}, "coordinator")
    for _ in range(2):
        made.whole_run(serial, test_set="renewal")
    good = made.whole_run(serial, test_set="renewal")["run"]
    given = made.certify(serial, good)
    assert given.status_code == 201, given.text
    assert given.json["waived"] == []


def test_a_missing_part_is_let_go_only_when_all_its_tests_are(made: Trial) -> None:
    """A whole part that nobody delivered stays wanted while one of its tests counts."""
    serial = made.enrol("WAIVEC")["serial"]
    opened = made.open(serial, "renewal")
    tests = next(reports.tests_of(opened, Author.BOARD, n) for n in reports.numbers_of(opened, Author.BOARD) if n == 2)
    free = [
        test
        for test in tests
        if made.ask("POST", f"/boards/{serial}/waivers", _body(made, test), "coordinator").status_code == 201
    ]
    wanted = [
        need for need in made.get(f"/runs/{opened['run']}")["still_needed"] if need["what"].startswith("Part 2 of the board")
    ]
    assert bool(wanted) is (set(free) != set(tests))


def _body(made: Trial, test: str) -> dict[str, Any]:
    return {"test": test, "reason": "For this test.", "until": in_days(made, 3)}


def test_claims_never_outgrow_their_code_whatever_is_waived() -> None:
    """The tests' names while they fit; else how many. The rest of the claims at their longest leaves room for the number."""
    most = {
        "id": "c-" + "f" * 20, "serial": "S" * 24, "module": "f" * 64, "design": "d" * 24, "judging": "f" * 64,
        "run": "r-" + "f" * 20, "results": "f" * 64, "rule": "BW-1", "iat": 4102444800, "exp": 4102444800, "site": "s" * 32,
        "ledger": "f" * 64, "virtual": True, "one_person": True,
    }  # fmt: skip
    usual = {**most, "serial": "TB0001X", "module": reports.MODULE, "design": "tarn-b", "site": "main"}
    names = [test.id for test in reports.SHEET.tests.values()]
    for given, tests, named in ((usual, names[:4], True), (usual, names, False), (most, names[:1], False)):
        told = _waived(given, tests)
        assert told["waived"] == (tests if named else len(tests))
        assert len(json.dumps(given | told, separators=(",", ":")).encode()) <= LARGEST_CLAIMS
    assert _waived(most, []) == {}


@pytest.mark.parametrize(("more", "said"), [
    ({}, []), ({"waived": ["LED-VF", "TONE-HEAR"]}, ["Let go by a waiver: LED-VF, TONE-HEAR."]),
    ({"waived": 12}, ["Let go by a waiver: 12 tests."]), ({"one_person": True}, ["One person did what two do elsewhere."]),
    ({"waived": ["LED-VF"], "one_person": True}, ["Let go by a waiver: LED-VF.", "One person did what two do elsewhere."]),
])  # fmt: skip
def test_who_checks_offline_hears_what_was_let_go(more: dict[str, Any], said: list[str]) -> None:
    """Beside the status, and without changing it."""
    now = datetime(2026, 11, 25, tzinfo=UTC)
    known = {"id": "c-1", "serial": "TB001X", "site": "main", "iat": int(now.timestamp()) - 60, "exp": int(now.timestamp()) + 60}
    status = {"site": "main", "iat": int(now.timestamp()), "certificates": {"c-1": "in-force"}}
    told = judge({**known, **more}, status, now)
    assert told.exit == 0
    sentences = told.sentence.split("by the status list of 2026-11-25 00:00 UTC.")[1].strip()
    assert sentences == " ".join(said)
