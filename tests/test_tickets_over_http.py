"""Run tickets at the service: handed out signed, bound to one board by the first use, and dead with their bench."""

import hashlib
import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from werkzeug.test import TestResponse

from benchworthy.errors import TokenInvalid
from benchworthy.evidence.gate import canonical
from benchworthy.intake import label
from benchworthy.judging.draws import right_answer
from benchworthy.keys.bench_key import BenchKey
from benchworthy.keys.status import open_token
from benchworthy.reports.report import Author
from benchworthy.reports.signed import CERTIFICATE_TYPE, TICKET_TYPE
from services import reports
from services.desk import refused
from services.service import Trial, is_problem, trial

DAYS_3 = timedelta(hours=72)


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        started.have_fixtures()
        yield started


def wanted(**changes: Any) -> dict[str, Any]:
    return {"count": 1, "set": "plug", "design": "tarn-b", **changes}


def issue(made: Trial, **changes: Any) -> dict[str, Any]:
    told: dict[str, Any] = made.post(f"/benches/{made.bench.thumbprint}/tickets", wanted(**changes))
    return told


def claims_of(made: Trial, token: str) -> dict[str, Any]:
    assert made.services.signer is not None
    return open_token(token, made.services.signer.jwks(), TICKET_TYPE)


def opened(made: Trial, **changes: Any) -> dict[str, Any]:
    """A ticket as a bench acts on it: what a run opened at the service would have said."""
    told = issue(made, **changes)
    (one,) = told["tickets"]
    claims = claims_of(made, one["token"])
    first = [draw for draw in claims["draws"] if draw["draw"] == 1]
    return {**told["sheet"], **claims, "second": [d for d in claims["draws"] if d["draw"] == 2], "draws": first}


def used(serial: str, **changes: Any) -> dict[str, Any]:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    return {"serial": serial, "scanned": serial, "fixtures": list(reports.FIXTURES), "opened_at": now, **changes}


def use(made: Trial, ticket: Mapping[str, Any], body: Mapping[str, Any], role: str = "tester") -> TestResponse:
    return made.ask("POST", f"/runs/{ticket['run']}/use", dict(body), role)


def unmet(answer: TestResponse) -> list[str]:
    assert (answer.status_code, is_problem(answer)["code"]) == (409, "ticket-refused"), answer.text
    return [item["code"] for item in is_problem(answer)["unmet"]]


def test_a_ticket_says_all_that_an_opened_run_says_but_the_board(made: Trial) -> None:
    """Plan, parts, questions and draws are those of a run opened at the service; the ticket names its sheet by hash."""
    serial = made.enrol("TCK001")["serial"]
    online = made.open(serial, "full")
    told = issue(made, set="full", count=2)
    assert told["sheet"] == {name: online[name] for name in ("design", "plan", "parts", "ask", "state_files", "stage")}
    claims = [claims_of(made, one["token"]) for one in told["tickets"]]
    assert len({c["run"] for c in claims} | {c["nonce"] for c in claims} | {c["key"] for c in claims}) == 6
    for one, claim in zip(told["tickets"], claims, strict=True):
        assert (claim["run"], claim["bench"], claim["set"]) == (one["run"], made.bench.thumbprint, "full")
        assert claim["sheet"] == hashlib.sha256(canonical(told["sheet"])).hexdigest()
        assert claim["exp"] - claim["iat"] == DAYS_3.total_seconds()
        assert claim["key"] == made.services.derive_run_key(claim["run"], claim["nonce"])
        assert [(d["test"], d["draw"]) for d in claim["draws"]] == [(d["test"], n) for d in online["draws"] for n in (1, 2)]


def test_a_changed_ticket_and_one_of_another_kind_are_not_believed(made: Trial) -> None:
    """The signature covers the bench's name, and no certificate passes for a ticket."""
    (one,) = issue(made)["tickets"]
    head, _, signature = one["token"].split(".")
    claims = claims_of(made, one["token"])
    forged = reports.b64(json.dumps({**claims, "bench": "A" * 43}).encode()).decode()
    assert made.services.signer is not None
    jwks = made.services.signer.jwks()
    for token, kind in ((f"{head}.{forged}.{signature}", TICKET_TYPE), (one["token"], CERTIFICATE_TYPE)):
        with pytest.raises(TokenInvalid):
            open_token(token, jwks, kind)


