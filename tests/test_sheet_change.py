"""A larger or a stricter sheet over the service: which certificates lapse by it, what is told, and which stay."""

import dataclasses
import json
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.loading import load
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import Sheet
from benchworthy.keys.status import open_token
from benchworthy.reports.report import Author
from benchworthy.reports.signed import STATUS_LIST_TYPE
from benchworthy.web import create_app
from services import reports, sound_board
from services.desk import in_days, refused
from services.service import Trial, trial

KEPT = Path(__file__).parent / "sheets"
TODAY = catalogue.find("tarn-b")
TEXT = (resources.files("benchworthy.designs.library") / "tarn-b.toml").read_text()
PATTERNS = json.loads((resources.files("benchworthy.designs.library") / "tarn-b.computed.json").read_text())["patterns"]
FIRST = load((KEPT / "tarn-b-first.toml").read_text(), json.loads((KEPT / "tarn-b-first.computed.json").read_text())["patterns"])


def under(made: Trial, sheet: Sheet) -> None:
    """From now on the service judges by this sheet, as after an update of the package."""
    services = dataclasses.replace(made.services, find_sheet=lambda name: sheet)
    made.services, made.app = services, create_app(services)
    made.client = made.app.test_client()


def changed(old: str, new: str) -> Sheet:
    assert old in TEXT
    return load(TEXT.replace(old, new), PATTERNS)


def whole_run(made: Trial, sheet: Sheet, serial: str, test_set: str) -> str:
    """A complete closed run of a sound board by any sheet, answered by people; its id."""
    opened = made.open(serial, test_set)
    plan = plan_for(sheet, test_set).hash
    for part in opened["parts"]:
        readings = [bench_or_board(sheet, test, serial) for test in part["tests"]]
        changes: Mapping[str, Any] = {"plan": plan, "readings": readings}
        if part["author"] == str(Author.BOARD):
            made.deliver(reports.part(opened, serial, part["number"], **changes))
        else:
            made.deliver(reports.bench_part(opened, serial, made.bench, part["number"], **changes))
    made.people_answer(opened)
    made.post(f"/runs/{opened['run']}/close", {})
    return str(opened["run"])


def bench_or_board(sheet: Sheet, test: str, serial: str) -> dict[str, Any]:
    if sheet.tests[test].procedure in ("identity", "files"):
        return reports.bench_reading(test, reports.module_of(serial))
    return reports.reading(test, sound_board.steps_of(sheet, sheet.tests[test]))


def certified(made: Trial, sheet: Sheet, body: str, test_set: str) -> str:
    made.have_fixtures()  # by today's sheets; the first one knew no rig
    under(made, sheet)
    serial: str = made.enrol(body)["serial"]
    answer = made.certify(serial, whole_run(made, sheet, serial, test_set))
    assert answer.status_code == 201, answer.text
    assert made.get(f"/boards/{serial}/fitness")["fit"]
    return serial


def lapse_told(made: Trial, serial: str) -> dict[str, Any]:
    """The one unmet condition of a board whose certificate the sheet has lapsed, seen from every side."""
    fitness = made.get(f"/boards/{serial}/fitness")
    assert (fitness["fit"], fitness["answer"]) == (False, "not certified"), fitness
    (unmet,) = fitness["unmet"]
    assert unmet["code"] == "certificate-lapsed" and "LAPSE-SHEET" in unmet["what"], unmet
    assert made.get(f"/certificates/{unmet['evidence']}")["lapse"] == "LAPSE-SHEET"
    keys = made.client.get("/.well-known/jwks.json").json
    listed = open_token(made.client.get("/api/v1/status-list").text, keys, STATUS_LIST_TYPE)
    assert listed["certificates"] == {unmet["evidence"]: "LAPSE-SHEET"}
    body = {"borrower": "B-204", "due": in_days(made, 7)}
    loan = made.ask("POST", f"/boards/{serial}/loans", body, "desk")
    assert "certificate-lapsed" in [item["code"] for item in refused(loan, 409, "loan-refused")["unmet"]]
    return dict(unmet)


