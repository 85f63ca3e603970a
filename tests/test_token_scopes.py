"""A token's scope narrows its role, at every path that asks for a token."""

import io
import json
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from benchworthy import house_actions
from benchworthy.api.paths import all_paths
from benchworthy.cli.main import main
from benchworthy.keys.access import fingerprint, new_secret
from services import reports
from services.desk import refused
from services.served import served
from services.service import Trial, is_problem, trial

DELIVERS = {
    "POST /api/v1/runs/{run}/answers",
    "POST /api/v1/runs/{run}/draws",
    "POST /api/v1/runs/{run}/use",
    "GET /api/v1/runs/{run}",
}


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes; coordinators whose tokens have a scope, by its name."""
    with trial(tmp_path) as started:
        started.have_fixtures()
        for scope in ("read", "reports", "tomorrow"):
            secret = new_secret(lambda size, scope=scope: scope.encode().ljust(size, b"."))  # type: ignore[misc]
            started.secrets[scope] = secret
            house_actions.register_token(started.services, fingerprint(secret), "coordinator", "C1", None, "C1", scope)
        yield started


def closed_paths(made: Trial) -> list[str]:
    """Every path that answers nobody without a token."""
    found = []
    for line in all_paths(made.app):
        method, path = line.split(" ")
        answer = made.client.open(concrete(path), method=method)
        if answer.status_code == 401 and is_problem(answer)["code"] == "token-missing":
            found.append(line)
    return found


def concrete(path: str) -> str:
    values = {"{number}": "1", "{stage}": "1"}
    for name in [part for part in path.split("/") if part.startswith("{")]:
        path = path.replace(name, values.get(name, "x"))
    return path


def code_of(made: Trial, line: str, scope: str) -> str:
    """The code of what is answered; empty for what is no problem."""
    method, path = line.split(" ")
    headers = {"Authorization": f"Bearer {made.secrets[scope]}"}
    answer = made.client.open(concrete(path), method=method, headers=headers, json={} if method != "GET" else None)
    return str(is_problem(answer)["code"]) if answer.status_code >= 400 else ""


def test_a_reading_token_changes_nothing_at_any_path(made: Trial) -> None:
    """GET goes as far as the role does; everything else is refused, whatever the role."""
    paths, before = closed_paths(made), made.rows()
    assert len(paths) > 40 and {line.split(" ")[0] for line in paths} >= {"GET", "POST", "PATCH"}
    refusals = {line for line in paths if code_of(made, line, "read") == "scope-refused"}
    assert refusals == {line for line in paths if not line.startswith("GET ")}
    assert made.rows() == before


def test_a_delivering_token_only_delivers_at_any_path(made: Trial) -> None:
    """The evidence of a run, and that run to look at; no list, no board, no desk."""
    paths, before = closed_paths(made), made.rows()
    assert set(paths) >= DELIVERS
    assert {line for line in paths if code_of(made, line, "reports") != "scope-refused"} == DELIVERS
    assert made.rows() == before


def test_a_scope_that_is_not_known_does_nothing_at_any_path(made: Trial) -> None:
    """A record from a later version, opened by this one, opens no more than that version meant."""
    assert {code_of(made, line, "tomorrow") for line in closed_paths(made)} == {"scope-refused"}


def test_a_delivering_token_fills_a_run(made: Trial) -> None:
    """Use of a ticket, parts and answers; closing takes somebody with more."""
    serial = made.enrol("SCP001")["serial"]
    told = made.post(f"/benches/{made.bench.thumbprint}/tickets", {"count": 1, "set": "plug", "design": "tarn-b"})
    run = told["tickets"][0]["run"]
    used = {"serial": serial, "scanned": serial, "opened_at": datetime.now(UTC).isoformat(), "fixtures": list(reports.FIXTURES)}
    made.post(f"/runs/{run}/use", used, "reports")
    refused(made.ask("POST", f"/runs/{run}/close", {}, "reports"), 403, "scope-refused")
    assert made.get(f"/runs/{run}", "reports")["complete"] is False


def test_a_token_is_made_with_a_scope_and_listed_with_it(made: Trial) -> None:
    """`all` when nothing is said; the ledger has it too."""
    body = {"role": "tester", "holder": "T8"}
    assert made.post("/tokens", body, "coordinator")["scope"] == "all"
    told = made.post("/tokens", {**body, "scope": "reports"}, "coordinator")
    assert told["scope"] == "reports"
    listed = {t["token"]: t["scope"] for t in made.get("/tokens", "coordinator")["tokens"]}
    assert listed[fingerprint(told["secret"])[:12]] == "reports" and listed[fingerprint(made.secrets["tester"])[:12]] == "all"
    refused(made.ask("POST", "/tokens", {**body, "scope": "some"}, "coordinator"), 422, "request-invalid")
    with made.house.database.reading() as work:
        facts = [e.facts for e in work.ledger.entries("site:trial") if e.kind == "token-created"]
    assert facts[-1]["scope"] == "reports"


def command(*words: str) -> tuple[int, str, str]:
    out, voice = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(voice):
        code = main([*words])
    return code, out.getvalue(), voice.getvalue()


def test_the_command_makes_a_token_with_a_scope(made: Trial, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And the first token of a site cannot be narrowed."""
    with served(made.app) as url:
        words = ("token", "create", "S1", "--role", "reader", "--scope", "read", "--json", "--url", url)
        code, out, _ = command(*words, "--token", made.secrets["coordinator"])
    told: dict[str, Any] = json.loads(out)
    assert (code, told["scope"], told["role"]) == (0, "read", "reader")
    monkeypatch.setenv("BENCHWORTHY_DATA", str(tmp_path / "new"))
    code, out, voice = command("token", "create", "C1", "--first", "--scope", "read")
    assert (code, out) == (2, "") and "[request-invalid]" in voice