def test_a_run_on_a_ticket_carries_a_certificate(made: Trial) -> None:
    """Used, filled, closed: the same evidence as online, and the certificate rests on it."""
    serial = made.enrol("TCK002")["serial"]
    ticket = opened(made, set="full")
    answer = use(made, ticket, used(serial))
    assert answer.status_code == 201, answer.text
    assert (answer.json["run"], answer.json["serial"], answer.json["complete"]) == (ticket["run"], serial, False)
    made.deliver_all(ticket, serial)
    made.people_answer(ticket)
    closed = made.post(f"/runs/{ticket['run']}/close", {})
    assert (closed["complete"], closed["verdict"], closed["findings"]) == (True, "in limits", [])
    assert made.certify(serial, ticket["run"]).status_code == 201


def test_reports_before_the_use_wait_and_are_told_so(made: Trial) -> None:
    """Signed by the run key or by the bench: nothing is stored, and the answer names the way."""
    serial = made.enrol("TCK003")["serial"]
    ticket = opened(made)
    tokens = [reports.part(ticket, serial, 1), reports.bench_part(ticket, serial, made.bench)]
    before = made.rows()
    for token in tokens:
        answer = made.send(token)
        refused(answer, 401, "report-key-unknown")
        assert f"/runs/{ticket['run']}/use" in answer.json["detail"]
    assert made.rows() == before
    assert use(made, ticket, used(serial)).status_code == 201
    made.deliver(*tokens)


def test_the_same_use_sent_twice_changes_nothing(made: Trial) -> None:
    """A bench that was cut off sends again what it sent: 200 and the run as it stands."""
    serial = made.enrol("TCK004")["serial"]
    ticket, body = opened(made), used(serial)
    assert use(made, ticket, body).status_code == 201
    before = made.rows()
    again = use(made, ticket, body)
    assert (again.status_code, again.json["run"]) == (200, ticket["run"])
    assert made.rows() == before


def test_a_ticket_is_for_one_run_of_one_board(made: Trial) -> None:
    """Another board, another scan of the same board, other fixtures: refused, and nothing changed."""
    one, other = made.enrol("TCK005")["serial"], made.enrol("TCK006")["serial"]
    ticket, body = opened(made), used(one)
    assert use(made, ticket, body).status_code == 201
    before = made.rows()
    later = (datetime.now(UTC) + timedelta(seconds=5)).isoformat(timespec="seconds")
    for second in (used(other), {**body, "opened_at": later}, {**body, "fixtures": []}):
        assert unmet(use(made, ticket, second)) == ["ticket-used"]
    assert made.rows() == before
    refused(made.send(reports.part(ticket, other, 1)), 409, "report-for-another")


def test_a_ticket_of_another_design_or_with_another_label_is_refused(made: Trial) -> None:
    """So is a board that nobody enrolled, and a ticket that nobody handed out."""
    serial = made.enrol("TCK007")["serial"]
    beck = made.post("/boards", {"serial": label.complete("BCK001"), "design": "beck-a", "virtual": True})["serial"]
    ticket = opened(made)
    before = made.rows()
    assert unmet(use(made, ticket, used(beck))) == ["design-differs"]
    refused(use(made, ticket, used(serial, scanned=beck)), 422, "request-invalid")
    refused(use(made, ticket, used("TCK0099")), 422, "request-invalid")
    refused(use(made, {"run": "r-00000000"}, used(serial)), 404, "unknown-run")
    online = made.open(serial)
    refused(use(made, online, used(serial)), 404, "unknown-run")
    assert made.rows()["tickets"] == before["tickets"] and made.rows()["runs"] == before["runs"] + 1


def test_a_revoked_bench_takes_its_tickets_with_it(made: Trial) -> None:
    """Those waiting die; one used before is a run like any other, whose use may still be told again."""
    serial = made.enrol("TCK008")["serial"]
    before, waiting, body = opened(made), opened(made), used(serial)
    assert use(made, before, body).status_code == 201
    revocation = {"since": datetime.now(UTC).isoformat(), "reason": "The bench was stolen."}
    made.post(f"/benches/{made.bench.thumbprint}/revocation", revocation, "coordinator")
    rows = made.rows()
    assert unmet(use(made, waiting, body)) == ["bench-revoked"]
    assert use(made, before, body).status_code == 200
    refused(made.ask("POST", f"/benches/{made.bench.thumbprint}/tickets", wanted()), 404, "unknown-bench")
    assert made.rows() == rows
    states = {t["run"]: t["state"] for t in made.get(f"/benches/{made.bench.thumbprint}/tickets")["tickets"]}
    assert states == {before["run"]: "used", waiting["run"]: "dead"}


