"""A design is recalled over HTTP: at once for every board, entered some at a time, ended by whoever said it."""

import dataclasses
from collections.abc import Iterator
from contextlib import AbstractContextManager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from benchworthy import fixture_actions
from benchworthy.acts import recalling
from benchworthy.errors import StorageBusy
from benchworthy.keys.status import open_token
from benchworthy.ports import Services, Storage, Work
from benchworthy.reports.signed import IN_FORCE, STATUS_LIST_TYPE
from services.desk import certified, in_days, lent, refused
from services.service import Trial, trial

RECALL = "/designs/tarn-b/recall"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


@dataclasses.dataclass
class Counting:
    """A storage that counts write transactions, and refuses those after the first so many."""

    inner: Storage
    most: int = 1_000_000
    begun: int = 0

    def writing(self) -> AbstractContextManager[Work]:
        self.begun += 1
        if self.begun > self.most:
            raise StorageBusy("Another writer holds the lock.", retry_after=1)
        return self.inner.writing()

    def reading(self) -> AbstractContextManager[Work]:
        return self.inner.reading()


def counted(made: Trial, most: int = 1_000_000) -> tuple[Services, Counting]:
    counting = Counting(made.services.storage, most)
    return dataclasses.replace(made.services, storage=counting), counting


def standing(made: Trial, certificate: str) -> Any:
    """What the signed status list says of it."""
    keys = made.client.get("/.well-known/jwks.json").json
    assert keys is not None
    return open_token(made.client.get("/api/v1/status-list").text, keys, STATUS_LIST_TYPE)["certificates"][certificate]


def certificate_of(made: Trial, serial: str) -> str:
    """The id of the board's one certificate."""
    entries = made.get(f"/boards/{serial}/history")["entries"]
    return str(next(entry["facts"]["certificate"] for entry in entries if entry["kind"] == "certified"))


def test_a_recall_holds_every_board_of_the_design_wherever_it_is(made: Trial) -> None:
    """Here, on loan, held already, without evidence; not the retired one, nor another design's."""
    here, out = certified(made, "HERE1"), certified(made, "AWAY1")
    issued = certificate_of(made, here)
    lent(made, out, "B-3", 5)
    new, held, gone = (made.enrol(body)["serial"] for body in ("NEW01", "HELD1", "GONE1"))
    made.post(f"/boards/{held}/holds", {"reason": "smells burnt"})
    made.post(f"/boards/{gone}/retirement", {"reason": "worn"}, "coordinator")
    other = made.enrol("BECK1", design="beck-a")["serial"]
    told = made.post(RECALL, {"reason": "R30 overheats"}, "coordinator")
    where = {board["serial"]: (board["place"], board["borrower"], board["held"]) for board in told["boards"]}
    assert where == {
        here: ("here", None, True),
        out: ("on loan", "B-3", True),
        new: ("here", None, True),
        held: ("here", None, True),
    }
    assert (told["by"], told["ended_at"]) == ("C1", None)
    assert standing(made, issued) == made.get(f"/certificates/{issued}")["lapse"] == "LAPSE-RECALL"
    assert made.get(f"/boards/{here}/life")["hold"]["code"] == "LAPSE-RECALL"
    assert made.get(f"/boards/{other}/life")["hold"] is None and made.get(f"/boards/{gone}/life")["hold"] is None
    assert [entry["kind"] for entry in made.get(f"/boards/{here}/history")["entries"]][-1] == "held"
    with made.house.database.reading() as work:
        assert [entry.kind for entry in work.ledger.entries("site:trial")][-1] == "design-recalled"


def test_a_hold_from_before_does_not_hide_the_recall(made: Trial) -> None:
    """A tester who releases the older hold has not released the recall's."""
    serial = made.enrol("HELD1")["serial"]
    made.post(f"/boards/{serial}/holds", {"reason": "smells burnt"})
    made.post(RECALL, {"reason": "R30 overheats"}, "coordinator")
    first = made.get(f"/boards/{serial}/life")["hold"]
    assert first["code"] == "held-by-staff"
    after = made.post(f"/boards/{serial}/holds/{first['id']}/release", {"reason": "it was the iron"})
    assert (after["state"], after["hold"]["code"]) == ("held", "LAPSE-RECALL")
    refused(made.ask("POST", f"/boards/{serial}/holds/{after['hold']['id']}/release", {"reason": "fine"}), 409, "act-refused")


