"""What other programs come for: pages, CSV, changes, a fleet from a file, revocation, and the limit on wrong tokens."""

import csv
import hashlib
import io
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from requests.utils import parse_header_links
from werkzeug.test import TestResponse

from benchworthy.api import failures
from benchworthy.intake import label
from services.desk import lent, refused
from services.service import Trial, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def certify(made: Trial, serial: str) -> dict[str, Any]:
    made.whole_run(serial)
    answer = made.certify(serial)
    assert answer.status_code == 201, answer.text
    told: dict[str, Any] = answer.json
    return told


def links(answer: TestResponse) -> dict[str, str]:
    return {link["rel"]: link["url"] for link in parse_header_links(answer.headers["Link"])}


def follow(made: Trial, path: str, name: str) -> list[dict[str, Any]]:
    """Every row, by the links alone."""
    headers = {"Authorization": f"Bearer {made.secrets['coordinator']}"}
    rows, place = [], f"/api/v1{path}"
    for _ in range(50):
        answer = made.client.get(place, headers=headers)
        assert answer.status_code == 200, answer.text
        rows += answer.json[name]
        assert ("next" in links(answer)) == (answer.json["next"] is not None)
        if "next" not in links(answer):
            return rows
        place = links(answer)["next"]
    raise AssertionError("the links lead round in a circle")


def as_csv(made: Trial, path: str) -> list[list[str]]:
    headers = {"Authorization": f"Bearer {made.secrets['tester']}", "Accept": "text/csv"}
    answer = made.client.get(f"/api/v1{path}", headers=headers)
    assert answer.status_code == 200 and answer.mimetype == "text/csv" and answer.headers["Vary"] == "Accept"
    return list(csv.reader(io.StringIO(answer.text, newline="")))


# ------------------------------------------------------------------------------------------------------------- lists


@pytest.mark.parametrize("limit", [1, 2, 3, 5, 200])
def test_every_page_of_every_list_leads_to_the_next_and_none_is_told_twice(made: Trial, limit: int) -> None:
    """Whatever the size of a page."""
    serials = sorted(made.enrol(f"PAGE0{number}")["serial"] for number in range(5))
    assert [row["serial"] for row in follow(made, f"/boards?limit={limit}", "boards")] == serials
    assert [row["serial"] for row in follow(made, f"/changes?limit={limit}", "changes")] == serials
    assert len(follow(made, f"/tokens?limit={limit}", "tokens")) == len(made.secrets)
    assert [row["thumbprint"] for row in follow(made, f"/benches?limit={limit}", "benches")] == [made.bench.thumbprint]
    made.post(f"/boards/{serials[0]}/holds", {"reason": "smells"})
    entries = follow(made, f"/boards/{serials[0]}/history?limit={limit}", "entries")
    assert [entry["kind"] for entry in entries] == ["enrolled", "held"]


def test_a_board_is_found_by_the_number_it_has_elsewhere(made: Trial) -> None:
    """One or none."""
    serial = made.enrol("FOUND1", inventory_ref="INV/7 ä")["serial"]
    answer = made.ask("GET", "/boards", query_string={"inventory_ref": "INV/7 ä"})
    assert [board["serial"] for board in answer.json["boards"]] == [serial]
    assert made.get("/boards?inventory_ref=INV")["boards"] == []


def test_a_table_holds_what_the_list_holds_and_no_formula(made: Trial) -> None:
    """Cells that a spreadsheet would compute, by OWASP's list (CSV injection)."""
    for number, begin in enumerate("=+-@\t\r"):
        made.enrol(f"CELL0{number}", inventory_ref=f"{begin}1+1", kit_lot=f'a "b", c{begin}')
    head, *rows = as_csv(made, "/boards")
    boards = made.get("/boards")["boards"]
    assert head[:3] == ["serial", "site", "design"] and len(rows) == len(boards) == 6
    for row, board in zip(rows, boards, strict=True):
        told = dict(zip(head, row, strict=True))
        assert told["inventory_ref"] == "'" + board["inventory_ref"] and told["kit_lot"] == board["kit_lot"]
        assert (told["module"], told["virtual"]) == ("", "true")
    assert as_csv(made, "/changes")[1][3] == "enrolled"
    assert as_csv(made, f"/boards/{boards[0]['serial']}/history")[1][2] == "enrolled"


