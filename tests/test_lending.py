"""Out and back over HTTP: accessories, what is told at the return, how deep it is looked at, and what settles it."""

import dataclasses
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from benchworthy.designs import catalogue
from benchworthy.designs.loading import load
from benchworthy.desk.depth import DRAWN, DRAWN_OF
from benchworthy.errors import SheetInvalid
from services import reports
from services.desk import COUNTED, certified, checked_in, in_days, lent, lent_once, refused, returned
from services.service import Trial, trial

OTHER = "e661aaaabbbbcccc"
LIBRARY = Path(catalogue.__file__).parent / "library"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def draws(made: Trial, number: int) -> None:
    """From now on whatever the service draws is this number."""
    real = made.services.random
    services = dataclasses.replace(made.services, random=lambda n: number.to_bytes(8) if n == 8 else real(n))
    made.app.extensions["benchworthy"] = services


# ---------------------------------------------------------------------------------------------------------- accessories


@pytest.mark.parametrize("name", ["tarn-b", "beck-a"])
def test_what_is_lent_along_changes_the_guide_and_never_the_judging_hash(name: str) -> None:
    """A list of things for people; no certificate is touched when it changes."""
    text = (LIBRARY / f"{name}.toml").read_text()
    before, longer = load(text), load(text.replace("[[phases]]", '[[accessories]]\nname = "box"\n[[phases]]', 1))
    listed, rest = text.index("[[accessories]]"), text.index("[[phases]]")
    bare = load(text[:listed] + text[rest:])
    assert before.accessories["USB cable"] == 1 and longer.accessories == {**before.accessories, "box": 1}
    assert bare.accessories == {}
    assert before.judging_hash == longer.judging_hash == bare.judging_hash
    assert len({before.guide_hash, longer.guide_hash, bare.guide_hash}) == 3


@pytest.mark.parametrize(("row", "wrong"), [
    ('name = "motor"', "stands once"), ('name = ""', "stands once"), ('name = "box"\ncount = 0', "1 to 99"),
    ('name = "box"\ncolour = "red"', "not known"), ('name = 3', "must be a text"),
])  # fmt: skip
def test_a_faulty_list_is_told_by_line(row: str, wrong: str) -> None:
    """As any other fault of a sheet."""
    text = (LIBRARY / "tarn-b.toml").read_text().replace("[[phases]]", f"[[accessories]]\n{row}\n[[phases]]", 1)
    with pytest.raises(SheetInvalid, match=wrong):
        load(text)


def test_a_board_goes_out_only_with_all_that_belongs_to_it(made: Trial) -> None:
    """What is lacking and what is on no list is told at once, and nothing is written."""
    serial = certified(made, "ACCES1")
    before = made.rows()
    for counted, codes in (
        ({}, ["accessories-missing"]),
        ({**COUNTED, "motor": 1}, ["accessories-missing"]),
        ({**COUNTED, "hammer": 1}, ["accessory-unknown"]),
        ({"usb cable": 1}, ["accessories-missing", "accessory-unknown"]),
    ):
        body = {"borrower": "B-1", "due": in_days(made, 3), "accessories": counted}
        answer = refused(made.ask("POST", f"/boards/{serial}/loans", body, "desk"), 409, "loan-refused")
        assert [item["code"] for item in answer["unmet"]] == codes
    assert "1 USB cable" in answer["unmet"][0]["what"] and "2 motor" in answer["unmet"][0]["next"]
    for wrong in ({"motor": -1}, {"motor": 1.5}, {"motor": "2"}, {"": 1}, ["motor"]):
        body = {"borrower": "B-1", "due": in_days(made, 3), "accessories": wrong}
        refused(made.ask("POST", f"/boards/{serial}/loans", body, "desk"), 422, "request-invalid")
    assert made.rows() == before
    assert lent(made, serial)["accessories"] == COUNTED


def test_what_is_lacking_at_the_return_is_on_record_and_asks_for_everything(made: Trial) -> None:
    """More than the list went out, so that much has to come back; what nobody counted is not said to be lacking."""
    serial = certified(made, "ACCES2")
    lent_once(made, serial)
    body = {"borrower": "B-204", "due": in_days(made, 3), "accessories": {**COUNTED, "motor": 3}}
    made.post(f"/boards/{serial}/loans", body, "desk")
    back = returned(made, serial)
    assert (back["lacking"], back["set"]) == ({"motor": 1}, "full")
    assert "An accessory is missing." in back["reasons"] and "Lacking: 1 motor." in back["told"]
    entry = made.get(f"/boards/{serial}/history")["entries"][-1]
    assert (entry["kind"], entry["facts"]["lacking"], entry["facts"]["set"]) == ("returned", {"motor": 1}, "full")
    assert checked_in(made, serial)["outcome"] == "fit kept"
    lent(made, serial)
    uncounted = made.post(f"/boards/{serial}/returns", {"scanned": serial}, "desk")
    assert uncounted["lacking"] is None and "What was lent with it was not counted." in uncounted["reasons"]


# ---------------------------------------------------------------------------------------------------------------- depth