def test_evidence_on_an_expired_ticket_is_kept_and_never_certifies(made: Trial) -> None:
    """Every part is stored and judged, an out counts, and the run stays incomplete however much arrives."""
    serial = made.enrol("TCK009")["serial"]
    ticket = opened(made, set="full")
    made.clock.ahead = DAYS_3 + timedelta(minutes=1)
    assert use(made, ticket, used(serial)).status_code == 201
    made.deliver_all(ticket, serial)
    made.people_answer(ticket)
    closed = made.post(f"/runs/{ticket['run']}/close", {})
    assert (closed["complete"], closed["verdict"]) == (False, "in limits")
    assert [need["code"] for need in closed["still_needed"]] == ["ticket-expired"]
    assert "run-incomplete" in made.unmet(serial, ticket["run"])
    assert made.get(f"/boards/{serial}")["module"] is None, "an incomplete run binds no module"


def test_an_out_on_an_expired_ticket_counts(made: Trial) -> None:
    """Late evidence raises doubt as well as any other."""
    serial = made.enrol("TCK010")["serial"]
    ticket = opened(made, set="full")
    made.clock.ahead = DAYS_3 + timedelta(minutes=1)
    assert use(made, ticket, used(serial)).status_code == 201
    made.deliver_all(ticket, serial, _rail_out())
    made.post(f"/runs/{ticket['run']}/close", {})
    made.whole_run(serial)
    assert "out-unexplained" in made.unmet(serial)


def _rail_out() -> dict[str, Any]:
    test = reports.SHEET.tests["PWR-V5"]
    return reports.scaled("PWR-V5", test.steps[0], 1.3)


def test_a_ticket_told_in_time_takes_parts_as_long_as_any_run(made: Trial) -> None:
    """Told in the last hour of its 72: the inspector has the usual time from then on."""
    serial = made.enrol("TCK011")["serial"]
    ticket = opened(made, set="full")
    made.clock.ahead = DAYS_3 - timedelta(minutes=1)
    assert use(made, ticket, used(serial)).status_code == 201
    made.clock.ahead = DAYS_3 + timedelta(hours=1)
    made.deliver_all(ticket, serial)
    made.people_answer(ticket)
    closed = made.post(f"/runs/{ticket['run']}/close", {})
    assert (closed["complete"], closed["verdict"]) == (True, "in limits")
    made.clock.ahead += timedelta(days=2)
    refused(made.send(reports.part(ticket, serial, 1, boot=9)), 409, "run-closed")


@pytest.mark.parametrize("hours", [-200, -1, 30])
def test_a_bench_clock_that_cannot_be_right_is_a_finding(made: Trial, hours: int) -> None:
    """Before the issue or after now: the run counts as opened at the issue, so no repair since then lies before it."""
    serial = made.enrol("TCK012")["serial"]
    ticket = opened(made)
    said = datetime.now(UTC) + timedelta(hours=hours)
    made.clock.ahead = timedelta(hours=2)
    told = use(made, ticket, used(serial, opened_at=said.isoformat()))
    assert told.status_code == 201
    assert datetime.fromisoformat(told.json["opened_at"]).timestamp() == ticket["iat"]
    assert made.findings(serial) == ["bench-clock-wrong"]


def test_a_plausible_bench_clock_dates_the_run(made: Trial) -> None:
    """Measured in the evening, delivered in the morning: a repair between the two still asks for a new run."""
    serial = made.enrol("TCK013")["serial"]
    ticket = opened(made, set="full")
    said = (datetime.now(UTC) + timedelta(hours=1)).replace(microsecond=0)
    made.clock.ahead = timedelta(hours=10)
    made.post(f"/boards/{serial}/repairs", {"part": "R17", "seen": "It was cracked."})
    made.clock.ahead = timedelta(hours=12)
    told = use(made, ticket, used(serial, opened_at=said.isoformat()))
    assert datetime.fromisoformat(told.json["opened_at"]) == said and made.findings(serial) == []
    made.deliver_all(ticket, serial)
    made.people_answer(ticket)
    made.post(f"/runs/{ticket['run']}/close", {})
    assert "run-before-repair" in made.unmet(serial, ticket["run"])


