"""The bench's own report: the files of a board as they are told, judged and fitted into one token."""

from pathlib import Path
from typing import Any

import pytest

from bench_fakes import MODULE
from benchworthy.bench.evidence import Seen, file_items, signed_report
from benchworthy.bench.probe import BoardFile, Identity
from benchworthy.designs import agent_release, catalogue
from benchworthy.intake.wire import read_report
from benchworthy.judging.tests import Expected, judge_reading
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.report import Reading
from benchworthy.reports.token import MAX_BYTES, split


@pytest.fixture
def key(tmp_path: Path) -> BenchKey:
    """A bench's key."""
    return BenchKey.load_or_create(tmp_path / "bench.jwk")


def test_the_release_of_this_package_is_judged_as_in_order() -> None:
    """A board with the approved agent and its state files leaves nothing off."""
    release = agent_release.current()
    items = _items({**release.files, "state.json": "b" * 64, "spool/0001": "c" * 64})
    assert items == {"state.json": "size 99", "spool/0001": "size 99", "release": release.hash}
    assert _judged(items) == ""


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"secrets.json": "c" * 64}, "secrets.json of some network is on the board"),
        ({"main.py": "c" * 64}, "main.py is changed"),
        ({"game.py": "c" * 64}, "game.py does not belong there"),
        ({"lib/benchworthy_agent/sign.py": None}, "lib/benchworthy_agent/sign.py is missing"),
        ({"lib/benchworthy_agent/extra.py": "c" * 64}, "lib/benchworthy_agent/extra.py does not belong there"),
    ],
)
def test_what_is_wrong_with_the_files_is_named(change: dict[str, str | None], told: str) -> None:
    """Changed, missing or foreign: each by its path, in a report that fits."""
    files = {**agent_release.current().files, **change}
    assert told in _judged(_items({path: sha for path, sha in files.items() if sha is not None}))


def test_what_does_not_belong_comes_through_when_room_is_short(key: BenchKey) -> None:
    """Passwords first, then what is foreign; long names stay within the schema, and the report within its size."""
    alien = {"secrets.json": "c" * 64, "x" * 200: "d" * 64, **{f"toy_{number}.py": "e" * 64 for number in range(150)}}
    items = _items(alien)
    assert items["secrets.json"] == "c" * 32 and items["release"] != agent_release.current().hash
    assert all(len(path) <= 64 for path in items) and len(items) < 64
    report = read_report(split(_signed(key, [{"test": "MCU-FW", "items": items}])).payload)
    assert "secrets.json" in _judged(dict(report.readings[0].items or {}))


def _items(files: dict[str, str]) -> dict[str, str]:
    held = {path: BoardFile(99, sha256) for path, sha256 in files.items()}
    return file_items(held, agent_release.current(), catalogue.find("tarn-b").state_limit)


def _judged(items: dict[str, str]) -> str:
    sheet = catalogue.find("tarn-b")
    reading = Reading("MCU-FW", items=items)
    return judge_reading(sheet, sheet.tests["MCU-FW"], reading, Expected(MODULE, agent_release.current())).sentence


def _signed(key: BenchKey, readings: list[dict[str, Any]]) -> bytes:
    head = {
        "serial": "TARN0001X",
        "design": "tarn-b",
        "plan": "0" * 32,
        "epoch": 1,
        "ms": 2**30 - 1,
        "clock": "2026-11-25T12:00:00Z",
        "run": "r-" + "a" * 26,
        "nonce": "0" * 32,
        "part": 1,
    }
    seen = Seen(Identity(MODULE, False, "x" * 64, 7, "1.0.0"), {})
    token = signed_report(head, readings, seen, key.sign_report)
    assert len(token) <= MAX_BYTES
    return token