def test_changes_tell_of_certificate_loan_and_return_in_order_and_of_no_reading(made: Trial) -> None:
    """Whoever remembers the last number misses nothing and hears nothing twice."""
    serial = made.enrol("CHANGE")["serial"]
    first = made.get("/changes")
    assert [change["kind"] for change in first["changes"]] == ["enrolled"]
    assert made.get(f"/changes?after={first['last']}") == {"changes": [], "last": first["last"], "next": None}
    certify(made, serial)
    lent(made, serial, "B-7", 3)
    told = made.get(f"/changes?after={first['last']}")
    assert [change["kind"] for change in told["changes"]] == ["module-bound", "certified", "lent"]
    numbers = [change["number"] for change in told["changes"]]
    assert numbers == sorted(numbers) and numbers[0] > first["last"] and told["last"] == numbers[-1]


# -------------------------------------------------------------------------------------------------- a fleet from a file


def send_file(
    made: Trial, text: str | bytes, dry: bool = False, role: str = "coordinator", kind: str = "text/csv"
) -> TestResponse:
    headers = {"Authorization": f"Bearer {made.secrets[role]}"}
    place = f"/api/v1/fleet/import{'?dry_run=true' if dry else ''}"
    return made.client.post(place, data=text, headers=headers, content_type=kind)


def test_a_fleet_comes_in_whole(made: Trial) -> None:
    """Dry it only tells; then all boards are enrolled, each with its history. Semicolons and a byte order mark do as well."""
    serials = [label.complete(f"FLEET{number}") for number in range(3)]
    text = "\ufeffserial;design;inventory_ref\r\n" + "".join(f"{serial};tarn-b;INV {serial}\r\n" for serial in serials)
    before = made.rows()
    dry = send_file(made, text.encode(), dry=True)
    assert dry.status_code == 200, dry.text
    assert (dry.json["dry_run"], dry.json["enrolled"], [line["wrong"] for line in dry.json["lines"]]) == (True, 0, [None] * 3)
    assert made.rows() == before
    done = send_file(made, text.encode())
    assert (done.status_code, done.json["enrolled"]) == (200, 3)
    assert made.get(f"/boards/{serials[1]}")["inventory_ref"] == f"INV {serials[1]}"
    assert made.get(f"/boards/{serials[1]}/history")["entries"][0]["kind"] == "enrolled"


def test_a_fleet_brings_its_places_notes_and_modules(made: Trial) -> None:
    """What is known is written down; a module belongs to one board; an imported board has no evidence, which is no verdict."""
    first, second, third = (label.complete(f"FLEET{number}") for number in (7, 8, 9))
    module, other = "e6616408431234a1", "e6616408431234a2"
    head, cells = "serial;design;place;note;module\n", "tarn-b;Room 3, shelf 2;Case is scratched."
    twice = send_file(made, f"{head}{first};{cells};{module}\n{second};{cells};{module}\n", dry=True)
    assert [line["wrong"] for line in twice.json["lines"]] == [
        None,
        "A line above has this serial number, inventory_ref or module already.",
    ]
    assert send_file(made, f"{head}{first};{cells};{module}\n{second};{cells};{other}\n").json["enrolled"] == 2
    board = made.get(f"/boards/{first}")
    assert [board[name] for name in ("place", "note", "module")] == ["Room 3, shelf 2", "Case is scratched.", module]
    assert made.get(f"/boards/{first}/fitness")["answer"] == "no evidence"
    refused(made.ask("POST", "/boards", {"serial": third, "design": "tarn-b", "module": other}), 409, "already-enrolled")


