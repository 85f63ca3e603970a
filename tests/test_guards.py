"""The guards of the test run itself, each seen red: unexpected skips, and long tests that wait for --long."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PLANTED = """
import pytest

def test_that_holds():
    pass

@pytest.mark.skip(reason="{reason}")
def test_that_is_skipped():
    pass

@pytest.mark.long
def test_that_takes_long():
    pass
"""
CONFIG = "[pytest]\nmarkers =\n    long: long\n"


def _session(folder: Path, ci: str, *arguments: str, reason: str = "no such program here") -> tuple[int, str]:
    """Exit code and text of a session of its own, under this project's conftest."""
    shutil.copy(Path(__file__).with_name("conftest.py"), folder)
    (folder / "test_planted.py").write_text(PLANTED.format(reason=reason))
    (folder / "pytest.ini").write_text(CONFIG)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments],
        cwd=folder,
        env={**os.environ, "CI": ci},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout


def test_a_skip_on_no_list_fails_the_session_where_everything_is_installed(tmp_path: Path) -> None:
    """CI=true: exit 1, and the test and its reason are named."""
    code, text = _session(tmp_path, "true")
    assert code == pytest.ExitCode.TESTS_FAILED
    assert "test_that_is_skipped: " in text and "no such program here" in text


def test_a_skip_is_let_pass_elsewhere_or_when_its_reason_is_listed(tmp_path: Path) -> None:
    """On a developer's machine, and for the few reasons that conftest lists."""
    assert _session(tmp_path, "")[0] == pytest.ExitCode.OK
    assert _session(tmp_path, "true", reason="no interpreter wheel for this machine")[0] == pytest.ExitCode.OK


@pytest.mark.parametrize("processes", [(), ("-n", "2")], ids=["one process", "two processes"])
def test_a_skip_of_a_whole_module_fails_the_session_too(tmp_path: Path, processes: tuple[str, ...]) -> None:
    """`importorskip` at the top of a file is no way around, nor is another process that ran it."""
    (tmp_path / "test_other.py").write_text("import pytest\npytest.importorskip('nothing_of_this_name')\n")
    done = _session(tmp_path, "true", *processes, reason="no interpreter wheel for this machine")
    assert done[0] == pytest.ExitCode.TESTS_FAILED
    assert "nothing_of_this_name" in done[1].partition("skipped where nothing may be skipped")[2]


def test_long_tests_run_only_when_asked_for(tmp_path: Path) -> None:
    """Deselected, not skipped; --long runs them."""
    assert "1 passed, 1 skipped, 1 deselected" in _session(tmp_path, "")[1]
    assert "2 passed, 1 skipped" in _session(tmp_path, "", "--long")[1]