def test_the_second_draw_is_the_tickets(made: Trial) -> None:
    """What the person was shown away from the service is what the answer is held against."""
    serial = made.enrol("TCK014")["serial"]
    ticket = opened(made, set="full")
    assert use(made, ticket, used(serial)).status_code == 201
    (first,) = [d for d in ticket["draws"] if d["test"] == "LED-SEE"]
    (second,) = [d for d in ticket["second"] if d["test"] == "LED-SEE"]
    assert first["stimulus"] != second["stimulus"]
    right = right_answer("blink", second["stimulus"])
    path = f"/runs/{ticket['run']}"
    made.post(f"{path}/answers", {"answers": [{"test": "LED-SEE", "draw": 1, "text": right}]})
    assert made.post(f"{path}/draws", {"test": "LED-SEE"}) == second
    state = made.post(f"{path}/answers", {"answers": [{"test": "LED-SEE", "draw": 2, "text": right}]})
    assert {t["test"]: t["verdict"] for t in state["tests"]} == {"LED-SEE": "in limits"}


def test_who_was_at_the_bench_cannot_inspect(made: Trial) -> None:
    """Whoever delivers, the person named as the tester counts among those who tested."""
    serial = made.enrol("TCK015")["serial"]
    ticket = opened(made, set="full")
    assert use(made, ticket, used(serial, holder="I2")).status_code == 201
    made.deliver_all(ticket, serial)
    made.people_answer(ticket)
    made.post(f"/runs/{ticket['run']}/close", {})
    assert made.unmet(serial, ticket["run"]) == ["inspector-not-second-person"]
    entry = next(e for e in made.get(f"/boards/{serial}/history")["entries"] if e["kind"] == "run-opened")
    assert (entry["holder"], entry["facts"]["tested_by"], entry["facts"]["late"]) == ("T4", "I2", False)


def test_tickets_are_asked_for_within_bounds_and_by_a_tester(made: Trial) -> None:
    """Sixty at most, of a set and a design that exist; a reader and the desk get none. Nothing changes."""
    path, before = f"/benches/{made.bench.thumbprint}/tickets", made.rows()
    for body in (wanted(count=0), wanted(count=61), wanted(set="field"), wanted(set="x"), {"count": 1}):
        refused(made.ask("POST", path, body), 422, "request-invalid")
    refused(made.ask("POST", path, wanted(design="tarn-z")), 404, "unknown-design")
    refused(made.ask("POST", f"/benches/{'A' * 43}/tickets", wanted()), 404, "unknown-bench")
    refused(made.ask("GET", f"/benches/{'A' * 43}/tickets"), 404, "unknown-bench")
    for role in ("reader", "desk", "inspector"):
        refused(made.ask("POST", path, wanted(), role), 403, "role-refused")
    assert made.rows() == before
    assert len(issue(made, count=60)["tickets"]) == 60


def test_the_list_of_tickets_holds_no_secret_and_comes_in_pages(made: Trial) -> None:
    """By run, with state; as CSV too."""
    told = issue(made, count=3)
    runs = sorted(one["run"] for one in told["tickets"])
    path = f"/benches/{made.bench.thumbprint}/tickets"
    first = made.get(f"{path}?limit=2", "reader")
    rest = made.get(f"{path}?limit=2&after={first['next']}", "reader")
    assert [t["run"] for t in first["tickets"] + rest["tickets"]] == runs and rest["next"] is None
    keys = {claims_of(made, one["token"])[name] for one in told["tickets"] for name in ("key", "nonce")}
    text = made.ask("GET", path, role="reader").text
    assert not [key for key in keys if key in text] and {t["state"] for t in first["tickets"]} == {"waiting"}
    lines = made.client.get(
        f"/api/v1{path}", headers={"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "text/csv"}
    ).text.splitlines()
    assert lines[0].startswith("run,design,set,state,") and len(lines) == 4
    made.clock.ahead = DAYS_3
    assert {t["state"] for t in made.get(path)["tickets"]} == {"expired"}


def test_another_bench_cannot_fill_the_run(made: Trial, tmp_path: Path) -> None:
    """The ticket names its bench; a report by another one's key is refused."""
    serial = made.enrol("TCK016")["serial"]
    other = BenchKey.load_or_create(tmp_path / "other.jwk")
    made.post("/benches", {"name": "Bench 2", "jwk": dict(other.public_jwk)}, "coordinator")
    ticket = opened(made)
    assert use(made, ticket, used(serial)).status_code == 201
    number = reports.numbers_of(ticket, Author.BENCH)[0]
    refused(made.send(reports.bench_part(ticket, serial, other, number)), 409, "report-for-another")