def test_only_a_coordinator_recalls_a_design_that_exists(made: Trial) -> None:
    """Refused, and nothing changes."""
    rows = made.rows()
    refused(made.ask("POST", RECALL, {"reason": "R30 overheats"}, "tester"), 403, "role-refused")
    refused(made.ask("POST", "/designs/none-x/recall", {"reason": "R30 overheats"}, "coordinator"), 404, "unknown-design")
    refused(made.ask("POST", f"{RECALL}/end", {"reason": "over"}, "coordinator"), 404, "unknown-recall")
    refused(made.ask("GET", RECALL), 404, "unknown-recall")
    assert made.rows() == rows


def test_a_recall_that_was_interrupted_counts_all_the_same_and_goes_on_when_sent_again(
    made: Trial, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After the first transaction no board of the design is fit, whatever became of the others."""
    monkeypatch.setattr(recalling, "AT_ONCE", 2)
    first, last = certified(made, "AAA01"), certified(made, "ZZZ01")
    issued = certificate_of(made, last)
    for number in range(3):
        made.enrol(f"MID0{number}")
    services, _ = counted(made, most=2)
    with pytest.raises(StorageBusy):
        fixture_actions.recall(services, "tarn-b", "R30 overheats", "C1")
    assert made.get(f"/boards/{first}/life")["hold"]["code"] == "LAPSE-RECALL"
    assert made.get(f"/boards/{last}/life")["hold"] is None
    fitness = made.get(f"/boards/{last}/fitness")
    assert (fitness["fit"], fitness["answer"]) == (False, "fails")
    assert {u["code"] for u in fitness["unmet"]} == {"certificate-lapsed", "design-recalled"}
    assert standing(made, issued) == "LAPSE-RECALL"
    refused(made.ask("POST", f"/boards/{last}/loans", {"borrower": "B-1", "due": in_days(made, 2)}, "desk"), 409, "loan-refused")
    made.whole_run(last)
    assert "design-recalled" in made.unmet(last), "no certificate either"
    answer = made.ask("POST", RECALL, {"reason": "again"}, "coordinator")
    assert (answer.status_code, answer.json["reason"]) == (200, "R30 overheats")
    assert [board["held"] for board in answer.json["boards"]] == [True] * 5
    rows = made.rows()
    assert made.ask("POST", RECALL, {"reason": "again"}, "coordinator").json == answer.json
    assert made.rows() == rows, "a third time there is nothing left to do"


def test_a_board_enrolled_while_a_recall_stands_is_not_fit(made: Trial) -> None:
    """Its hold is entered when the recall is sent again; a coordinator then releases it by itself, and it may be certified."""
    made.post(RECALL, {"reason": "R30 overheats"}, "coordinator")
    serial = made.enrol("LATER")["serial"]
    made.whole_run(serial)
    assert made.unmet(serial) == ["design-recalled"]
    made.ask("POST", RECALL, {"reason": "again"}, "coordinator")
    assert made.unmet(serial) == ["held"]
    hold = made.get(f"/boards/{serial}/life")["hold"]["id"]
    made.post(f"/boards/{serial}/holds/{hold}/release", {"reason": "R30 is another one here"}, "coordinator")
    made.clock.ahead += timedelta(seconds=1)  # of one second with the recall a certificate would count as issued before it
    answer = made.certify(serial)
    assert answer.status_code == 201 and standing(made, answer.json["id"]) == IN_FORCE
    assert made.get(f"/boards/{serial}/fitness")["fit"], "while the recall stands for the others"


def test_the_end_of_a_recall_releases_its_holds_and_makes_no_board_fit(made: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    """Staff's own hold stays; the certificates stay lapsed and a renewal is not enough."""
    monkeypatch.setattr(recalling, "AT_ONCE", 1)
    serial, other = certified(made, "BOARD1"), made.enrol("HELD1")["serial"]
    made.post(f"/boards/{other}/holds", {"reason": "smells burnt"})
    made.post(RECALL, {"reason": "R30 overheats"}, "coordinator")
    told = made.post(f"{RECALL}/end", {"reason": "only lot 7"}, "coordinator")
    assert told["ended_at"] is not None and [board["held"] for board in told["boards"]] == [False, False]
    assert made.get(f"/boards/{serial}/life")["hold"] is None
    assert made.get(f"/boards/{other}/life")["hold"]["code"] == "held-by-staff"
    assert not made.get(f"/boards/{serial}/fitness")["fit"]
    made.whole_run(serial, test_set="renewal")
    assert "renewal-not-enough" in made.unmet(serial)
    made.whole_run(serial)
    assert made.certify(serial).status_code == 201
    assert made.get("/designs/tarn-b")["recall"] is None
    again = made.post(RECALL, {"reason": "lot 9 as well"}, "coordinator")
    assert [board["held"] for board in again["boards"]] == [True, True]
    assert not made.get(f"/boards/{serial}/fitness")["fit"], "a second recall reaches what was certified since the first"


def test_a_recall_waits_for_nobody_for_long(made: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many boards: so many in one transaction, also with an Idempotency-Key, and one that finds nothing left."""
    for number in range(7):
        made.enrol(f"MANY{number:02}")
    monkeypatch.setattr(recalling, "AT_ONCE", 3)
    services, counting = counted(made)
    fixture_actions.recall(services, "tarn-b", "R30 overheats", "C1")
    assert counting.begun == 1 + 3 + 1
    fixture_actions.end_recall(services, "tarn-b", "over", "C1")
    headers = {"Authorization": f"Bearer {made.secrets['coordinator']}", "Idempotency-Key": "monday"}
    first = made.client.post(f"/api/v1{RECALL}", json={"reason": "again"}, headers=headers)
    second = made.client.post(f"/api/v1{RECALL}", json={"reason": "again"}, headers=headers)
    assert (first.status_code, second.status_code) == (201, 200) and first.json == second.json
    assert made.rows()["answers"] == 0, "it needs no kept answer: sent twice it is the same"


def test_designs_are_listed_with_their_hashes_sets_and_stages(made: Trial) -> None:
    """Two designs come with the package; boards not retired are counted."""
    made.enrol("COUNT1")
    gone = made.enrol("COUNT2")["serial"]
    made.post(f"/boards/{gone}/retirement", {"reason": "worn"}, "coordinator")
    listed = made.get("/designs", "reader")["designs"]
    assert [one["design"] for one in listed] == ["beck-a", "tarn-b"]
    tarn = made.get("/designs/tarn-b")
    assert tarn == listed[1] and tarn["boards"] == 1 and tarn["recall"] is None
    assert set(tarn["sets"]) == {"quick", "plug", "renewal", "full", "field"} and tarn["stages"] == [1, 2, 3, 4]
    assert tarn["fixtures"] == ["TP-4", "L-2", "M-1"] and tarn["judging_hash"] == made.services.find_sheet("tarn-b").judging_hash
    refused(made.ask("GET", "/designs/none-x"), 404, "unknown-design")


def test_the_boards_of_a_recall_have_pages_and_a_table(made: Trial) -> None:
    """For whoever has to write to the borrowers."""
    serials = sorted(made.enrol(f"PAGE{number}")["serial"] for number in range(3))
    made.post(RECALL, {"reason": "R30 overheats"}, "coordinator")
    first = made.get(f"{RECALL}?limit=2")
    rest = made.get(f"{RECALL}?limit=2&after={first['next']}")
    assert [board["serial"] for page in (first, rest) for board in page["boards"]] == serials
    assert first["reason"] == "R30 overheats" and rest["next"] is None
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "text/csv"}
    table = made.client.get(f"/api/v1{RECALL}", headers=headers).text.splitlines()
    assert table[0] == "serial,place,borrower,due,held" and table[1] == f"{serials[0]},here,,,true"
