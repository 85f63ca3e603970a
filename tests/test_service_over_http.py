"""The REST interface from outside: what it answers, what it refuses, and that every refusal has the one shape."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from openapi_spec_validator import validate
from werkzeug.test import TestResponse

from benchworthy.api.paths import all_paths
from benchworthy.intake import label
from benchworthy.web import create_app
from services import reports
from services.desk import refused
from services.service import Trial, is_problem, trial

NUMBERS = ("{number}", "{stage}")
OPEN = {
    "GET /agent/files/{digest}/{path}",
    "GET /agent/package.json",
    "GET /.well-known/jwks.json",
    "GET /api/v1/status-list",
    "GET /health/live",
    "GET /health/ready",
    "POST /api/v1/remarks",
    "POST /api/v1/reports",
}


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trial]:
    """One for all that only asks."""
    with trial(tmp_path_factory.mktemp("http")) as started:
        yield started


# ---------------------------------------------------------------------------------------- the shape of every error


GARBAGE: tuple[dict[str, Any], ...] = (
    {},
    {"data": b"\xff\xfe\x00", "content_type": "application/json"},
    {"data": b"{", "content_type": "application/json"},
    {"data": b"[1, 2]", "content_type": "application/json"},
    {"data": b"null", "content_type": "application/json"},
    {"data": b'{"serial": {}, "set": [], "run": 7, "answers": {"0": 1}, "due": 1e400}', "content_type": "application/json"},
    {"data": b'{"unheard": "of"}', "content_type": "application/json"},
    {"data": b"<a/>", "content_type": "text/xml"},
    {"data": b"\x00" * 70_000, "content_type": "application/octet-stream"},
    {"data": b"a.b.c", "content_type": "application/jose"},
    {"query_string": "limit=many&after=%ff&limit=-1"},
    {"headers": {"Accept": "image/png", "If-Match": "*"}},
)  # fmt: skip
NAMES = ("KM00015", "\u00e9\u2603", "' OR 1=1 --", "x" * 300, "..%2f..", "%00")


def faults(app: Flask, client: FlaskClient, secret: str, paths: list[str]) -> list[str]:
    """Every answer to garbage that is a failure of ours, or an error in another shape."""
    found = []
    for entry in paths:
        method, path = entry.split(" ")
        for name in NAMES if "{" in path else NAMES[:1]:
            filled = "/".join(name if part.startswith("{") else part for part in path.split("/"))
            for given in GARBAGE:
                options = {**given, "headers": {"Authorization": f"Bearer {secret}", **given.get("headers", {})}}
                found += _fault(client.open(filled, method=method, **options), f"{entry} [{name[:12]}] {str(given)[:60]}")
    return found


def _fault(answer: TestResponse, what: str) -> list[str]:
    if answer.status_code < 400:
        return []
    if answer.status_code >= 500:
        return [f"{what}: {answer.status_code} {answer.text[:120]}"]
    try:
        is_problem(answer)
    except AssertionError as fault:
        return [f"{what}: {fault}"]
    return []


def test_garbage_at_every_endpoint_gets_a_problem_document_and_never_a_500(made: Trial) -> None:
    """Every path and method the application knows, with a token that may do everything."""
    known = all_paths(made.app)
    assert len(known) >= 22
    assert faults(made.app, made.client, made.secrets["coordinator"], known) == []


def test_the_same_check_finds_a_planted_failure_and_a_planted_page(made: Trial) -> None:
    """A view that breaks, and one that answers 404 in HTML: the check that found nothing above finds both."""
    app = create_app(made.services)
    app.add_url_rule("/planted/bare", "bare", lambda: ("<h1>Internal Server Error</h1>", 500))
    app.add_url_rule("/planted/raises", "raises", lambda: 1 / 0)
    app.add_url_rule("/planted/page", "page", lambda: ("<h1>Not found</h1>", 404))
    planted = [path for path in all_paths(app) if "/planted/" in path]
    found = faults(app, app.test_client(), made.secrets["coordinator"], planted)
    assert {line.split(" ")[1] for line in found} == {"/planted/bare", "/planted/raises", "/planted/page"}


def test_what_is_not_there_and_what_is_not_allowed_is_told_in_the_same_shape(house: Trial) -> None:
    """404, 405 with Allow, 415 and 413."""
    refused(house.client.get("/nowhere"), 404, "not-found")
    answer = house.ask("DELETE", "/boards")
    refused(answer, 405, "method-not-allowed")
    assert {"GET", "POST"} <= set(answer.headers["Allow"].split(", "))
    refused(house.client.post("/api/v1/reports", data=b"a.b.c", content_type="application/json"), 415, "media-type-unsupported")
    large = house.client.post("/api/v1/reports", data=b"a" * 5000, content_type="application/jose")
    refused(large, 413, "report-too-large")


def test_a_request_at_fault_names_its_fields(house: Trial) -> None:
    """Every field that is wrong, at once."""
    answer = house.ask("POST", "/boards", {"serial": "KM0001X", "virtual": "yes", "colour": "red"})
    document = refused(answer, 422, "request-invalid")
    assert {"serial", "virtual", "colour", "design"} <= set(document["errors"])


# ------------------------------------------------------------------------------------------------- who may do what


def test_without_a_token_only_the_open_paths_answer(house: Trial) -> None:
    """401 with WWW-Authenticate everywhere else, before anything is looked at."""
    for entry in all_paths(house.app):
        method, path = entry.split(" ")
        parts = ["1" if p in NUMBERS else "KM00015" if p.startswith("{") else p for p in path.split("/")]
        answer = house.client.open("/".join(parts), method=method)
        if entry in OPEN:
            assert answer.status_code != 401, entry
        else:
            refused(answer, 401, "token-missing")
            assert answer.headers["WWW-Authenticate"] == "Bearer", entry


def test_an_unknown_and_an_ended_token_are_refused(made: Trial) -> None:
    """Not known here, or its days are over: 401 both times, and the tester's own token still holds."""
    answer = made.client.get("/api/v1/boards", headers={"Authorization": "Bearer bw_nothing"})
    refused(answer, 401, "token-refused")
    short = made.post("/tokens", {"role": "desk", "holder": "D2", "days": 1}, "coordinator")["secret"]
    assert made.client.get("/api/v1/boards", headers={"Authorization": f"Bearer {short}"}).status_code == 200
    made.clock.ahead = timedelta(days=1, minutes=1)
    answer = made.client.get("/api/v1/boards", headers={"Authorization": f"Bearer {short}"})
    refused(answer, 401, "token-refused")
    assert made.ask("GET", "/boards").status_code == 200


