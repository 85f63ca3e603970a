"""A certificate is withdrawn, a module is swapped: who may, what changes, and what is refused with nothing changed."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from benchworthy.intake import label
from services import reports
from services.desk import certified, lent, refused
from services.lapses import certificate_of, codes, from_field, key_of, lapse_entries, listed
from services.service import Trial, trial

NEW = "aa55aa55aa55aa55"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def swap(made: Trial, serial: str, role: str = "tester", **changes: object) -> object:
    body = {"scanned": serial, "module": NEW, "reason": "The old one lost its radio.", **changes}
    return made.ask("POST", f"/boards/{serial}/modules", {k: v for k, v in body.items() if v is not None}, role)


def unmet(made: Trial, answer: object) -> list[str]:
    document = refused(answer, 409, "act-refused")  # type: ignore[arg-type]
    assert all(item["what"] and item["next"] for item in document["unmet"])
    return codes(document["unmet"])


def test_a_coordinator_withdraws_a_certificate_once(made: Trial) -> None:
    """With a reason, of which the chain holds the hash; the list says so at once, and nobody else may."""
    serial = certified(made, "WDRAW1")
    path, body = f"/certificates/{certificate_of(made, serial)}/withdrawal", {"reason": "Wrong label."}
    before = made.rows()
    refused(made.ask("POST", path, body, "tester"), 403, "role-refused")
    refused(made.ask("POST", path, {}, "coordinator"), 422, "request-invalid")
    refused(made.ask("POST", "/certificates/c-none/withdrawal", body, "coordinator"), 404, "unknown-certificate")
    assert made.rows() == before
    answer = made.ask("POST", path, body, "coordinator")
    assert (answer.status_code, answer.json["lapse"]) == (201, "LAPSE-WITHDRAWN") and answer.json["lapsed_at"]
    assert listed(made) == {certificate_of(made, serial): "LAPSE-WITHDRAWN"}
    entry = made.get(f"/boards/{serial}/history")["entries"][-1]
    assert (entry["kind"], entry["holder"]) == ("certificate-lapsed", "C1") and entry["text_hash"]
    assert "Wrong label" not in str(entry)
    again = made.rows()
    assert unmet(made, made.ask("POST", path, body, "coordinator")) == ["lapsed-already"]
    assert made.rows() == again
    assert [c["kind"] for c in made.get("/changes")["changes"]][-1] == "certificate-lapsed"


def test_what_has_expired_is_not_withdrawn(made: Trial) -> None:
    """Its first reason stays."""
    path = f"/certificates/{certificate_of(made, certified(made, 'WDRAW2'))}/withdrawal"
    made.clock.ahead = timedelta(days=91)
    assert unmet(made, made.ask("POST", path, {"reason": "Too late."}, "coordinator")) == ["lapsed-already"]


def test_a_swapped_module_brings_a_new_epoch_key_and_full_set_and_the_old_one_stays_in_the_history(made: Trial) -> None:
    """The old module's key opens nothing any more; the new one, told once, does; a whole run by it certifies."""
    serial = certified(made, "SWAP01")
    old_key, version = key_of(made, serial), made.get(f"/boards/{serial}")["version"]
    answer = swap(made, serial)
    told = answer.json  # type: ignore[attr-defined]
    assert (told["epoch"], told["module"], told["version"]) == (2, NEW, version + 1)
    assert told["field_key"] == key_of(made, serial, 2) != old_key and told["broker_password"]
    assert told["lapsed"] == [certificate_of(made, serial)]
    modules = made.get(f"/boards/{serial}/modules")["modules"]
    assert [(m["epoch"], m["module"]) for m in modules] == [(1, reports.module_of(serial)), (2, NEW)]
    assert modules[0]["bound_by_run"] and modules[1]["bound_by_run"] is None
    assert made.send(reports.field(serial, old_key)).json["code"] == "report-key-unknown"
    fresh = reports.signed(
        f"f.{serial}.2",
        bytes.fromhex(told["field_key"]),
        reports.encode(reports.payload(serial, [reports.sound("PWR-V5")], epoch=2)),
    )
    assert made.send(fresh).status_code == 201
    assert "module-differs" in made.unmet(serial)  # the last run was the old module's
    opened = made.open(serial)
    for part in opened["parts"]:
        if part["author"] == "board":
            made.deliver(reports.part(opened, serial, part["number"], module=NEW, epoch=2))
        else:
            made.deliver(reports.bench_part(opened, serial, made.bench, part["number"], module=NEW, epoch=2))
    made.people_answer(opened)
    made.post(f"/runs/{opened['run']}/close", {})
    assert made.certify(serial, opened["run"]).status_code == 201
    assert made.get(f"/boards/{serial}/fitness")["fit"]
    csv = made.client.get(
        f"/api/v1/boards/{serial}/modules", headers={"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "text/csv"}
    )
    assert csv.mimetype == "text/csv" and csv.text.count("\r\n") == 3
    first = made.get(f"/boards/{serial}/modules?limit=1")
    assert [m["epoch"] for m in made.get(f"/boards/{serial}/modules?limit=1&after={first['next']}")["modules"]] == [2]


def test_two_histories_are_never_crossed(made: Trial) -> None:
    """A module in force under another serial number is refused, with where to go; once it left there, it may come here."""
    one, other = certified(made, "CROSS1"), certified(made, "CROSS2")
    theirs, before = reports.module_of(other), made.rows()
    document = refused(swap(made, one, module=theirs), 409, "act-refused")  # type: ignore[arg-type]
    (item,) = document["unmet"]
    assert (item["code"], item["evidence"]) == ("module-of-another", other) and f"/boards/{other}/modules" in item["next"]
    assert made.rows() == before and listed(made)[certificate_of(made, one)] == "in-force"
    assert swap(made, other).status_code == 201  # type: ignore[attr-defined]
    assert swap(made, one, module=theirs).status_code == 201  # type: ignore[attr-defined]


def test_a_complete_run_does_not_bind_the_module_of_another_board(made: Trial) -> None:
    """Whatever was plugged in: it is a finding, no certificate rests on it, and nothing is bound."""
    other = certified(made, "CROSS3")
    serial = made.enrol("CROSS4")["serial"]
    opened, theirs = made.open(serial), reports.module_of(other)
    for part in opened["parts"]:
        if part["author"] == "board":
            made.deliver(reports.part(opened, serial, part["number"], module=theirs))
        else:
            made.deliver(reports.bench_part(opened, serial, made.bench, part["number"], module=theirs))
    made.people_answer(opened)
    closed = made.post(f"/runs/{opened['run']}/close", {})
    assert closed["complete"] and made.get(f"/boards/{serial}")["module"] is None
    assert "module-of-another" in made.findings(serial)
    assert set(made.unmet(serial)) == {"module-unbound", "finding-open"}


@pytest.mark.parametrize("case", ["role", "label", "same", "open", "loan", "unknown"])
def test_a_swap_that_is_refused_changes_nothing(made: Trial, case: str) -> None:
    """By role, label, module, open run, whereabouts; each says what would make it possible."""
    serial = certified(made, "REFUS1")
    if case == "open":
        made.open(serial)
    if case == "loan":
        lent(made, serial, "b-7", 7)
    before = made.rows()
    match case:
        case "role":
            refused(swap(made, serial, role="desk"), 403, "role-refused")  # type: ignore[arg-type]
        case "label":
            assert unmet(made, swap(made, serial, scanned=label.complete("OTHER1"))) == ["label-differs"]
        case "same":
            assert unmet(made, swap(made, serial, module=reports.module_of(serial))) == ["module-not-new"]
        case "open":
            assert unmet(made, swap(made, serial)) == ["run-open"]
        case "loan":
            assert unmet(made, swap(made, serial)) == ["not-in-this-state"]
        case "unknown":
            refused(swap(made, label.complete("NOBODY")), 404, "unknown-serial")  # type: ignore[arg-type]
    assert made.rows() == before
    assert from_field(made, serial)["verdict"] == "in limits"  # its key is the one it had
    assert lapse_entries(made, serial) == []


def test_a_module_whose_id_nobody_knows_is_bound_by_the_next_complete_run(made: Trial) -> None:
    """As at enrolment; until then no certificate, and an unfinished check-in does not make a renewal enough again."""
    serial = certified(made, "SWAP02")
    assert swap(made, serial, module=None).json["module"] is None  # type: ignore[attr-defined]
    run = made.whole_run(serial)["run"]
    assert made.get(f"/boards/{serial}/modules")["modules"][1]["bound_by_run"] == run
    renewal = made.whole_run(serial, test_set="renewal")["run"]
    assert "renewal-not-enough" in made.unmet(serial, renewal)
    assert made.certify(serial, run).status_code == 201
