"""What holds for every test: long ones wait for --long, and where CI=true nothing may be skipped unseen."""

import os
from collections.abc import Iterator
from typing import Any

import pytest

# Reasons for which a test may be skipped where everything is installed. Keep it short: a skip proves nothing.
ALLOWED_SKIPS = ("no interpreter wheel for this machine",)
# Files that take a minute or so begin first: a process that met one at the end would keep the others waiting.
SLOW = (
    "test_kills_at_the_desk.py",
    "test_scripts_schemathesis.py",
    "test_kills.py",
    "test_fresh_import.py",
    "test_beck_trouble.py",
    "test_power_cuts.py",
    "test_bench_offline_kills.py",
    "test_story.py",
    "test_postgresql_service.py",
    "test_virtual_matrix.py",
)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="also the heavy populations and the soak")
    parser.addoption("--postgresql", action="store_true", help="services keep their record in PostgreSQL; not for every test")


@pytest.fixture(scope="session", autouse=True)
def _kept_in_postgresql(request: pytest.FixtureRequest) -> Iterator[None]:
    """With --postgresql. Tests that look into an SQLite file by themselves cannot hold then; name those that are to run."""
    if not request.config.getoption("--postgresql"):
        yield
        return
    from services.postgres import for_every_data_directory  # this file also serves folders of tests without the services

    with for_every_data_directory():
        yield


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if item.get_closest_marker("real_time"):
            # Not a cure: what failed once stands in the summary as RERUN.
            item.add_marker(pytest.mark.flaky(reruns=1))
    items.sort(key=lambda item: SLOW.index(item.path.name) if item.path.name in SLOW else len(SLOW))
    if config.getoption("--long"):
        return
    waiting = [item for item in items if item.get_closest_marker("long")]
    if waiting:
        items[:] = [item for item in items if not item.get_closest_marker("long")]
        config.hook.pytest_deselected(items=waiting)


class UnexpectedSkips:
    """Collects skips whose reason is on no list, and fails the session for them."""

    def __init__(self) -> None:
        self.found: list[str] = []

    def note(self, report: pytest.TestReport | pytest.CollectReport) -> None:
        if not report.skipped or hasattr(report, "wasxfail"):
            return
        reason = str(report.longrepr[2]) if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if not any(allowed in reason for allowed in ALLOWED_SKIPS):
            self.found.append(f"{report.nodeid}: {reason}")

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.note(report)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        self.note(report)

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        output = getattr(session.config, "workeroutput", None)
        if output is not None:  # one of several processes: whoever started them decides
            output["unexpected skips"] = self.found
        elif self.found and session.exitstatus in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            session.exitstatus = pytest.ExitCode.TESTS_FAILED

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, node: Any) -> None:
        """A process that ran a share of the tests has ended; only it saw which whole modules were skipped."""
        told = getattr(node, "workeroutput", {}).get("unexpected skips", [])
        self.found += [line for line in told if line not in self.found]

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        if self.found:
            terminalreporter.section("skipped where nothing may be skipped (CI=true)", red=True)
            for line in self.found:
                terminalreporter.line(line)


def pytest_configure(config: pytest.Config) -> None:
    if os.environ.get("CI") == "true":
        config.pluginmanager.register(UnexpectedSkips(), "unexpected-skips")
