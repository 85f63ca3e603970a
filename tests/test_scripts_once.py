"""A POST with an Idempotency-Key is done once, and a change names the version that its sender has seen."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from werkzeug.test import TestResponse

from benchworthy import desk_actions
from benchworthy.intake import label
from benchworthy.keys.answers import answer_keys
from benchworthy.storage import tables
from services import reports
from services.desk import COUNTED, in_days, refused
from services.service import Trial, trial

RETRY = "8e03978e-40d5-43e8-bc93-6894a57f9324"  # draft-ietf-httpapi-idempotency-key-header-07, 2.1


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def post(made: Trial, path: str, body: Any, key: str, role: str = "tester", **headers: str) -> TestResponse:
    told = {"Authorization": f"Bearer {made.secrets[role]}", "Idempotency-Key": key, **headers}
    return made.client.post(f"/api/v1{path}", json=body, headers=told)


def board(body: str, **more: Any) -> dict[str, Any]:
    return {"serial": label.complete(body), "design": "tarn-b", "virtual": True, **more}


def test_the_same_request_sent_again_gets_the_same_answer_and_does_nothing_more(made: Trial) -> None:
    """Secrets that are told once are in the second answer, too; quoted or bare the key is the same."""
    first = post(made, "/boards", board("ONCE01"), f'"{RETRY}"')
    before = made.rows()
    again = post(made, "/boards", board("ONCE01"), RETRY)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.data == first.data and again.json["field_key"]
    assert again.headers["Content-Type"] == first.headers["Content-Type"]
    assert "Idempotency-Replayed" not in first.headers and again.headers["Idempotency-Replayed"] == "true"
    assert made.rows() == before
    refused(made.ask("POST", "/boards", board("ONCE01")), 409, "already-enrolled")


def test_another_request_with_the_same_key_is_refused(made: Trial) -> None:
    """Another body, another path, and another query are other requests."""
    assert post(made, "/boards", board("ONCE02"), "k").status_code == 201
    refused(post(made, "/boards", board("ONCE03"), "k"), 422, "key-reused")
    refused(post(made, "/boards?x=1", board("ONCE02"), "k"), 422, "key-reused")
    refused(post(made, f"/boards/{label.complete('ONCE02')}/holds", {"reason": "smells"}, "k"), 422, "key-reused")


def test_a_key_belongs_to_one_token(made: Trial) -> None:
    """Two people may choose the same key."""
    assert post(made, "/boards", board("ONCE04"), "k").status_code == 201
    refused(post(made, "/boards", board("ONCE04"), "k", "desk"), 409, "already-enrolled")


def test_a_refusal_is_not_kept(made: Trial) -> None:
    """What kept it away may be gone the next time."""
    serial = label.complete("ONCE05")
    refused(post(made, f"/boards/{serial}/holds", {"reason": "smells"}, "k"), 404, "unknown-serial")
    made.enrol("ONCE05")
    assert post(made, f"/boards/{serial}/holds", {"reason": "smells"}, "k").status_code == 201


@pytest.mark.parametrize("key", ["", '""', "a b", "x" * 129, '"open', "tab\there"])
def test_a_key_that_is_none_is_refused(made: Trial, key: str) -> None:
    refused(post(made, "/boards", board("ONCE06"), key), 422, "request-invalid")


def test_an_answer_is_kept_for_a_day(made: Trial) -> None:
    """After that it is forgotten, with the next one that is kept."""
    assert post(made, "/boards", board("ONCE07"), "k").status_code == 201
    made.clock.ahead = timedelta(hours=23)
    assert post(made, "/boards", board("ONCE07"), "k").status_code == 201
    made.clock.ahead = timedelta(hours=25)
    refused(post(made, "/boards", board("ONCE07"), "k"), 409, "already-enrolled")
    assert post(made, "/boards", board("ONCE08"), "k").status_code == 201
    assert made.rows()["answers"] == 1


def test_effect_and_answer_are_on_record_together_or_not_at_all(made: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    """The answer cannot be kept, so the board is not enrolled either."""
    from benchworthy.storage.answers import AnswerRows

    def fail(*_: Any) -> None:
        raise ZeroDivisionError

    before = made.rows()
    with monkeypatch.context() as patch:
        patch.setattr(AnswerRows, "keep", fail)
        made.app.testing = made.app.config["PROPAGATE_EXCEPTIONS"] = False
        refused(post(made, "/boards", board("ONCE09"), "k"), 500, "internal-error")
    assert made.rows() == before
    assert post(made, "/boards", board("ONCE09"), "k").status_code == 201


def test_while_the_first_is_being_answered_a_second_is_told_to_wait(made: Trial, monkeypatch: pytest.MonkeyPatch) -> None:
    """409 with Retry-After, not a second board and not a wait for the lock."""
    inside, leave = threading.Event(), threading.Event()
    enrol, answers = desk_actions.enrol, []

    def slow(*given: Any) -> Any:
        inside.set()
        assert leave.wait(10)
        return enrol(*given)

    monkeypatch.setattr(desk_actions, "enrol", slow)
    with _beside(lambda: answers.append(post(made, "/boards", board("ONCE10"), "k"))):
        assert inside.wait(10)
        second = post(made, "/boards", board("ONCE10"), "k")
        leave.set()
    refused(second, 409, "request-in-flight")
    assert second.headers["Retry-After"] == "1"
    assert [answer.status_code for answer in answers] == [201]
    assert post(made, "/boards", board("ONCE10"), "k").data == answers[0].data


@contextmanager
def _beside(work: Any) -> Iterator[None]:
    thread = threading.Thread(target=work)
    thread.start()
    try:
        yield
    finally:
        thread.join(20)


def test_what_is_kept_tells_the_database_nothing(made: Trial) -> None:
    """A field key is told once and stands nowhere; nor do the token and the Idempotency-Key."""
    answer = post(made, "/boards", board("ONCE11"), "a-key-to-look-for")
    with made.house.database.engine.connect() as connection:
        (row,) = connection.execute(select(tables.answers)).all()
    text = repr(tuple(row)).encode() + row.sealed
    for secret in (answer.json["field_key"], "a-key-to-look-for", made.secrets["tester"], answer.json["serial"]):
        assert secret.encode() not in text
    keys = answer_keys(made.secrets["tester"], "a-key-to-look-for")
    assert row.name == keys.name and answer.json["field_key"][:8].encode() not in keys.open(row.sealed)[:60]
    assert answer_keys(made.secrets["tester"], "another").name != row.name


def test_labels_are_printed_with_a_key_as_without(made: Trial) -> None:
    """A POST that changes nothing keeps nothing."""
    serial = made.enrol("ONCE12")["serial"]
    assert post(made, "/labels", {"serials": [serial], "size": "62x29"}, "k").status_code == 200
    assert made.rows()["answers"] == 0


# ------------------------------------------------------------------------------------------------ ETag and If-Match


def patch(made: Trial, serial: str, body: Any, role: str = "desk", **headers: str) -> TestResponse:
    told = {"Authorization": f"Bearer {made.secrets[role]}", **headers}
    return made.client.patch(f"/api/v1/boards/{serial}", json=body, headers=told)


def test_a_change_needs_the_tag_of_what_was_read(made: Trial) -> None:
    """428 without one, 412 with an old one or none of ours, and then nothing has changed."""
    serial = made.enrol("TAG001")["serial"]
    read = made.ask("GET", f"/boards/{serial}")
    for none in ({}, {"If-Match": "*"}):
        refused(patch(made, serial, {"kit_lot": "K-9"}, **none), 428, "precondition-missing")
    for old in ('"v99"', "v1", 'W/"v1"', "nonsense"):
        refused(patch(made, serial, {"kit_lot": "K-9"}, **{"If-Match": old}), 412, "precondition-failed")
    assert made.get(f"/boards/{serial}") == read.json
    changed = patch(made, serial, {"kit_lot": "K-9", "inventory_ref": "INV 12"}, **{"If-Match": read.headers["ETag"]})
    assert changed.status_code == 200, changed.text
    assert (changed.json["kit_lot"], changed.json["inventory_ref"]) == ("K-9", "INV 12")
    assert changed.headers["ETag"] != read.headers["ETag"]
    assert changed.headers["ETag"] == made.ask("GET", f"/boards/{serial}").headers["ETag"]
    refused(patch(made, serial, {"kit_lot": "K-1"}, **{"If-Match": read.headers["ETag"]}), 412, "precondition-failed")


def test_a_change_is_in_the_boards_history_and_takes_no_others_name(made: Trial) -> None:
    """Who changed what from what; null takes a name away; saying what is so already changes nothing."""
    made.enrol("TAG002", inventory_ref="INV 1")
    serial = made.enrol("TAG003", inventory_ref="INV 2")["serial"]
    tag = {"If-Match": made.ask("GET", f"/boards/{serial}").headers["ETag"]}
    refused(patch(made, serial, {"inventory_ref": "INV 1"}, **tag), 409, "already-enrolled")
    refused(patch(made, serial, {"serial": "X"}, **tag), 422, "request-invalid")
    refused(patch(made, serial, {"inventory_ref": None}, "reader", **tag), 403, "role-refused")
    assert patch(made, serial, {"inventory_ref": "INV 2"}, **tag).headers["ETag"] == tag["If-Match"]
    assert patch(made, serial, {"inventory_ref": None}, **tag).json["inventory_ref"] is None
    entry = made.get(f"/boards/{serial}/history")["entries"][-1]
    assert (entry["kind"], entry["holder"], entry["facts"]) == ("renamed", "D1", {"inventory_ref": ["INV 2", None]})


# ------------------------------------------------------------------------------------------------------ a whole life


def twice(made: Trial, path: str, body: Any, role: str) -> Any:
    """Send it twice with one key: the second answer is the first, and nothing more is on record than after the first."""
    answers = [post(made, path, body, f"life {path}".replace(" ", "-"), role)]
    before = made.rows()
    answers += [post(made, path, body, f"life {path}".replace(" ", "-"), role)]
    assert answers[0].status_code in (200, 201, 202), answers[0].text
    assert answers[0].data == answers[1].data and made.rows() == before
    return answers[1].json


def test_every_act_of_a_boards_life_may_be_sent_twice(made: Trial) -> None:
    """Enrolled, run, certified, lent, returned, held: each once, and its answer is read within its own transaction."""
    serial = twice(made, "/boards", board("LIFE01"), "tester")["serial"]
    place = f"/boards/{serial}"
    made.have_fixtures()
    wanted = {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": list(reports.FIXTURES)}
    opened = twice(made, f"{place}/runs", wanted, "tester")
    made.deliver_all(opened, serial)
    made.people_answer(opened)
    assert twice(made, f"/runs/{opened['run']}/close", {}, "tester")["verdict"] == "in limits"
    assert twice(made, f"{place}/certificates", {}, "tester")["lapse"] is None
    assert (
        twice(made, f"{place}/loans", {"borrower": "B-1", "due": in_days(made, 3), "accessories": COUNTED}, "desk")["borrower"]
        == "B-1"
    )
    assert twice(made, f"{place}/returns", {"scanned": serial}, "desk")["returned_at"] is not None
    assert twice(made, f"{place}/holds", {"reason": "smells"}, "desk")["state"] == "held"
    kinds = [entry["kind"] for entry in made.get(f"{place}/history")["entries"]]
    for kind in ("enrolled", "run-opened", "run-closed", "certified", "lent", "returned", "held"):
        assert kinds.count(kind) == 1, kinds
