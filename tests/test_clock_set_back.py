"""The server's clock stands in the past: no certificate, and every report is stored all the same."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchworthy import RELEASED
from benchworthy.cli.main import main
from benchworthy.keeping import audit
from services import reports
from services.desk import refused
from services.keeping import as_service
from services.service import trial


def test_no_certificate_while_the_clock_is_before_the_boards_last_entry(tmp_path: Path) -> None:
    """Nor after a report came in meanwhile: what was written with the wrong clock makes it no better."""
    with trial(tmp_path) as made:
        enrolled = made.enrol("CLOCK1")
        serial = enrolled["serial"]
        made.clock.ahead = timedelta(days=3)
        made.whole_run(serial)
        made.clock.ahead = timedelta(days=2)
        refused(made.certify(serial), 503, "clock-implausible")
        assert made.send(reports.field(serial, enrolled["field_key"], seq=1)).status_code == 201
        made.clock.ahead = timedelta(days=2, hours=1)
        refused(made.certify(serial), 503, "clock-implausible")
        made.clock.ahead = timedelta(days=3, hours=1)
        assert made.certify(serial).status_code == 201


def test_a_board_that_came_while_the_clock_was_wrong_gets_none_either(tmp_path: Path) -> None:
    """Its own chain is all in the past; the site's chain knows better."""
    with trial(tmp_path) as made:
        made.clock.ahead = timedelta(days=3)
        made.ask("POST", "/tokens", {"role": "reader", "holder": "R8"}, "coordinator")
        made.clock.ahead = timedelta(days=2)
        serial = made.enrol("CLOCK2")["serial"]
        made.whole_run(serial)
        refused(made.certify(serial), 503, "clock-implausible")


def test_no_certificate_before_the_package_was_released(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine without a battery clock starts in some past year, with an empty ledger."""
    with trial(tmp_path) as made:
        serial = made.enrol("CLOCK3")["serial"]
        made.whole_run(serial)
        tomorrow = datetime.fromisoformat(RELEASED).replace(tzinfo=UTC) + timedelta(days=3650)
        monkeypatch.setattr("benchworthy.acts.certifying.RELEASED", tomorrow.date().isoformat())
        refused(made.certify(serial), 503, "clock-implausible")


def test_reports_are_stored_and_the_chain_holds_whatever_the_clock_says(tmp_path: Path) -> None:
    """By place in the chain, not by time; a decade back, and forth again."""
    with trial(tmp_path) as made:
        enrolled = made.enrol("CLOCK4")
        serial, key = enrolled["serial"], enrolled["field_key"]
        for number, days in enumerate((0, -3650, -1, 2, 1)):
            made.clock.ahead = timedelta(days=days)
            assert made.send(reports.field(serial, key, seq=number)).status_code == 201
        assert made.rows()["evidence"] == 5
        assert audit.audit(made.house.database.engine).faults == ()


def test_acts_of_the_desk_keep_their_order_and_their_answers_whatever_the_clock_says(tmp_path: Path) -> None:
    """A year back in the middle: a key stays good for its one act, numbers of changes rise, the hold that came last stands."""
    with trial(tmp_path) as made:
        serial = made.enrol("CLOCK6")["serial"]
        headers = {"Authorization": f"Bearer {made.secrets['desk']}", "Idempotency-Key": "one-defect"}
        act = lambda: made.client.post(  # noqa: E731
            f"/api/v1/boards/{serial}/defects", json={"seen": "rattles"}, headers=headers
        )
        first = act()
        made.clock.ahead = timedelta(days=-365)
        again = act()
        assert first.status_code == again.status_code == 201 and first.text == again.text
        assert "Idempotency-Replayed" in again.headers and made.rows()["defects"] == 1
        defect = first.json["defects"][0]["id"]
        mended = made.post(f"/boards/{serial}/repairs", {"part": "R1", "seen": "soldered again", "defects": [defect]})
        assert mended["defects"] == []
        made.post(f"/boards/{serial}/holds/{mended['hold']['id']}/release", {"reason": "mended"})
        made.clock.ahead = timedelta(days=-700)
        held = made.post(f"/boards/{serial}/defects", {"seen": "smells"}, "desk")
        assert held["state"] == "held" and held["hold"]["id"] > mended["hold"]["id"]
        numbers = [change["number"] for change in made.get("/changes")["changes"]]
        assert numbers == sorted(set(numbers)) and len(numbers) >= 4
        assert audit.audit(made.house.database.engine).faults == ()


def test_a_clock_that_stood_in_the_future_is_put_right_by_somebody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without that the board would wait ten years; with it the guard goes on guarding; and the ledger says who said so."""
    as_service(monkeypatch, tmp_path)
    with trial(tmp_path) as made:
        enrolled = made.enrol("CLOCK5")
        serial = enrolled["serial"]
        assert main(["audit", "--clock-right", "C1"]) == 0
        assert "no entry is later than now" in capsys.readouterr().out
        made.clock.ahead = timedelta(days=3650)
        assert made.send(reports.field(serial, enrolled["field_key"], seq=1)).status_code == 201
        made.ask("POST", "/tokens", {"role": "reader", "holder": "R8"}, "coordinator")
        made.clock.ahead = timedelta()
        made.whole_run(serial)
        refused(made.certify(serial), 503, "clock-implausible")
        assert main(["audit", "--clock-right", "C1"]) == 0
        assert made.certify(serial).status_code == 201
        made.clock.ahead = timedelta(days=-1)
        refused(made.certify(serial), 503, "clock-implausible")
        with made.house.database.reading() as work:
            last = work.ledger.last("site:trial")
        assert last is not None and (last.kind, last.holder) == ("clock-right", "C1")
        assert main(["audit"]) == 0