def test_the_first_return_asks_for_everything_and_a_shallower_run_settles_nothing(made: Trial) -> None:
    """The refusal names the set and the reasons; nothing is written by it; the full set keeps the board fit."""
    serial = certified(made, "DEPTH1")
    lent(made, serial)
    back = returned(made, serial)
    assert (back["set"], back["reasons"]) == ("full", ["It was its first loan."])
    assert made.get(f"/boards/{serial}/life")["check_in"] == {"set": "full", "reasons": ["It was its first loan."]}
    assert "`full`" in made.get(f"/boards/{serial}/fitness")["unmet"][0]["next"]
    for name in ("quick", "plug", "renewal"):
        run = made.whole_run(serial, test_set=name)["run"]
        before = made.rows()
        answer = refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": run}, "desk"), 409, "check-in-refused")
        assert (answer["needed"], answer["reasons"]) == ("full", ["It was its first loan."]) and "`full`" in answer["detail"]
        assert made.rows() == before
    assert checked_in(made, serial)["outcome"] == "fit kept"
    assert made.get(f"/boards/{serial}/life")["check_in"] is None


@pytest.mark.parametrize("drawn", [DRAWN - 1, DRAWN])
def test_a_short_return_from_the_same_teacher_is_quick_unless_it_is_drawn(made: Trial, drawn: int) -> None:
    """The service draws; the answer and the record say which set and why; a renewal is as deep as the plug set."""
    serial = certified(made, "DEPTH2")
    lent_once(made, serial, "class-5b")
    lent(made, serial, "class-5b")
    draws(made, drawn + DRAWN_OF)
    back = returned(made, serial)
    assert back["set"] == ("plug" if drawn < DRAWN else "quick") and len(back["reasons"]) == 1
    assert ("random" in back["reasons"][0]) is (drawn < DRAWN)
    if drawn < DRAWN:
        quick = made.whole_run(serial, test_set="quick")["run"]
        refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": quick}, "desk"), 409, "check-in-refused")
    assert checked_in(made, serial, test_set="renewal" if drawn < DRAWN else "quick")["outcome"] == "fit kept"


def test_another_borrower_a_long_loan_and_every_third_return_go_deeper(made: Trial) -> None:
    """Counted on this board's own loans."""
    serial = certified(made, "DEPTH3")
    lent_once(made, serial, "class-5b")
    lent(made, serial, "class-6a")
    back = returned(made, serial)
    assert (back["set"], back["reasons"]) == ("plug", ["It did not come back from the same class teacher."])
    assert checked_in(made, serial, test_set="plug")["outcome"] == "fit kept"
    lent(made, serial, "class-6a")
    third = returned(made, serial)
    assert third["set"] == "full" and third["reasons"] == ["Every return number 3, 6, ... is looked at in full."]
    assert checked_in(made, serial)["outcome"] == "fit kept" and made.get(f"/boards/{serial}/life")["returns"] == 3
    lent(made, serial, "class-6a", 40)
    made.clock.ahead += timedelta(days=31)
    assert returned(made, serial)["reasons"] == ["It was out for more than 30 days."]


@pytest.mark.parametrize(("told", "reason"), [({"dropped": True}, "It was dropped."), ({"wet": True}, "It got wet."),
                                              ({"remark": "It hums."}, "A remark is waiting.")])  # fmt: skip
def test_what_is_told_at_the_desk_asks_for_everything(made: Trial, told: dict[str, object], reason: str) -> None:
    """On a return that would have been a quick one."""
    serial = certified(made, "DEPTH4")
    lent_once(made, serial)
    lent(made, serial)
    back = returned(made, serial, **told)
    assert (back["set"], back["reasons"]) == ("full", [reason])


def test_an_out_counts_in_a_shallower_run_too(made: Trial) -> None:
    """Nobody has to run everything to see that a board is broken."""
    serial = certified(made, "DEPTH5")
    lent(made, serial)
    assert returned(made, serial)["set"] == "full"
    settled = checked_in(made, serial, reports.scaled("SNS-S1", "full", 0.5), test_set="plug")
    assert (settled["outcome"], settled["lapse"]) == ("held", "LAPSE-CHECKIN-FAILED")


# --------------------------------------------------------------------------------------------------------------- module


def test_another_module_is_taken_back_held_and_told(made: Trial) -> None:
    """The board stands here, whatever is in it: taken back, lapsed, held, a finding, and all of it in the answer."""
    serial = certified(made, "MODUL1")
    lent(made, serial)
    back = returned(made, serial, module=OTHER)
    assert (back["module"], back["hold"], back["lapse"], len(back["lapsed"])) == ("differs", "LAPSE-MODULE", "LAPSE-MODULE", 1)
    assert back["returned_at"] and back["set"] == "full" and OTHER in back["told"][0]
    assert made.findings(serial) == ["module-differs"]
    life = made.get(f"/boards/{serial}/life")
    assert (life["state"], life["hold"]["code"]) == ("held", "LAPSE-MODULE")
    assert made.get(f"/certificates/{back['lapsed'][0]}")["lapse"] == "LAPSE-MODULE"
    assert made.get(f"/boards/{serial}")["module"] == reports.module_of(serial)
    released = made.ask("POST", f"/boards/{serial}/holds/{life['hold']['id']}/release", {"reason": "Its own module is back."})
    assert released.status_code == 200
    assert checked_in(made, serial)["outcome"] == "returned"
    assert "renewal-not-enough" in made.unmet(serial, made.whole_run(serial, test_set="renewal")["run"])


