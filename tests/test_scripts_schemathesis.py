"""The OpenAPI document against the running service: schemathesis makes requests from it, singly and in sequences."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchworthy.api import failures
from services.served import served
from services.service import trial

SECONDS = 60  # of making requests; the budget of the whole test is a minute and a half
# `positive_data_acceptance` is left out: a serial number has a check character and belongs to an enrolled board, which no
# schema can say, so a request that fits its schema may well be refused. The rest are all the checks there are.
LEFT_OUT = "positive_data_acceptance"


def found_by_schemathesis(url: str, secret: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """One run of the program in a process of its own, which leaves nothing behind in this one."""
    program = Path(sys.executable).parent / "schemathesis"
    options = ["--header", f"Authorization: Bearer {secret}", "--max-time", str(SECONDS), "--seed", "11", "--no-color"]
    options += ["--exclude-path", "/api/v1/reports"]  # a signed token: it has a schema and tests of its own
    checks = ["--checks", "all", "--exclude-checks", LEFT_OUT, "--warnings", "off", "--suppress-health-check", "all"]
    command = [str(program), "run", f"{url}/api/v1/openapi.json", *options, *checks, "--generation-database", "none"]
    where = {**os.environ, "PYTHONWARNINGS": "default"}
    return subprocess.run(command, cwd=folder, env=where, capture_output=True, text=True, timeout=SECONDS + 60, check=False)


def test_every_answer_is_what_the_document_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No 500, no undocumented status, media type or field, no door without a token, no method without Allow.

    The limit on wrong tokens is lifted here: it has tests of its own, and the program sends one at every door.
    """
    monkeypatch.setattr(failures, "MOST", 100_000)
    (tmp_path / "house").mkdir()
    (tmp_path / "run").mkdir()
    with trial(tmp_path / "house") as made, served(made.app) as url:
        made.enrol("SCHEMA")
        done = found_by_schemathesis(url, made.secrets["coordinator"], tmp_path / "run")
    assert done.returncode == 0, done.stdout[-12000:] + done.stderr[-2000:]