@pytest.mark.parametrize(
    ("path", "allowed"),
    [
        ("/boards", "tester desk"),
        ("/boards/KM00015/runs", "tester desk"),
        ("/boards/KM00015/certificates", "tester"),
        ("/boards/KM00015/loans", "desk"),
        ("/boards/KM00015/returns", "desk"),
        ("/boards/KM00015/check-ins", "tester desk"),
        ("/boards/KM00015/holds", "tester desk"),
        ("/runs/r-00000000/answers", "tester desk inspector"),
        ("/runs/r-00000000/draws", "tester desk"),
        ("/runs/r-00000000/close", "tester desk"),
        ("/benches", ""),
        ("/tokens", ""),
    ],
)
def test_each_write_is_open_to_its_roles_and_to_the_coordinator(house: Trial, path: str, allowed: str) -> None:
    """The others get 403 whatever they send; who may is told what is wrong with it."""
    for role in ("tester", "desk", "inspector", "reader", "coordinator"):
        answer = house.ask("POST", path, {"unheard": "of"}, role)
        if role in (*allowed.split(), "coordinator"):
            assert answer.status_code in (404, 422), (role, answer.text)
        else:
            refused(answer, 403, "role-refused")


# --------------------------------------------------------------------------------------------------- boards, fitness


def test_unknown_no_evidence_and_fails_are_three_answers(made: Trial) -> None:
    """A serial number nobody enrolled is 404; a new board has no evidence; a bad one fails; a mistyped label is 422."""
    refused(made.ask("GET", f"/boards/{label.complete('NOBODY')}/fitness"), 404, "unknown-serial")
    serial = made.enrol("KM0001")["serial"]
    wrong = serial[:-1] + ("A" if serial[-1] != "A" else "B")
    refused(made.ask("GET", f"/boards/{wrong}/fitness"), 422, "serial-invalid")
    new = made.get(f"/boards/{serial}/fitness")
    assert (new["fit"], new["answer"], new["state"], new["until"]) == (False, "no evidence", "kit", None)
    assert [item["code"] for item in new["unmet"]] == ["no-bench-evidence"]
    made.whole_run(serial, reports.scaled("PWR-V5", "rail", 0.8))
    bad = made.get(f"/boards/{serial}/fitness")
    assert (bad["fit"], bad["answer"]) == (False, "fails")
    assert all(item[name] for item in bad["unmet"] for name in ("code", "what", "evidence", "next"))