def test_a_board_moves_and_its_note_stands_beside_the_ledger(made: Trial) -> None:
    """The chain holds where it was and is; of a note it holds the hash alone, so the text can be erased."""
    serial = made.enrol("MOVES1", place="Room 3")["serial"]
    tag = made.ask("GET", f"/boards/{serial}").headers["ETag"]
    body = {"place": "Workshop", "note": "Case is scratched."}
    headers = {"Authorization": f"Bearer {made.secrets['desk']}", "If-Match": tag}
    changed = made.client.patch(f"/api/v1/boards/{serial}", json=body, headers=headers)
    assert (changed.status_code, changed.json["place"], changed.json["note"]) == (200, "Workshop", "Case is scratched.")
    last = made.get(f"/boards/{serial}/history")["entries"][-1]
    assert (last["kind"], last["facts"]) == ("renamed", {"place": ["Room 3", "Workshop"]})
    assert last["text_hash"] == hashlib.sha256(b"Case is scratched.").hexdigest()


def test_one_line_at_fault_keeps_the_whole_file_out(made: Trial) -> None:
    """And every line at fault is named, by its number in the file."""
    made.enrol("THERE1", inventory_ref="INV 1")
    good = label.complete("FLEET9")
    lines = [
        "serial,design,virtual,inventory_ref",
        f"{good},tarn-b,,",
        f"{good},tarn-b,,",
        f"{label.complete('THERE1')},tarn-b,,",
        f"{label.complete('FLEET8')},no-such,,",
        f"{label.complete('FLEET7')},tarn-b,perhaps,",
        f"{label.complete('FLEET6')},tarn-b,,INV 1",
        f"{label.complete('FLEET5')},tarn-b",
        "FLEET4?,tarn-b,,",
    ]
    before = made.rows()
    dry = send_file(made, "\n".join(lines), dry=True)
    assert [line["line"] for line in dry.json["lines"] if line["wrong"]] == [3, 4, 5, 6, 7, 8, 9]
    answer = send_file(made, "\n".join(lines))
    refused(answer, 422, "import-refused")
    assert set(answer.json["errors"]) == set("3456789")
    assert made.rows() == before


NO_FILES = (
    b"",
    b"serial\n",
    b"serial,design\n",
    b"a,b\n1,2\n",
    b"\xff\xfe",
    b'serial,design\n"x',
    b"serial,serial,design\n1,2,3\n",
)


@pytest.mark.parametrize("text", NO_FILES)
def test_what_is_no_fleet_file_is_refused(made: Trial, text: bytes) -> None:
    refused(send_file(made, text), 422, "import-refused")


def test_only_a_coordinator_brings_in_a_fleet_and_only_as_csv(made: Trial) -> None:
    refused(send_file(made, "serial,design\n", role="tester"), 403, "role-refused")
    refused(send_file(made, "serial,design\n", kind="text/plain"), 415, "media-type-unsupported")


# --------------------------------------------------------------------------------------------------- tokens and benches


def test_a_token_is_known_by_its_beginning_and_taken_back(made: Trial) -> None:
    """It opens nothing any more; the list says since when; what is revoked stays so."""
    secret = made.post("/tokens", {"role": "desk", "holder": "D7"}, "coordinator")["secret"]
    headers = {"Authorization": f"Bearer {secret}"}
    assert made.client.get("/api/v1/boards", headers=headers).status_code == 200
    (known,) = [one for one in made.get("/tokens", "coordinator")["tokens"] if one["holder"] == "D7"]
    assert secret not in str(known)
    place = f"/tokens/{known['token']}/revocation"
    refused(made.ask("POST", place, {}, "desk"), 403, "role-refused")
    assert made.post(place, {}, "coordinator")["revoked_at"] is not None
    refused(made.client.get("/api/v1/boards", headers=headers), 401, "token-refused")
    refused(made.ask("POST", place, {}, "coordinator"), 409, "already-revoked")
    for none in ("0" * 12, "%", "_"):
        refused(made.ask("POST", f"/tokens/{none}/revocation", {}, "coordinator"), 404, "unknown-token")


