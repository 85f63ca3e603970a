"""The agent on the other MicroPython at hand: 1.27 in WebAssembly, for the parts without sockets."""

import json
import os
import shutil
import subprocess
from pathlib import Path
from types import ModuleType

import pytest

from agent_on_micropython.toy import ARGUMENTS
from benchworthy.reports.token import digest, split
from services import absent
from services.micropython import AGENT, SCRIPTS
from services.receipts import receipt_for
from test_procedures import Trial, on_cpython

PACKAGE = "@micropython/micropython-webassembly-pyscript"
# Where tests/run.sh installs it, and what says so elsewhere.
FOLDERS = [Path(os.environ.get("BENCHWORTHY_NODE_MODULES", "")), Path(__file__).resolve().parents[1] / ".venv/node/node_modules"]
KEY, KID = bytes(range(32)), "r.r-7k2m9q"


def package() -> Path:
    if shutil.which("node") is None:
        absent("no node: apt-get install nodejs")
    for folder in FOLDERS:
        if (folder / PACKAGE / "micropython.mjs").is_file():
            return folder / PACKAGE
    absent(f"no {PACKAGE}: npm install --prefix .venv/node {PACKAGE}@1.27.0")


@pytest.fixture
def agent(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    return on_cpython(monkeypatch)


def on_wasm(given: object) -> dict[str, object]:
    modules = {path.relative_to(AGENT): path for path in (AGENT / "benchworthy_agent").rglob("*.py")}
    modules[Path("agent_on_micropython/toy.py")] = SCRIPTS / "toy.py"
    command = ["node", SCRIPTS / "on_wasm.mjs", package(), SCRIPTS / "wasm_scenarios.py", json.dumps(given)]
    files = [f"{name}={path}" for name, path in modules.items()]
    said = subprocess.run([*map(str, command), *files], capture_output=True, text=True, timeout=60)
    assert said.returncode == 0, said.stderr[-2000:]
    found: dict[str, object] = json.loads(said.stdout.splitlines()[-1])
    return found


def test_reports_receipts_and_every_procedure_are_the_same_there(agent: ModuleType) -> None:
    """Steps integer by integer as on CPython, tokens that the service's parser takes, receipts believed and refused."""
    some = b"eyJ.some.token"
    receipts = [receipt_for(some, KEY), receipt_for(some, b"another"), "", "{", receipt_for(b"other", KEY)]
    procedures = sorted(ARGUMENTS)
    given = {"procedures": procedures, "more": 7, "key": KEY.hex(), "kid": KID, "receipts": receipts, "digest": digest(some)}
    said = on_wasm(given)
    assert "MicroPython v1.27" in str(said["version"])
    assert said["receipts"] == ["accepted", None, None, None, None]
    for procedure, token, name in zip(procedures, said["tokens"], said["digests"], strict=True):
        (reading,) = json.loads(split(token.encode()).payload)["readings"]
        trial = Trial(agent, procedure, 7)
        assert reading == {"test": procedure, trial.kind: [list(step) for step in trial.content]}
        assert name == digest(token.encode())
