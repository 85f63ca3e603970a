"""Defects, repairs, holds, reservations, loss and retirement over HTTP, one board each, as the desk would meet them."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from services import reports
from services.desk import COUNTED, certified, checked_in, in_days, lent, refused, returned
from services.service import Trial, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def unmet(answer: object, status: int, code: str) -> list[str]:
    """The codes of everything that stands against an act."""
    document = refused(answer, status, code)  # type: ignore[arg-type]
    assert all(item["what"] and item["next"] for item in document["unmet"])
    return [item["code"] for item in document["unmet"]]


def kinds(made: Trial, serial: str) -> list[str]:
    return [entry["kind"] for entry in made.get(f"/boards/{serial}/history")["entries"]]


def test_a_defect_holds_a_board_until_a_repair_and_a_whole_run_and_a_new_certificate(made: Trial) -> None:
    """The whole way round: defect, repair, release, full run, certificate, fit; no step may be left out."""
    serial = certified(made, "DEFEC1")
    told = made.post(f"/boards/{serial}/defects", {"seen": "The jack is loose."}, "desk")
    (defect,) = told["defects"]
    assert (told["state"], told["hold"]["code"]) == ("held", "LAPSE-DEFECT")
    hold = f"/boards/{serial}/holds/{told['hold']['id']}/release"
    assert "LAPSE-DEFECT" in made.get(f"/boards/{serial}/fitness")["unmet"][0]["what"]
    assert unmet(made.ask("POST", hold, {"reason": "In a hurry."}), 409, "act-refused") == ["defect-open"]
    wrong = {"part": "X99", "seen": "Nothing.", "defects": [defect["id"] + 1]}
    codes = unmet(made.ask("POST", f"/boards/{serial}/repairs", wrong), 409, "act-refused")
    assert codes == ["part-unknown", "defect-not-open"]
    done = {"part": "D1", "lot": "L-7", "seen": "Dry joint, soldered again.", "defects": [defect["id"]]}
    mended = made.post(f"/boards/{serial}/repairs", done)
    assert mended["defects"] == [] and mended["repairs"][0]["part"] == "D1"
    again = made.ask("POST", f"/boards/{serial}/holds/{told['hold']['id'] + 1}/release", {"reason": "Mended."})
    assert unmet(again, 409, "act-refused") == ["another-hold"]
    released = made.ask("POST", hold, {"reason": "Mended."})
    assert (released.status_code, released.json["state"], released.json["hold"]) == (200, "in repair", None)
    assert not made.get(f"/boards/{serial}/fitness")["fit"]
    made.clock.ahead += timedelta(seconds=1)  # a certificate of one second with the repair would count as issued before it
    renewal = made.whole_run(serial, test_set="renewal")["run"]
    assert "renewal-not-enough" in made.unmet(serial, renewal)
    assert made.certify(serial, made.whole_run(serial)["run"]).status_code == 201
    assert made.get(f"/boards/{serial}/life")["state"] == "fit"
    assert [kind for kind in kinds(made, serial) if kind in ("defect-reported", "repaired", "released")] == [
        "defect-reported", "repaired", "released",
    ]  # fmt: skip


def test_a_reserved_board_goes_to_whom_it_is_kept_for(made: Trial) -> None:
    """To nobody else meanwhile; the loan ends the reservation."""
    serial = certified(made, "KEEP01")
    kept = made.post(f"/boards/{serial}/reservation", {"borrower": "b-7", "until": in_days(made, 3)}, "desk")
    assert (kept["state"], kept["reservation"]["borrower"]) == ("reserved", "b-7")
    other = made.ask(
        "POST", f"/boards/{serial}/loans", {"borrower": "b-8", "due": in_days(made, 7), "accessories": COUNTED}, "desk"
    )
    assert unmet(other, 409, "loan-refused") == ["reserved-for-another"]
    lent(made, serial, "b-7", 7)
    after = made.get(f"/boards/{serial}/life")
    assert (after["state"], after["reservation"]) == ("on loan", None)
    late = made.ask("POST", f"/boards/{serial}/reservation", {"borrower": "b-8", "until": in_days(made, 3)}, "desk")
    assert unmet(late, 409, "act-refused") == ["not-in-this-state"]


def test_a_board_back_from_missing_is_held_until_everything_was_run(made: Trial) -> None:
    """The desk waits thirty days, a coordinator need not; its hold is a coordinator's to release."""
    serial = certified(made, "LOST01")
    refused(made.ask("POST", f"/boards/{serial}/loss", role="coordinator"), 409, "act-refused")
    lent(made, serial, "b-7", 7)
    assert unmet(made.ask("POST", f"/boards/{serial}/loss", role="desk"), 409, "act-refused") == ["not-long-enough"]
    assert made.ask("POST", f"/boards/{serial}/loss", role="coordinator").json["state"] == "missing"
    assert made.get(f"/boards/{serial}/fitness")["unmet"][0]["code"] == "missing"
    told = returned(made, serial)
    assert told["hold"] == "back-from-missing" and "It is held." in told["reasons"] and "nobody knows" in " ".join(told["told"])
    back = made.get(f"/boards/{serial}/life")
    assert (back["state"], back["hold"]["code"], back["missing_since"]) == ("held", "back-from-missing", None)
    hold = f"/boards/{serial}/holds/{back['hold']['id']}/release"
    codes = unmet(made.ask("POST", hold, {"reason": "It is here."}), 409, "act-refused")
    assert codes == ["coordinator-only", "full-set-wanted"]
    settled = checked_in(made, serial)
    assert (settled["outcome"], settled["lapse"]) == ("held", None) and "stays held" in settled["sentence"]
    assert not made.get(f"/boards/{serial}/fitness")["fit"]
    assert made.ask("POST", hold, {"reason": "All in limits."}, "coordinator").json["state"] == "fit"


