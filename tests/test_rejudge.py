"""`benchworthy rejudge`: stored evidence by a sheet in force, or by one that is only a file; looked at first, then entered."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from benchworthy import certificate_actions
from benchworthy.cli.main import main
from benchworthy.designs.sheet import Sheet
from services import reports
from services.desk import certified as certified_today
from services.lapses import at_the_machine, certificate_of, lapse_entries, listed
from services.service import Trial, trial
from test_sheet_change import FIRST, TEXT, TODAY, certified, changed, under

RAIL = 'value = "(R5 + R6) / R6 * U3 * rail / ref"\nlow = 3.234\nhigh = 3.366'
WIDER = (RAIL, RAIL.replace("3.366", "3.500"))
NARROWER = ("low = 120000", "low = 200000")  # the boards measured 180,000 B


def rejudge(monkeypatch: pytest.MonkeyPatch, data: Path, *words: str) -> int:
    """The command as somebody at the service's machine types it."""
    at_the_machine(monkeypatch, data)
    return main(["rejudge", *words])


def entered(made: Trial, sheet: Sheet, holder: str | None = "C1") -> list[Any]:
    """The same over a sheet in force that the package does not have."""
    services = dataclasses.replace(made.services, find_sheet=lambda name: sheet)
    return list(certificate_actions.rejudge(services, None, None, holder))


def test_a_sheet_that_is_only_a_file_is_tried_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit 1 and the test by name where it worsens, 0 where everything stays; the words of the sheet change nothing."""
    with trial(tmp_path / "data") as made:
        serial, before = certified_today(made, "DRYRU1"), made.rows()
        file = tmp_path / "tarn-b.toml"
        file.write_text(TEXT.replace(*NARROWER))
        assert rejudge(monkeypatch, tmp_path / "data", "--dry-run", "--sheet", str(file)) == 1
        told = capsys.readouterr()
        assert told.out.split() == [
            serial,
            certificate_of(made, serial),
            "LAPSES",
            *["no", "longer", "in", "limits:", "MCU-HEAP"],
        ]
        assert "1 would lapse (1 worse, 0 lack evidence)" in told.err and "taken from the installed tarn-b" in told.err
        file.write_text(TEXT.replace("low = 4.80\nhigh = 5.20", "low = 4.90\nhigh = 5.10"))
        assert rejudge(monkeypatch, tmp_path / "data", "--dry-run", "--sheet", str(file), "--json") == 0
        document = json.loads(capsys.readouterr().out)
        assert (document["dry_run"], document["judged"], document["lapse"]) == (True, 1, 0)
        file.write_text(TEXT.replace("Count how often the red lamp blinks", "How often does the red lamp blink? Count"))
        assert rejudge(monkeypatch, tmp_path / "data", "--dry-run", "--sheet", str(file)) == 0
        assert "0 certificates judged" in capsys.readouterr().err
        assert made.rows() == before and listed(made) == {certificate_of(made, serial): "in-force"}


def test_the_sheet_in_force_is_entered_for_good_by_somebody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """New verdicts beside the old ones, the lapse in row and ledger under their code; the second time nothing is left to do."""
    with trial(tmp_path) as made:
        serial = certified(made, FIRST, "ENTER1", "first")
        stays = certified(made, TODAY, "ENTER2", "full")
        before = made.rows()
        assert rejudge(monkeypatch, tmp_path, "--dry-run", "--design", "tarn-b") == 1
        assert made.rows() == before
        capsys.readouterr()
        assert rejudge(monkeypatch, tmp_path, "--by", "C1") == 1
        assert f"{serial}  {certificate_of(made, serial)}  LAPSES  no evidence: " in capsys.readouterr().out
        after = made.rows()
        assert after["verdicts"] == before["verdicts"] and after["rejudgements"] > 0
        assert after["ledger"] == before["ledger"] + 1
        (entry,) = lapse_entries(made, serial)
        assert (entry["code"], entry["judging"], entry["worse"]) == ("LAPSE-SHEET", TODAY.judging_hash, [])
        assert len(entry["lacking"]) > 30
        assert listed(made) == {certificate_of(made, serial): "LAPSE-SHEET", certificate_of(made, stays): "in-force"}
        under(made, FIRST)  # the sheet is taken back: what was entered stays
        assert made.get(f"/certificates/{certificate_of(made, serial)}")["lapse"] == "LAPSE-SHEET"
        assert rejudge(monkeypatch, tmp_path, "--by", "C1") == 0
        assert made.rows() == after


def test_a_rejudging_that_was_cut_short_goes_on_where_it_ended(tmp_path: Path) -> None:
    """Each certificate is a transaction of its own, and none is entered twice."""
    with trial(tmp_path) as made:
        serials = [certified_today(made, body) for body in ("CUTSH1", "CUTSH2")]
        sheet = changed(*NARROWER)
        services = dataclasses.replace(made.services, find_sheet=lambda name: sheet)
        going = certificate_actions.rejudge(services, None, None, "C1")
        first = next(going)
        going.close()
        assert [len(lapse_entries(made, serial)) for serial in serials] == [int(s == first.serial) for s in serials]
        assert [one.serial for one in entered(made, sheet)] == [s for s in serials if s != first.serial]
        assert [len(lapse_entries(made, serial)) for serial in serials] == [1, 1]
        assert entered(made, sheet) == []


def test_what_gets_better_is_told_and_lapses_nothing(tmp_path: Path) -> None:
    """A rail marginal by itself, settled by the meter, is in limits under a wider tolerance."""
    high = reports.scaled("PWR-V33S", "rail", 1.025)  # 3.38 V against 3.366 V, U 0.05 V
    with trial(tmp_path) as made:
        serial = made.enrol("BETTR1")["serial"]
        run = made.whole_run(serial, high, volts=3.34)
        marginal = {t["test"] for t in run["tests"] for q in t["quantities"] if q["verdict"] == "marginal"}
        assert marginal == {"PWR-V33S"}, marginal
        assert made.certify(serial, run["run"]).status_code == 201
        (found,) = entered(made, changed(*WIDER))
        assert (found.worse, found.lacking, found.better, found.lapses) == ((), (), ("PWR-V33S",), False)
        assert lapse_entries(made, serial) == [] and made.rows()["rejudgements"] > 0


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ([], "request-invalid"),
        (["--by", "two words"], "request-invalid"),
        (["--by", "C1", "--sheet", "x.toml"], "request-invalid"),
        (["--dry-run", "--sheet", "none.toml"], "file-unreadable"),
        (["--dry-run", "--design", "none"], "unknown-design"),
    ],
)
def test_what_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], code: str
) -> None:
    """Exit 2 with the code; no data directory is made by it."""
    assert rejudge(monkeypatch, tmp_path / "data", *words) == 2
    assert f"[{code}]" in capsys.readouterr().err and not (tmp_path / "data").exists()
