"""The slip that goes with a loan, and the list of loans, over HTTP."""

import csv
import dataclasses
import io
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from benchworthy.keys.derive import SLIP_ALPHABET, SLIP_LENGTH, slip_code
from benchworthy.keys.secret import SiteSecret
from benchworthy.web import create_app
from papers import seen_codes, seen_text
from services.desk import certified, lent, refused, returned
from services.service import Trial, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


# -------------------------------------------------------------------------------------------------------------- the slip


def test_the_code_follows_from_secret_and_loan_and_has_no_look_alikes() -> None:
    """Eight of twenty-four characters, another for every loan and every site; RFC 5869 below it has vectors of its own."""
    here, there = SiteSecret(bytes(32)), SiteSecret(bytes(31) + b"\1")
    codes = {slip_code(here, f"l-{number:016x}") for number in range(2000)}
    assert len(codes) == 2000 and all(len(code) == SLIP_LENGTH for code in codes)
    assert {letter for code in codes for letter in code} == set(SLIP_ALPHABET) and not set(SLIP_ALPHABET) & set("0O1IL2Z5S8BV")
    assert slip_code(here, "l-1") == slip_code(here, "l-1") != slip_code(there, "l-1")


def test_a_slip_is_printed_again_alike_while_the_loan_lasts(made: Trial) -> None:
    """With the code of the loan's answer; only its hash is on record; after the return it is refused."""
    serial = certified(made, "SLIP01")
    services = dataclasses.replace(made.services, public_url="https://boards.example.org/kb")
    made.client = create_app(services).test_client()
    loan = lent(made, serial)
    path, code = f"/loans/{loan['id']}/slip", loan["slip_code"]
    first, again = (made.ask("GET", path, role="desk") for _ in range(2))
    assert (first.status_code, first.mimetype) == (200, "application/pdf") and first.data == again.data
    said = seen_text(first.data)
    for words in (f"{code[:4]} {code[4:]}", "Board Tarn rev B", "2 x motor", loan["due"][:10], "VIRTUAL"):
        assert words in said, words
    assert seen_codes(first.data) == [["https://boards.example.org/kb/remarks"]] and "B-204" not in said
    half = made.ask("GET", f"{path}?form=half-a4", role="desk")
    assert half.status_code == 200 and half.data != first.data
    both = made.ask("POST", "/slips", {"loans": [loan["id"]] * 2, "form": "half-a4"}, "desk")
    assert both.status_code == 200 and seen_text(both.data).count(f"{code[:4]} {code[4:]}") == 2
    refused(made.ask("POST", "/slips", {"loans": [loan["id"], "l-none"]}, "desk"), 404, "unknown-loan")
    refused(made.ask("GET", f"{path}?form=a0", role="desk"), 422, "request-invalid")
    refused(made.ask("GET", path, role="tester"), 403, "role-refused")
    refused(made.ask("GET", "/loans/l-none/slip", role="desk"), 404, "unknown-loan")
    assert code not in str(made.get("/loans")) and code not in str(made.get(f"/boards/{serial}/history"))
    assert code.encode() not in b"".join(file.read_bytes() for file in Path(made.house.settings.data).glob("*.sqlite3*"))
    returned(made, serial)
    refused(made.ask("GET", path, role="desk"), 409, "loan-over")


# ---------------------------------------------------------------------------------------------------- the list of loans


def test_the_list_of_loans_says_what_to_do_about_each_and_goes_page_by_page(made: Trial) -> None:
    """By due date; overdue ones alone, by borrower, by who lent, by state; also as CSV."""
    serials = [certified(made, f"LIST0{number}") for number in range(4)]
    for serial, days, borrower in zip(serials, (40, 10, 2, 20), ("class-6a", "class-5b", "class-5b", "b-9"), strict=True):
        lent(made, serial, borrower, days)
    returned(made, serials[3])
    assert [row["serial"] for row in made.get("/loans")["loans"]] == [serials[2], serials[1], serials[0]]
    assert made.get("/loans?overdue=true")["loans"] == []
    made.clock.ahead += timedelta(days=17)
    rows = made.get("/loans?overdue=true", "reader")["loans"]
    assert [(row["serial"], row["days"], row["act"]) for row in rows] == [
        (serials[2], 15, "coordinator"),
        (serials[1], 7, "remind"),
    ]
    assert all(row["overdue"] and row["step"] and row["state"] == "on loan" for row in rows)
    (far,) = made.get("/loans?overdue=false")["loans"]
    assert (far["serial"], far["days"], far["act"], far["step"]) == (serials[0], -23, None, None)
    page = made.get("/loans?limit=2")
    rest = made.ask("GET", "/loans", query_string={"limit": "2", "after": page["next"]}).json
    assert [row["serial"] for row in page["loans"] + rest["loans"]] == [serials[2], serials[1], serials[0]]  # type: ignore[index]
    assert rest["next"] is None  # type: ignore[index]
    made.post(f"/boards/{serials[2]}/loss", {}, "coordinator")
    (lost,) = made.get("/loans?state=missing")["loans"]
    assert (lost["serial"], lost["state"], lost["act"]) == (serials[2], "missing", "missing") and "on record" in lost["step"]
    (back,) = made.get("/loans?returned=true")["loans"]
    assert (back["serial"], back["state"], back["days"]) == (serials[3], "returned", None)
    assert len(made.get("/loans?borrower=class-5b")["loans"]) == 2
    assert len(made.get("/loans?holder=D1")["loans"]) == 3 and made.get("/loans?holder=D2")["loans"] == []
    headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "text/csv"}
    table = list(csv.DictReader(io.StringIO(made.client.get("/api/v1/loans?overdue=true", headers=headers).text)))
    assert {"loan", "serial", "inventory_ref", "borrower", "due", "days", "step"} <= set(table[0])
    assert [row["days"] for row in table] == ["15", "7"]
    for wrong in ("after=x", "state=fit", "overdue=yes", "limit=0", "after=20261125T000000.000000"):
        answer = made.ask("GET", f"/loans?{wrong}")
        assert answer.status_code == (200 if wrong.startswith("after=2026") else 422), answer.text


def test_a_lost_board_that_was_retired_is_nobodys_to_remind(made: Trial) -> None:
    """And when it turns up it stays retired: its return is refused, with nothing changed."""
    serial = certified(made, "GONE01")
    lent(made, serial)
    made.post(f"/boards/{serial}/loss", {}, "coordinator")
    made.post(f"/boards/{serial}/retirement", {"reason": "Never came back."}, "coordinator")
    made.clock.ahead += timedelta(days=60)
    assert made.get("/loans?overdue=true")["loans"] == []
    assert [row["state"] for row in made.get("/loans?state=retired")["loans"]] == ["retired"]
    before = made.rows()
    refused(made.ask("POST", f"/boards/{serial}/returns", {"scanned": serial}, "desk"), 409, "return-refused")
    assert made.rows() == before
