"""Remarks of borrowers over HTTP: a slip's code and no token; they wait for the desk and change no state by themselves."""

import csv
import hashlib
import io
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete
from werkzeug.test import TestResponse

from benchworthy.acts import remarks
from benchworthy.api.failures import MOST as MOST_FAILURES
from benchworthy.storage import tables
from services.desk import certified, checked_in, lent, lent_once, refused, returned
from services.service import Trial, trial

HUMS = "It hums when the motor runs."


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def tell(made: Trial, code: str, text: str = HUMS) -> TestResponse:
    return made.ask("POST", "/remarks", {"code": code, "text": text}, None)


def listed(made: Trial, serial: str, role: str = "desk") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = made.get(f"/boards/{serial}/remarks", role)["remarks"]
    return found


def settle(made: Trial, number: int, outcome: str = "Heard it too; a defect is reported.", role: str = "desk") -> TestResponse:
    return made.ask("POST", f"/remarks/{number}/read", {"outcome": outcome}, role)


def test_a_remark_is_thanked_for_told_to_the_desk_and_changes_nothing_else(made: Trial) -> None:
    """The answer says nothing of the board; state and certificate stay; the text is not in the chain, its hash is."""
    serial = certified(made, "REMAR1")
    code = lent(made, serial)["slip_code"]
    fitness = made.get(f"/boards/{serial}/fitness")
    answer = tell(made, f" {code[:4].lower()}-{code[4:]} ")
    assert answer.status_code == 201 and set(answer.json) == {"told"} and serial not in answer.text  # type: ignore[arg-type]
    assert made.get(f"/boards/{serial}/fitness") == fitness
    assert made.get(f"/boards/{serial}/life")["remark_waiting"] is True
    (remark,) = listed(made, serial)
    assert (remark["text"], remark["told_by"], remark["waiting"], remark["outcome"]) == (HUMS, "slip", True, None)
    entry = made.get(f"/boards/{serial}/history")["entries"][-1]
    assert (entry["kind"], entry["holder"]) == ("remark-left", remarks.BY_SLIP)
    assert entry["text_hash"] == hashlib.sha256(HUMS.encode()).hexdigest() and HUMS not in str(entry)


def test_the_same_words_while_they_wait_are_one_remark(made: Trial) -> None:
    """A button pressed twice is no second remark, and counts for no limit."""
    serial = certified(made, "REMAR2")
    code = lent(made, serial)["slip_code"]
    assert [tell(made, code).status_code for _ in range(5)] == [201] * 5
    assert len(listed(made, serial)) == 1
    assert settle(made, listed(made, serial)[0]["id"]).status_code == 200
    assert tell(made, code).status_code == 201 and len(listed(made, serial)) == 2


def test_a_wrong_code_and_one_whose_loan_is_over_get_the_same_answer(made: Trial) -> None:
    """Nothing is written, and nobody learns whether there ever was such a code."""
    serial = certified(made, "REMAR3")
    code = lent(made, serial)["slip_code"]
    returned(made, serial)
    before = made.rows()
    answers = [tell(made, given) for given in (code, "34679ACD", "x", "\u2603" * 8)]
    documents = [refused(answer, 404, "unknown-code") for answer in answers]
    assert all(document == documents[0] for document in documents) and made.rows() == before
    for body in ({"code": code}, {"text": HUMS}, {"code": code, "text": "x" * 501}, {"code": code, "text": "x"}):
        refused(made.ask("POST", "/remarks", body, None), 422, "request-invalid")


def test_whoever_guesses_codes_has_to_slow_down_and_tokens_and_good_codes_do_not(made: Trial) -> None:
    """Thirty wrong ones in a minute from one address; a code that was let in from there stays welcome."""
    serial, other = certified(made, "REMAR4"), certified(made, "REMAR5")
    known, fresh = (lent(made, one)["slip_code"] for one in (serial, other))
    assert tell(made, known).status_code == 201
    for number in range(MOST_FAILURES):
        refused(tell(made, f"WRONG{number:03}"), 404, "unknown-code")
    late = tell(made, fresh)
    refused(late, 429, "too-many-failures")
    assert 1 <= int(late.headers["Retry-After"]) <= 60
    assert tell(made, known, "And it smells.").status_code == 201
    assert made.ask("GET", "/boards").status_code == 200
    made.clock.ahead += timedelta(seconds=61)
    assert tell(made, fresh).status_code == 201