def test_a_retired_board_stays_retired(made: Trial) -> None:
    """A coordinator's act; afterwards every other one is refused, and the serial number is not given again."""
    serial = certified(made, "GONE01")
    body = {"reason": "Pads lifted.", "for_parts": True}
    refused(made.ask("POST", f"/boards/{serial}/retirement", body, "tester"), 403, "role-refused")
    assert made.post(f"/boards/{serial}/retirement", body, "coordinator")["state"] == "retired (parts)"
    assert made.get(f"/boards/{serial}/fitness")["answer"] == "fails"
    acts = {"defects": {"seen": "Burnt."}, "reservation": {"borrower": "b-7", "until": in_days(made, 3)}, "retirement": body}
    for path, sent in acts.items():
        assert "not-in-this-state" in unmet(made.ask("POST", f"/boards/{serial}/{path}", sent, "coordinator"), 409, "act-refused")
    answer = made.ask("POST", f"/boards/{serial}/loans", {"borrower": "b-7", "due": in_days(made, 7)}, "desk")
    assert "retired" in unmet(answer, 409, "loan-refused")
    assert "retired" in made.unmet(serial, made.whole_run(serial)["run"])
    enrolled = {"serial": serial, "design": "tarn-b", "virtual": True}
    refused(made.ask("POST", "/boards", enrolled), 409, "already-enrolled")


def test_three_whole_runs_close_a_defect_as_no_fault_found(made: Trial) -> None:
    """Two are not enough, and the answer counts them."""
    serial = certified(made, "NFF001")
    told = made.post(f"/boards/{serial}/defects", {"seen": "Works sometimes."}, "tester")
    path = f"/boards/{serial}/defects/{told['defects'][0]['id']}/no-fault-found"
    assert unmet(made.ask("POST", f"/boards/{serial}/defects/999/no-fault-found"), 409, "act-refused") == ["defect-not-open"]
    for _ in range(2):
        made.whole_run(serial)
    document = refused(made.ask("POST", path), 409, "act-refused")
    assert "2 of 3" in document["detail"]
    made.whole_run(serial)
    closed = made.ask("POST", path)
    assert (closed.status_code, closed.json["defects"], closed.json["state"]) == (200, [], "held")
    released = made.ask("POST", f"/boards/{serial}/holds/{closed.json['hold']['id']}/release", {"reason": "No fault found."})
    assert released.json["state"] == "under test"


def test_a_stage_is_signed_on_its_gate_tests_by_a_second_person_in_order(made: Trial) -> None:
    """Without evidence every gate is named; after a whole run each stage can be signed, the first one first."""
    serial = made.enrol("BUILD1")["serial"]
    early = unmet(made.ask("POST", f"/boards/{serial}/stages/2", {"builder": "B1"}, "inspector"), 409, "act-refused")
    assert early[0] == "stage-before-open" and "gate-not-passed" in early
    made.whole_run(serial)
    signed = made.post(f"/boards/{serial}/stages/1", {"builder": "B1"}, "inspector")
    (first,) = signed["sign_offs"]
    assert (first["stage"], first["builder"]) == (1, "B1")
    alone = made.ask("POST", f"/boards/{serial}/stages/2", {"builder": first["inspector"]}, "inspector")
    assert unmet(alone, 409, "act-refused") == ["inspector-not-second-person"]
    later = made.post(f"/boards/{serial}/stages/2", {"builder": "B1"}, "inspector")["stages"]
    assert [stage["state"] for stage in later] == ["signed", "signed", "open", "closed"]
    assert unmet(made.ask("POST", f"/boards/{serial}/stages/9", {"builder": "B1"}, "inspector"), 409, "act-refused") == [
        "stage-unknown"
    ]
    refused(made.ask("POST", f"/boards/{serial}/stages/3", {"builder": "B1"}, "desk"), 403, "role-refused")


@pytest.mark.parametrize("factor", [1.0, 0.97])
def test_a_check_in_says_what_moved_since_build(made: Trial, factor: float) -> None:
    """In limits, and yet a rail lower by more than both uncertainties; nothing is told when nothing moved."""
    serial = certified(made, "MOVED1")
    lent(made, serial, "b-7", 7)
    returned(made, serial)
    changed = () if factor == 1.0 else (reports.scaled("PWR-V5", "rail", factor),)
    told = checked_in(made, serial, *changed)
    assert told["outcome"] == "fit kept"
    assert [sentence.split(" since")[0].split()[1] for sentence in told["moved"]] == ([] if factor == 1.0 else ["fell"])
