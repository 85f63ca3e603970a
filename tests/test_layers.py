"""The import order holds, and the guard that says so has been seen red."""

from pathlib import Path

import pytest

import benchworthy
import layers

PACKAGE = Path(benchworthy.__file__).parent


def _planted(tmp_path: Path, file: str, source: str) -> list[str]:
    target = tmp_path / layers.ROOT / file
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(source)
    return [f"{found.file}: {found.text}" for found in layers.violations(tmp_path / layers.ROOT)]


def test_the_package_keeps_its_import_order() -> None:
    """No module imports what stands further out, and the core knows no adapter, clock, chance or environment."""
    assert [f"{v.file}:{v.line}: {v.text}" for v in layers.violations(PACKAGE)] == []


def test_the_order_names_every_part_that_exists() -> None:
    """A line of the order whose module is gone would guard nothing."""
    there = {entry.name.removesuffix(".py") for entry in PACKAGE.iterdir() if not entry.name.startswith(("__", "agent_bundle"))}
    assert there <= set(layers.TIER)
    assert set(layers.TIER) <= there


@pytest.mark.parametrize(
    ("file", "source", "told"),
    [
        ("reports/x.py", "from benchworthy.designs import sheet\n", "reports imports designs, which stands further out"),
        ("reports/x.py", "def late():\n    import benchworthy.cli.main\n", "reports imports cli, which stands further out"),
        ("reports/x.py", "from benchworthy import web\n", "reports imports web, which stands further out"),
        ("reports/x.py", "from ..cli import main\n", "reports imports cli, which stands further out"),
        ("reports/__init__.py", "from ..cli import main\n", "reports imports cli, which stands further out"),
        ("reports/x.py", "import importlib\nimportlib.import_module('benchworthy.api')\n", "reports imports api"),
        ("desk/x.py", "import benchworthy.fleet\n", "desk and fleet stand side by side"),
        ("api/x.py", "from benchworthy.pages import board\n", "api and pages stand side by side"),
        ("api/x.py", "from benchworthy.storage.work import W\n", "api must never import storage"),
        ("pages/x.py", "from benchworthy.storage.work import W\n", "pages must never import storage"),
        ("bench/x.py", "from benchworthy.keys import secret\n", "bench and keys stand side by side"),
        ("web.py", "from benchworthy.settings import Settings\n", "web imports settings"),
        ("settings.py", "from benchworthy.keys import secret\n", "settings imports errors only"),
        ("pipeline.py", "from flask import request\n", "pipeline is core and imports flask"),
        ("judging/x.py", "def late():\n    import sqlalchemy.exc\n", "judging is core and imports sqlalchemy"),
        ("desk/x.py", "from datetime import datetime\nat = datetime.now()\n", "the core uses datetime.now"),
        ("desk/x.py", "import datetime\nat = datetime.datetime.now()\n", "the core uses datetime.now"),
        ("desk/x.py", "import time\n", "the core imports time"),
        ("desk/x.py", "from time import monotonic\n", "the core imports time.monotonic"),
        ("desk/x.py", "import random\n", "the core imports random"),
        ("desk/x.py", "from secrets import token_hex\n", "the core imports secrets.token_hex"),
        ("desk/x.py", "import os\nhome = os.environ['HOME']\n", "the core uses os.environ"),
        ("desk/x.py", "from os import getenv\n", "the core imports os.getenv"),
        ("fleet/x.py", "import numpy as np\ndraw = np.random.default_rng(1)\n", "the core uses np.random"),
        ("extras/x.py", "", "extras has no place in the order"),
    ],
)
def test_a_planted_violation_is_found(tmp_path: Path, file: str, source: str, told: str) -> None:
    """Each rule of the guard turns red when it is broken."""
    found = _planted(tmp_path, file, source)
    assert any(told in line for line in found), found


@pytest.mark.parametrize(
    ("file", "source"),
    [
        ("reports/x.py", "from benchworthy import RELEASED, __version__\nimport benchworthy\n"),
        ("reports/x.py", "from benchworthy.errors import Unknown\nfrom . import report\n"),
        ("acts/x.py", "from benchworthy.evidence import standing\n"),
        ("cli/x.py", "import time\nfrom benchworthy.settings import Settings\nfrom benchworthy.storage import engine\n"),
        ("desk/x.py", "def f(services):\n    return services.now(), services.random(8)\n"),
    ],
)
def test_what_the_order_allows_is_left_alone(tmp_path: Path, file: str, source: str) -> None:
    """The guard does not cry over honest imports, arguments that are called `now`, or the root's constants."""
    assert _planted(tmp_path, file, source) == []