def test_a_board_is_enrolled_once_listed_in_pages_and_keeps_its_history(made: Trial) -> None:
    """The key is told once; label and inventory number are never given twice."""
    first = made.enrol("LIST01", kit_lot="LOT-7", inventory_ref="KB/1")
    assert len(first["field_key"]) == 64 and first["broker_password"]
    body = {"serial": first["serial"], "design": "tarn-b"}
    refused(made.ask("POST", "/boards", body), 409, "already-enrolled")
    again = {"serial": label.complete("LIST02"), "design": "tarn-b", "inventory_ref": "KB/1"}
    refused(made.ask("POST", "/boards", again), 409, "already-enrolled")
    refused(made.ask("POST", "/boards", {**again, "design": "none-z", "inventory_ref": "KB/2"}), 404, "unknown-design")
    others = {made.enrol(f"LIST0{n}")["serial"] for n in (3, 4)}
    page = made.get("/boards?limit=2", "reader")
    rest = made.get(f"/boards?limit=2&after={page['next']}", "reader")
    listed = [board["serial"] for board in (*page["boards"], *rest["boards"])]
    assert listed == sorted({first["serial"], *others}) and rest["next"] is None
    shown = made.get(f"/boards/{first['serial']}", "reader")
    assert "field_key" not in shown and (shown["kit_lot"], shown["epoch"], shown["module"]) == ("LOT-7", 1, None)
    (entry,) = made.get(f"/boards/{first['serial']}/history")["entries"]
    assert (entry["kind"], entry["holder"], entry["position"]) == ("enrolled", "T4", 1)


def test_a_run_is_refused_for_an_unknown_bench_set_or_another_label(made: Trial) -> None:
    """And what a run that does not exist is asked for is 404."""
    serial, other = made.enrol("RUNS01")["serial"], made.enrol("RUNS02")["serial"]
    good = {"set": "first", "bench": made.bench.thumbprint, "scanned": serial}
    refused(made.ask("POST", f"/boards/{serial}/runs", {**good, "bench": "A" * 43}), 404, "unknown-bench")
    refused(made.ask("POST", f"/boards/{serial}/runs", {**good, "set": "third"}), 422, "request-invalid")
    refused(made.ask("POST", f"/boards/{serial}/runs", {**good, "scanned": other}), 422, "request-invalid")
    for path in ("answers", "draws", "close"):
        body: dict[str, Any] = {"answers": {"answers": [{"test": "VIS-INSP", "text": "x"}]}, "draws": {"test": "LED-SEE"}}.get(
            path, {}
        )
        refused(made.ask("POST", f"/runs/r-00000000/{path}", body), 404, "unknown-run")
    refused(made.ask("GET", "/runs/r-00000000"), 404, "unknown-run")


def test_answers_and_draws_out_of_turn_are_refused(made: Trial) -> None:
    """Not the tester's test, a draw nobody made, a second answer, a second draw without a wrong answer, a closed run."""
    serial = made.enrol("TURN01")["serial"]
    opened = made.open(serial)
    run = f"/runs/{opened['run']}"
    inspected = {"answers": [{"test": "VIS-INSP", "items": reports.INSPECTED}]}
    refused(made.ask("POST", f"{run}/answers", inspected), 409, "answer-refused")
    measured = {"answers": [{"test": "PWR-DMM33", "number": 3.3}]}
    made.post(f"{run}/answers", measured)
    refused(made.ask("POST", f"{run}/answers", measured), 409, "answer-refused")
    blinked = {"answers": [{"test": "LED-SEE", "draw": 2, "text": "3"}]}
    refused(made.ask("POST", f"{run}/answers", blinked), 409, "answer-refused")
    refused(made.ask("POST", f"{run}/answers", {"answers": [{"test": "PWR-V5", "number": 5}]}), 409, "answer-refused")
    refused(made.ask("POST", f"{run}/draws", {"test": "LED-SEE"}), 409, "draw-refused")
    made.post(f"{run}/close", {})
    refused(made.ask("POST", f"{run}/close", {}), 409, "run-closed")
    refused(made.ask("POST", f"{run}/answers", inspected, "inspector"), 409, "run-closed")


def test_a_bench_is_registered_once_and_never_with_its_private_half(made: Trial) -> None:
    """And a key of another kind is none."""
    public = dict(made.bench.public_jwk)
    refused(made.ask("POST", "/benches", {"name": "Again", "jwk": public}, "coordinator"), 409, "already-enrolled")
    refused(made.ask("POST", "/benches", {"name": "B", "jwk": {**public, "d": "A" * 43}}, "coordinator"), 422, "request-invalid")
    refused(made.ask("POST", "/benches", {"name": "B", "jwk": {"kty": "RSA"}}, "coordinator"), 422, "request-invalid")
    refused(made.ask("POST", "/benches", {"name": "B", "jwk": {**public, "x": 7}}, "coordinator"), 422, "request-invalid")


# -------------------------------------------------------------------------------------------------- the specification


def test_the_specification_is_valid_and_names_every_endpoint(house: Trial) -> None:
    """OpenAPI as the service gives it out, behind a token."""
    document = house.get("/openapi.json", "reader")
    validate(document)
    named = {f"{method.upper()} {path}" for path, item in document["paths"].items() for method in item if method != "parameters"}
    served = {entry for entry in all_paths(house.app) if "/api/v1/" in entry and "openapi" not in entry}
    assert served <= named, sorted(served - named)