def test_a_token_ends_on_its_day(made: Trial) -> None:
    secret = made.post("/tokens", {"role": "desk", "holder": "D8", "days": 2}, "coordinator")["secret"]
    headers = {"Authorization": f"Bearer {secret}"}
    made.clock.ahead = timedelta(days=1)
    assert made.client.get("/api/v1/boards", headers=headers).status_code == 200
    made.clock.ahead = timedelta(days=2, seconds=1)
    refused(made.client.get("/api/v1/boards", headers=headers), 401, "token-refused")


def test_a_bench_taken_back_takes_with_it_what_it_vouched_for_since_then(made: Trial) -> None:
    """LAPSE-BENCH for runs from that moment on; an earlier certificate stands; no new run is opened there."""
    early, late = made.enrol("BENCH1")["serial"], made.enrol("BENCH2")["serial"]
    kept = certify(made, early)
    made.clock.ahead = timedelta(hours=2)
    lost = certify(made, late)
    since = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    place, body = f"/benches/{made.bench.thumbprint}/revocation", {"since": since, "reason": "Its disk was stolen."}
    refused(made.ask("POST", place, body, "tester"), 403, "role-refused")
    answer = made.post(place, body, "coordinator")
    assert answer["lapsed"] == [lost["id"]]
    assert made.get(f"/certificates/{lost['id']}")["lapse"] == "LAPSE-BENCH"
    assert made.get(f"/certificates/{kept['id']}")["lapse"] is None
    assert [made.get(f"/boards/{serial}/fitness")["fit"] for serial in (early, late)] == [True, False]
    entry = made.get(f"/boards/{late}/history")["entries"][-1]
    assert (entry["kind"], entry["facts"]) == ("certificate-lapsed", {"certificate": lost["id"], "code": "LAPSE-BENCH"})
    assert made.get("/changes")["changes"][-1]["kind"] == "certificate-lapsed"
    run = {"set": "full", "bench": made.bench.thumbprint, "scanned": early, "fixtures": []}
    refused(made.ask("POST", f"/boards/{early}/runs", run), 404, "unknown-bench")
    refused(made.ask("POST", place, body, "coordinator"), 409, "already-revoked")
    refused(made.ask("POST", f"/benches/{'x' * 43}/revocation", body, "coordinator"), 404, "unknown-bench")


# ------------------------------------------------------------------------------------------------ wrong tokens


def test_whoever_sends_wrong_tokens_has_to_wait_and_whoever_was_inside_has_not(made: Trial) -> None:
    """429 with Retry-After for the address; a token let in from there before stays welcome; a minute later all is as before."""
    wrong, other = {"Authorization": "Bearer bw_wrong"}, {"REMOTE_ADDR": "192.0.2.7"}  # an address of RFC 5737
    made.get("/boards")
    for _ in range(failures.MOST):
        refused(made.client.get("/api/v1/boards", headers=wrong), 401, "token-refused")
    answer = made.client.get("/api/v1/boards", headers=wrong)
    refused(answer, 429, "too-many-failures")
    assert 1 <= int(answer.headers["Retry-After"]) <= 60
    assert made.get("/boards")["boards"] == []
    refused(made.ask("GET", "/boards", role="desk"), 429, "too-many-failures")
    assert made.ask("GET", "/boards", role="desk", environ_overrides=other).status_code == 200
    made.clock.ahead = timedelta(seconds=61)
    refused(made.client.get("/api/v1/boards", headers=wrong), 401, "token-refused")
    assert made.ask("GET", "/boards", role="desk").status_code == 200


def test_a_request_of_any_number_is_unknown_and_no_failure(made: Trial) -> None:
    """Seen red: a number that SQLite's integers do not hold was answered with 500."""
    serial = made.enrol("NUMBER")["serial"]
    for number in (1, 2**31, 2**63, 10**40):
        refused(made.ask("GET", f"/boards/{serial}/requests/{number}"), 404, "unknown-request")
