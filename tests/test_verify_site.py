"""`benchworthy verify --site`: keys and status list over the network, and what happens when the network has other ideas."""

import io
import json
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
import requests_mock

from benchworthy.cli.main import main
from benchworthy.reports.signed import STATUS_LIST_TYPE
from test_verify_offline import SIGNER, certificate, seconds, status, token

BASE = "https://space.example"
KEYS, LIST = f"{BASE}/.well-known/jwks.json", f"{BASE}/api/v1/status-list"


@pytest.fixture
def http() -> Iterator[requests_mock.Mocker]:
    """Answers in the site's place, sound ones to begin with."""
    with requests_mock.Mocker(case_sensitive=True) as mocker:
        mocker.get(KEYS, json=SIGNER.jwks())
        mocker.get(LIST, text=token(status(iat=seconds(datetime.now(UTC))), STATUS_LIST_TYPE))
        yield mocker


@pytest.fixture
def path(tmp_path: Path) -> str:
    """A certificate that is in force today."""
    now = datetime.now(UTC)
    claims = certificate(iat=seconds(now - timedelta(days=1)), exp=seconds(now + timedelta(days=30)))
    (tmp_path / "certificate.jws").write_text(token(claims))
    return str(tmp_path / "certificate.jws")


def command(*words: str) -> tuple[int, str]:
    """Exit code and all that was said."""
    voice = io.StringIO()
    with redirect_stdout(voice), redirect_stderr(voice):
        code = main(["verify", *words])
    assert "Traceback" not in voice.getvalue()
    return code, voice.getvalue()


def test_a_certificate_in_force_needs_the_sites_address_and_no_token(
    http: requests_mock.Mocker, path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Keys and list are fetched; no login goes out, even where one is set."""
    monkeypatch.setenv("BENCHWORTHY_TOKEN", "bw_secret")
    code, said = command(path, "--site", f"{BASE}/")
    assert code == 0 and "in force" in said
    assert [sent.url for sent in http.request_history] == [KEYS, LIST]
    assert not any("Authorization" in sent.headers for sent in http.request_history)


def test_a_lapsed_certificate_and_another_sites_keys_are_told_apart(http: requests_mock.Mocker, path: str) -> None:
    """4 by the list, 5 by the keys."""
    lapsed = status("LAPSE-REPAIR", iat=seconds(datetime.now(UTC)))
    http.get(LIST, text=token(lapsed, STATUS_LIST_TYPE))
    assert command(path, "--site", BASE)[0] == 4
    http.get(KEYS, json={"keys": []})
    assert command(path, "--site", BASE)[0] == 5


@pytest.mark.parametrize(
    "answer",
    [
        {"exc": requests.ConnectionError},
        {"exc": requests.ReadTimeout},
        {"status_code": 503, "headers": {"Retry-After": "0"}, "json": {"code": "storage-busy", "detail": "Busy."}},
        {"status_code": 404, "json": {"code": "not-found", "detail": "No."}},
        {"status_code": 302, "headers": {"Location": "http://elsewhere.example/"}},
        {"text": "<html>Welcome</html>", "headers": {"Content-Type": "text/html"}},
        {"text": "a.b"},
    ],
)
def test_without_a_list_that_can_be_trusted_the_status_is_unknown(
    http: requests_mock.Mocker, path: str, answer: dict[str, Any]
) -> None:
    """The signature still holds: 3, never 0 and never a crash."""
    http.get(LIST, **answer)
    code, said = command(path, "--site", BASE)
    assert code == 3 and "status is unknown" in said


def test_half_a_status_list_is_none(http: requests_mock.Mocker, path: str) -> None:
    """Cut off in its signature."""
    whole = token(status(iat=seconds(datetime.now(UTC))), STATUS_LIST_TYPE)
    http.get(LIST, text=whole[:-20])
    assert command(path, "--site", BASE)[0] == 3


@pytest.mark.parametrize(
    "answer",
    [
        {"exc": requests.ConnectionError},
        {"text": json.dumps(SIGNER.jwks())[:30]},
        {"text": json.dumps(SIGNER.jwks()), "headers": {"Content-Type": "text/html"}},
        {"status_code": 500, "text": "gateway"},
        {"json": []},
    ],
)
def test_without_keys_there_is_no_answer(http: requests_mock.Mocker, path: str, answer: dict[str, Any]) -> None:
    """Exit 2: what was not looked at is neither good nor bad."""
    http.get(KEYS, **answer)
    code, said = command(path, "--site", BASE)
    assert code == 2 and "[service-unreachable]" in said


def test_a_busy_site_is_asked_again(http: requests_mock.Mocker, path: str) -> None:
    """503 with Retry-After, for keys and for the list."""
    busy = {"status_code": 503, "headers": {"Retry-After": "0"}, "json": {"code": "storage-busy", "detail": "Busy."}}
    http.get(KEYS, [busy, {"json": SIGNER.jwks()}])
    http.get(LIST, [busy, {"text": token(status(iat=seconds(datetime.now(UTC))), STATUS_LIST_TYPE)}])
    assert command(path, "--site", BASE)[0] == 0


def test_keys_from_a_file_are_not_fetched_and_one_of_the_two_is_needed(
    http: requests_mock.Mocker, path: str, tmp_path: Path
) -> None:
    """A file that is no key set is said to be none."""
    keys = tmp_path / "keys.json"
    keys.write_text(json.dumps(SIGNER.jwks()))
    assert command(path, "--keys", str(keys), "--site", BASE)[0] == 0
    assert [sent.url for sent in http.request_history] == [LIST]
    assert command(path, "--keys", str(keys))[0] == 3
    code, said = command(path)
    assert code == 2 and "[request-invalid]" in said
    keys.write_text("{broken")
    code, said = command(path, "--keys", str(keys))
    assert code == 2 and "[file-unreadable]" in said