def test_the_larger_sheet_lapses_a_certificate_of_the_first_one(tmp_path: Path) -> None:
    """Every test without evidence is named, and what to do; a full run by the new sheet certifies again."""
    with trial(tmp_path) as made:
        serial = certified(made, FIRST, "OLD001", "first")
        under(made, TODAY)
        told = lapse_told(made, serial)
        lacking = {t.id for t in TODAY.tests_of("full") if t.counts == "always"} - set(FIRST.tests)
        named = set(told["what"].partition("no evidence of: ")[2].rstrip(".").split(", "))
        assert named == lacking and len(named) > 30
        assert "set `full`" in told["next"]
        renewal = made.whole_run(serial, test_set="renewal")
        assert made.unmet(serial, renewal["run"]) == ["renewal-not-enough"]
        assert made.certify(serial, made.whole_run(serial)["run"]).status_code == 201
        assert made.get(f"/boards/{serial}/fitness")["fit"]


def test_a_sheet_that_is_taken_back_takes_its_lapses_back(tmp_path: Path) -> None:
    """Nothing is written when a sheet changes, so nothing has to be undone."""
    with trial(tmp_path) as made:
        serial = certified(made, FIRST, "OLD002", "first")
        before = made.rows()
        under(made, TODAY)
        assert not made.get(f"/boards/{serial}/fitness")["fit"]
        under(made, FIRST)
        assert made.get(f"/boards/{serial}/fitness")["fit"]
        assert made.rows() == before


def test_a_change_of_words_lapses_nothing(tmp_path: Path) -> None:
    """Questions, cautions and next steps are the guide's part of the sheet."""
    with trial(tmp_path) as made:
        serial = certified(made, TODAY, "WORD01", "full")
        under(made, changed("Count how often the red lamp blinks", "How often does the red lamp blink? Count"))
        assert made.get(f"/boards/{serial}/fitness")["fit"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("low = 4.80\nhigh = 5.20", "low = 4.90\nhigh = 5.10"),
        ("low = 120000", "low = 130000"),
        ('"period 5 normal"', '"period 6 normal"'),
        ("certificate_days = 90", "certificate_days = 60"),
    ],
    ids=["narrower", "higher", "other uncertainty", "policy"],
)
def test_a_change_of_judging_that_stored_evidence_stands_lapses_nothing(tmp_path: Path, old: str, new: str) -> None:
    """The evidence is judged again from its raw codes, and every verdict is still in limits."""
    with trial(tmp_path) as made:
        serial = certified(made, TODAY, "STAY01", "full")
        sheet = changed(old, new)
        assert sheet.judging_hash != TODAY.judging_hash
        under(made, sheet)
        assert made.get(f"/boards/{serial}/fitness")["fit"]


def test_a_narrower_tolerance_lapses_what_no_longer_fits_it(tmp_path: Path) -> None:
    """The board measured 180,000 B; a sheet that asks for 200,000 finds the stored evidence wanting, and says where."""
    with trial(tmp_path) as made:
        serial = certified(made, TODAY, "WORS01", "full")
        under(made, changed("low = 120000", "low = 200000"))
        told = lapse_told(made, serial)
        assert "no longer in limits: MCU-HEAP." in told["what"] and "no evidence" not in told["what"]


def test_a_changed_procedure_makes_old_evidence_none(tmp_path: Path) -> None:
    """Two steps where there was one: the old reading answers another question."""
    once = '{ name = "noise", select = 1, read = "common", n = 256 }'
    with trial(tmp_path) as made:
        serial = certified(made, TODAY, "STEP01", "full")
        under(made, changed(once, f"{once}, {once.replace('noise', 'again')}"))
        assert "no evidence of: ADC-NOISE." in lapse_told(made, serial)["what"]
