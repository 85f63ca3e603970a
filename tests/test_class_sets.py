"""Class sets over HTTP: all boards or none, and one list of what is wrong."""

import dataclasses
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from benchworthy import desk_actions
from benchworthy.acts import class_sets
from benchworthy.acts.class_sets import MOST
from benchworthy.acts.lending import Going
from benchworthy.acts.returning import Back
from benchworthy.errors import LoanRefused
from benchworthy.intake import label
from services.desk import COUNTED, certified, in_days, refused
from services.service import Trial, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def going(made: Trial, *serials: str) -> dict[str, Any]:
    """A class set with all that belongs to each board."""
    boards = [{"serial": serial, "accessories": COUNTED} for serial in serials]
    return {"borrower": "class-5b", "due": in_days(made, 7), "boards": boards}


def test_a_class_set_goes_out_together_and_comes_back_together(made: Trial) -> None:
    """Each board with a loan of its own."""
    serials = [certified(made, f"SET{number}") for number in range(3)]
    loans = made.post("/class-loans", going(made, *serials), "desk")["loans"]
    assert [loan["serial"] for loan in loans] == serials
    assert len({loan["id"] for loan in loans}) == len({loan["slip_code"] for loan in loans}) == 3
    told: list[dict[str, Any]] = [{"dropped": True}, {"accessories": {**COUNTED, "motor": 1}, "remark": "It hums."}, {}]
    boards = [{"scanned": serial, **facts} for serial, facts in zip(serials[::-1], told, strict=True)]
    back = made.post("/class-returns", {"boards": boards}, "desk")["loans"]
    assert [loan["serial"] for loan in back] == serials[::-1] and all(loan["returned_at"] for loan in back)
    assert [loan["lacking"] for loan in back] == [None, {"motor": 1}, None]
    assert "It was dropped." in back[0]["reasons"] and "A remark is waiting." in back[1]["reasons"]
    assert {made.get(f"/boards/{serial}/life")["state"] for serial in serials} == {"returned"}


def test_one_list_says_what_is_wrong_with_which_board_and_none_goes_out(made: Trial) -> None:
    """Held, not certified, and named twice at once; the sound one stays too."""
    sound, held = certified(made, "SOUND1"), certified(made, "HELD01")
    kit = made.enrol("KIT001")["serial"]
    made.post(f"/boards/{held}/holds", {"reason": "Smells burnt."}, "desk")
    body = going(made, sound, held, kit, held)
    body["boards"][2]["accessories"] = {"lead": 1}
    before = made.rows()
    document = refused(made.ask("POST", "/class-loans", body, "desk"), 409, "loan-refused")
    told = [(item["serial"], item["code"]) for item in document["unmet"]]
    assert told == [(held, "held"), (held, "named-twice"), (kit, "no-bench-evidence"), (kit, "accessories-missing"),
        (kit, "accessory-unknown")]  # fmt: skip
    assert made.rows() == before
    assert made.get(f"/boards/{sound}/life")["state"] == "fit"
    made.post("/class-loans", going(made, sound), "desk")
    before, boards = made.rows(), [{"scanned": sound}, {"scanned": kit}]
    back = refused(made.ask("POST", "/class-returns", {"boards": boards}, "desk"), 409, "return-refused")
    assert [(item["serial"], item["code"]) for item in back["unmet"]] == [(kit, "not-on-loan")]
    assert made.rows() == before


def test_a_serial_number_that_nobody_enrolled_is_told_in_the_same_list(made: Trial) -> None:
    """Not as an answer of its own that hides the others."""
    kit, unknown = made.enrol("KIT002")["serial"], label.complete("NOBODY")
    document = refused(made.ask("POST", "/class-loans", going(made, kit, unknown), "desk"), 409, "loan-refused")
    assert [(item["serial"], item["code"]) for item in document["unmet"]] == [
        (kit, "no-bench-evidence"), (unknown, "unknown-serial"),
    ]  # fmt: skip


def test_a_class_set_has_at_most_twenty_boards_and_at_least_one(made: Trial) -> None:
    """And its people are the desk's."""
    kit = made.enrol("KIT003")["serial"]
    for serials in ([], [kit] * (MOST + 1)):
        refused(made.ask("POST", "/class-loans", going(made, *serials), "desk"), 422, "request-invalid")
    refused(made.ask("POST", "/class-returns", {"boards": [{"scanned": kit}]}, "tester"), 403, "role-refused")


def test_what_happens_to_a_board_after_it_was_looked_at_is_not_missed(made: Trial) -> None:
    """The looking is done before the write transaction; a hold in between keeps the whole set here."""
    serials = [certified(made, f"RACE{number}") for number in range(2)]
    set_out = [Going(serial, COUNTED) for serial in serials]
    due = made.clock() + timedelta(days=7)
    with made.services.storage.reading() as work:
        seen = class_sets.look_out(set_out, "class-5b", due, work, made.services)
    made.post(f"/boards/{serials[1]}/holds", {"reason": "Smells burnt."}, "desk")
    before = made.rows()
    with pytest.raises(LoanRefused) as caught, made.services.storage.writing() as work:
        class_sets.lend(set_out, seen, "class-5b", due, "D1", work, made.services)
    assert [(item["serial"], item["code"]) for item in caught.value.facts["unmet"]] == [(serials[1], "held")]
    assert made.rows() == before


@pytest.mark.real_time
def test_twenty_boards_go_out_and_come_back_in_short_transactions(made: Trial) -> None:
    """At most 50 ms of this thread's own time with the lock held, whatever else the machine does meanwhile.

    The acts themselves are two transactions; their boards' standings are worked out in others after them.
    """
    serials = [certified(made, f"SHORT{number:02}") for number in range(MOST)]
    held: list[float] = []

    @dataclass
    class Timed:
        """The same storage, with a watch on its write transactions."""

        reading: Any = made.services.storage.reading

        @contextmanager
        def writing(self) -> Iterator[Any]:
            began = time.thread_time()
            with made.services.storage.writing() as work:
                yield work
            held.append(time.thread_time() - began)

    timed = dataclasses.replace(made.services, storage=Timed())
    due = made.clock() + timedelta(days=7)
    desk_actions.lend_set(timed, [Going(serial, COUNTED) for serial in serials], "class-5b", due, "D1")
    desk_actions.take_back_set(timed, [Back(serial, COUNTED) for serial in serials], "D1")
    assert len(held) >= 2 and max(held) < 0.05, held
