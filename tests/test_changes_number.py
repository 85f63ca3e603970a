"""Changes are numbered from the first ledger entry on, those from before there were numbers included."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchworthy
from benchworthy.acts.telling import TOLD
from benchworthy.storage.migrate import upgrade
from services.service import Trial, trial
from test_first_schema import first


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def test_entries_from_before_have_numbers_too(tmp_path: Path) -> None:
    """In the order of their times, as far as they tell it."""
    engine = first(tmp_path / "old.sqlite3")
    later = "'2026-11-25T12:00:01+00:00', 'held', 'T4', '{}', NULL, '1', '2'"
    with engine.connect() as connection:
        connection.exec_driver_sql(f"INSERT INTO ledger VALUES ('AAA', 1, {later})")
    upgrade(engine)
    with engine.connect() as connection:
        rows = connection.exec_driver_sql("SELECT number, chain, position FROM changes ORDER BY number").all()
    engine.dispose()
    assert [tuple(row) for row in rows] == [(1, "OLD1A", 1), (2, "AAA", 1)]


def test_every_ledger_entry_has_one_number_and_another_site_hears_nothing(made: Trial) -> None:
    """A number per entry, in the order in which they were written, whatever chain they stand in."""
    serial = made.enrol("COUNT1")["serial"]
    made.whole_run(serial)
    rows = made.rows()
    assert rows["changes"] == rows["ledger"] > 5
    with made.house.database.reading() as work:
        told = work.ledger.changes("trial", ("enrolled", "run-closed"), 0, 10)
        assert [entry.kind for _, entry in told] == ["enrolled", "run-closed"]
        assert work.ledger.changes("annexe", ("enrolled", "run-closed"), 0, 10) == []


# Entries of a board's chain that change neither its fitness nor where it is: evidence on its way, requests,
# and remarks.
QUIET = {"answered", "drawn-again", "field-key-told", "remark-left", "remark-read", "requested", "run-closed", "run-opened"}


def test_each_kind_of_entry_is_told_or_known_to_be_quiet() -> None:
    """A new kind has to be put on one side or the other."""
    sources = Path(benchworthy.__file__).parent.rglob("*.py")
    written = {kind for path in sources for kind in re.findall(r'enter\(board, "([a-z-]+)"', path.read_text())}
    assert "lent" in written
    assert written == set(TOLD) | QUIET
