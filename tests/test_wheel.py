"""The wheel, installed by itself, finds everything it needs: agent, sheets, migrations, command."""

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from collections.abc import Sequence
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]

LOOK = """
import sys
from pathlib import Path
import benchworthy
from benchworthy.designs import agent_release, catalogue
from benchworthy.storage.engine import open_engine, reading
from benchworthy.storage.migrate import upgrade
from sqlalchemy import inspect

assert Path(benchworthy.__file__).is_relative_to(sys.prefix), benchworthy.__file__
release = agent_release.current()
assert str(agent_release.folder()).startswith(sys.prefix), agent_release.folder()
sheet = catalogue.find("tarn-b")
engine = open_engine(f"sqlite:///{sys.argv[1]}")
upgrade(engine)
tables = inspect(engine).get_table_names()
engine.dispose()
print(release.hash, sheet.judging_hash, "boards" in tables)
"""


def _run(command: Sequence[str | Path], cwd: Path) -> str:
    """What a command prints; AssertionError with everything it said when it fails."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith(("PYTHON", "BENCHWORTHY_"))}
    done = subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True, timeout=180, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from the sources as they are, with the build back end of this environment."""
    out = tmp_path_factory.mktemp("wheel")
    _run([sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", out, REPOSITORY], out)
    return next(out.glob("benchworthy-*.whl"))


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The bin folder of a fresh environment with the wheel in it; the dependencies are this environment's.

    A path file in another environment's folder is not followed, so an editable install here is not seen there.
    """
    place = tmp_path_factory.mktemp("fresh") / "venv"
    venv.create(place, with_pip=False, symlinks=True)
    python = place / "bin" / "python"
    _run([sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", "--no-index", wheel], place)
    site = Path(_run([python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"], place).strip())
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return place / "bin"


def test_the_wheel_holds_sources_and_no_leavings(wheel: Path) -> None:
    """Agent, stand-in, sheets and migrations are in; caches, tests and secrets are not."""
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "benchworthy/agent_bundle/main.py",
        "benchworthy/agent_bundle/benchworthy_agent/runner.py",
        "benchworthy/agent_bundle/virtual/machine.py",
        "benchworthy/designs/library/tarn-b.toml",
        "benchworthy/storage/migrations/env.py",
        "benchworthy/storage/migrations/versions/0001_first_schema.py",
    ):
        assert needed in names
    leavings = (".pyc", ".part", ".db", ".sqlite3", ".jwk", ".secret")
    stray = [name for name in names if name.endswith(leavings) or "/tests/" in name]
    assert stray == []


def test_the_installed_command_says_what_it_can(installed: Path, tmp_path: Path) -> None:
    """`benchworthy --help` and `--version` from a folder that is no checkout."""
    assert "certify" in _run([installed / "benchworthy", "--help"], tmp_path)
    assert _run([installed / "benchworthy", "--version"], tmp_path).startswith("benchworthy ")


def test_the_installed_package_is_the_one_in_the_checkout(installed: Path, tmp_path: Path) -> None:
    """Same agent, same sheet, and a fresh database comes up."""
    from benchworthy.designs import agent_release, catalogue

    told = _run([installed / "python", "-c", LOOK, tmp_path / "fresh.sqlite3"], tmp_path).split()
    assert told == [agent_release.current().hash, catalogue.find("tarn-b").judging_hash, "True"]