def test_a_loan_has_a_few_remarks_a_day(made: Trial) -> None:
    """The next one is told when to come again, and comes then; what was said at the desk does not count."""
    serial = certified(made, "REMAR6")
    code = lent(made, serial)["slip_code"]
    for number in range(remarks.MOST):
        assert tell(made, code, f"Remark {number}.").status_code == 201
    before = made.rows()
    answer = tell(made, code, "One more.")
    refused(answer, 429, "too-many-remarks")
    assert made.rows() == before
    made.clock.ahead += timedelta(seconds=int(answer.headers["Retry-After"]) + 1)
    assert tell(made, code, "One more.").status_code == 201


def test_a_remark_waits_until_the_desk_has_read_it_once(made: Trial) -> None:
    """With what came of it; a reader of lists reads no remarks, and a tester settles none."""
    serial = certified(made, "REMAR7")
    tell(made, lent(made, serial)["slip_code"])
    (remark,) = listed(made, serial, "tester")
    refused(made.ask("GET", f"/boards/{serial}/remarks", role="reader"), 403, "role-refused")
    refused(settle(made, remark["id"], role="tester"), 403, "role-refused")
    refused(settle(made, remark["id"] + 1), 404, "unknown-remark")
    done = settle(made, remark["id"])
    assert done.json is not None and (done.json["waiting"], done.json["read_by"]) == (False, "D1")
    assert done.json["outcome"].startswith("Heard it")
    assert made.get(f"/boards/{serial}/life")["remark_waiting"] is False
    before = made.rows()
    refused(settle(made, remark["id"]), 409, "already-read")
    assert made.rows() == before
    assert made.get(f"/boards/{serial}/history")["entries"][-1]["kind"] == "remark-read"


def test_remarks_come_in_pages_and_as_a_table_and_a_text_can_be_erased(made: Trial) -> None:
    """A formula in one is defused; without its text a remark is still on record, and the chain still holds."""
    serial = certified(made, "REMAR8")
    code = lent(made, serial)["slip_code"]
    for text in ("=1+1 is what it says", "It hums.", "It is warm."):
        tell(made, code, text)
    page = made.get(f"/boards/{serial}/remarks?limit=2", "desk")
    rest = made.get(f"/boards/{serial}/remarks?limit=2&after={page['next']}", "desk")
    assert [remark["text"] for remark in page["remarks"] + rest["remarks"]] == ["=1+1 is what it says", "It hums.", "It is warm."]
    assert rest["next"] is None
    headers = {"Authorization": f"Bearer {made.secrets['desk']}", "Accept": "text/csv"}
    table = made.client.get(f"/api/v1/boards/{serial}/remarks", headers=headers).text
    assert next(csv.DictReader(io.StringIO(table)))["text"] == "'=1+1 is what it says"
    with made.house.database.engine.begin() as connection:
        connection.execute(delete(tables.texts).where(tables.texts.c.text == "It hums."))
    assert [remark["text"] for remark in listed(made, serial)] == ["=1+1 is what it says", None, "It is warm."]


def test_a_waiting_remark_asks_for_the_full_set_also_when_it_was_read_since(made: Trial) -> None:
    """Two borrowers, one board: a remark from a loan is known at its return, and what the return asked for stays asked."""
    serial = certified(made, "REMAR9")
    lent_once(made, serial)
    tell(made, lent(made, serial)["slip_code"])
    back = returned(made, serial)
    assert (back["set"], back["reasons"], back["remark"]) == ("full", ["A remark is waiting."], None)
    settle(made, listed(made, serial)[0]["id"])
    run = made.whole_run(serial, test_set="plug")["run"]
    refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": run}, "desk"), 409, "check-in-refused")
    assert checked_in(made, serial)["outcome"] == "fit kept"


def test_what_is_said_at_the_desk_is_a_remark_too(made: Trial) -> None:
    """In the answer by its number, from whoever took the board back."""
    serial = certified(made, "REMARA")
    lent(made, serial)
    back = returned(made, serial, remark=HUMS)
    (remark,) = listed(made, serial)
    assert (remark["id"], remark["told_by"], remark["by"], remark["text"]) == (back["remark"], "desk", "D1", HUMS)
    assert checked_in(made, serial)["outcome"] == "fit kept"
    assert made.get(f"/boards/{serial}/life")["remark_waiting"] is True