def test_the_right_module_is_confirmed_and_one_not_read_is_left_to_the_run(made: Trial) -> None:
    """Not read is said; a text that is no module id is refused, and nothing happens."""
    serial = certified(made, "MODUL2")
    lent(made, serial)
    before = made.rows()
    refused(made.ask("POST", f"/boards/{serial}/returns", {"scanned": serial, "module": "no id"}, "desk"), 422, "request-invalid")
    assert made.rows() == before
    assert returned(made, serial, module=reports.module_of(serial))["module"] == "agrees"
    assert checked_in(made, serial)["outcome"] == "fit kept"
    lent(made, serial)
    back = returned(made, serial)
    assert back["module"] == "not read" and "the check-in run has to read it" in back["told"][0]
    assert checked_in(made, serial, test_set=back["set"])["outcome"] == "fit kept"


# ------------------------------------------------------------------------------------------------- incomplete check-ins


def test_an_incomplete_check_in_lapses_the_certificate_until_it_is_completed(made: Trial) -> None:
    """A later complete one restores it; the ledger has both, and so has the certificate."""
    serial = certified(made, "INCOM1")
    lent(made, serial)
    returned(made, serial)
    incomplete(made, serial)
    told = made.get(f"/boards/{serial}/fitness")["unmet"][0]
    certificate = told["evidence"]
    assert "LAPSE-CHECKIN-INCOMPLETE" in told["what"] and "Complete the check-in" in told["next"]
    assert made.get(f"/certificates/{certificate}")["lapse"] == "LAPSE-CHECKIN-INCOMPLETE"
    incomplete(made, serial)
    settled = checked_in(made, serial)
    assert settled["outcome"] == "fit kept" and "in force again" in settled["sentence"]
    assert made.get(f"/certificates/{certificate}")["lapse"] is None and made.get(f"/boards/{serial}/fitness")["fit"]
    entry = made.get(f"/boards/{serial}/history")["entries"][-1]
    assert (entry["kind"], entry["facts"]["restored"]) == ("checked-in", [certificate])


def incomplete(made: Trial, serial: str) -> None:
    """A check-in on a closed run that lacks everything."""
    opened = made.open(serial, "full")
    made.post(f"/runs/{opened['run']}/close", {})
    settled = made.post(f"/boards/{serial}/check-ins", {"run": opened["run"]}, "desk")
    assert (settled["outcome"], settled["lapse"]) == ("returned", "LAPSE-CHECKIN-INCOMPLETE")


def test_what_ends_a_certificate_for_good_is_not_hidden_by_an_incomplete_check_in(made: Trial) -> None:
    """A defect after it counts: closing the defect and a complete check-in bring no certificate back."""
    serial = certified(made, "INCOM2")
    lent(made, serial)
    returned(made, serial)
    incomplete(made, serial)
    told = made.post(f"/boards/{serial}/defects", {"seen": "The jack is loose."}, "desk")
    done = {"part": "D1", "seen": "Dry joint.", "defects": [told["defects"][0]["id"]]}
    made.post(f"/boards/{serial}/repairs", done)
    made.post(f"/boards/{serial}/holds/{told['hold']['id']}/release", {"reason": "Mended."})
    settled = checked_in(made, serial)
    assert (settled["outcome"], "no certificate is in force" in settled["sentence"]) == ("returned", True)
    assert not made.get(f"/boards/{serial}/fitness")["fit"]


def test_a_bench_taken_back_ends_a_certificate_that_waits_for_its_check_in_too(made: Trial) -> None:
    """What the bench vouched for is not brought back by completing the check-in."""
    serial = certified(made, "INCOM4")
    lent(made, serial)
    returned(made, serial)
    incomplete(made, serial)
    run = made.whole_run(serial)["run"]
    body = {"since": in_days(made, -1), "reason": "Its key was on a lost laptop."}
    (certificate,) = made.post(f"/benches/{made.bench.thumbprint}/revocation", body, "coordinator")["lapsed"]
    settled = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert settled["outcome"] == "returned" and made.get(f"/certificates/{certificate}")["lapse"] == "LAPSE-BENCH"


def test_a_marginal_whose_witness_nobody_asked_is_no_gap(made: Trial) -> None:
    """Closed without the meter: neither held nor lapsed, and the sentence says what to measure."""
    serial = certified(made, "INCOM3")
    lent_once(made, serial)
    lent(made, serial, "B-9")
    returned(made, serial)
    run = made.whole_run(serial, reports.scaled("PWR-V33S", "rail", 1.025), test_set="plug")
    settled = made.post(f"/boards/{serial}/check-ins", {"run": run["run"]}, "desk")
    assert (settled["outcome"], settled["lapse"]) == ("returned", None) and "PWR-V33S is marginal" in settled["sentence"]
