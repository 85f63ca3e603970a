"""Fixtures over HTTP where checks are required: enrolled, checked on a reference board, held, released, and certificates."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import insert

from benchworthy.storage import tables
from papers import seen_text
from services import reports
from services.checking import LOADS, METER, PLUG, RIG, calibrated_meter, checked, low_level, morning, reference
from services.desk import certified, in_days, lent, refused, returned
from services.service import Trial, trial


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service that certifies nothing on unchecked fixtures."""
    with trial(tmp_path, checks="required") as started:
        yield started


def refusal_codes(document: dict[str, object]) -> list[str]:
    unmet = document["unmet"]
    assert isinstance(unmet, list)
    return [item["code"] for item in unmet]


def test_a_fixture_is_enrolled_once_with_a_kind_that_exists(made: Trial) -> None:
    """Values and note come back; a second one, a wrong kind and a stranger are refused, and nothing changes."""
    body = {"serial": "TP4-0009", "kind": "TP-4", "values": {"PR1 in ohm": 10003.1}, "note": "from the cupboard"}
    record = made.post("/fixtures", body)
    assert (record["fixture"], record["state"], record["due"]) == ("TP-4:TP4-0009", "check due", None)
    assert (record["values"], record["note"], record["enrolled_by"]) == ({"PR1 in ohm": 10003.1}, "from the cupboard", "T4")
    rows = made.rows()
    refused(made.ask("POST", "/fixtures", body), 409, "already-enrolled")
    wrong = refused(made.ask("POST", "/fixtures", {**body, "serial": "X1", "kind": "TP4"}), 422, "request-invalid")
    assert "One of L-2, M-1, TP-4, meter, cable, supply." in str(wrong["errors"])
    refused(made.ask("POST", "/fixtures", {**body, "serial": "X1"}, "desk"), 403, "role-refused")
    refused(made.ask("GET", "/fixtures/X1"), 404, "unknown-fixture")
    assert made.rows() == rows
    assert made.get("/fixtures/TP-4:TP4-0009") == made.get("/fixtures/TP4-0009") == record


def test_the_list_of_fixtures_has_pages_and_a_table(made: Trial) -> None:
    """By name, with what is due."""
    made.have_fixtures()
    first = made.get("/fixtures?limit=3")
    assert [one["serial"] for one in first["fixtures"]] == [LOADS, RIG, PLUG]
    rest = made.get(f"/fixtures?limit=3&after={first['next']}")
    assert ([one["serial"] for one in rest["fixtures"]], rest["next"]) == ([METER], None)
    table = made.client.get(
        "/api/v1/fixtures", headers={"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "text/csv"}
    ).text.splitlines()
    assert table[0].startswith("fixture,serial,kind,state,due") and len(table) == 5


def test_a_run_with_a_fixture_nobody_enrolled_is_refused(made: Trial) -> None:
    """With what to do; the run is not opened. A known serial under another kind is a stranger, too."""
    serial = made.enrol("RUN01")["serial"]
    made.have_fixtures()
    rows = made.rows()
    for name in ("TP-4:TP4-9999", f"M-1:{PLUG}"):
        body = {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": [name]}
        told = refused(made.ask("POST", f"/boards/{serial}/runs", body), 404, "unknown-fixture")
        assert name in told["detail"] and "POST /api/v1/fixtures" in told["title"] + told["detail"] + str(told.get("advice"))
    twice = {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": [f"TP-4:{PLUG}"] * 2}
    refused(made.ask("POST", f"/boards/{serial}/runs", twice), 422, "request-invalid")
    assert made.rows() == rows


def test_unchecked_fixtures_certify_nothing(made: Trial) -> None:
    """One unmet condition for each; and a run that names none of what its tests need is no way round."""
    serial = made.enrol("BOARD1")["serial"]
    made.whole_run(serial)
    assert made.unmet(serial) == ["fixture-not-checked"] * 4
    opened = made.post(
        f"/boards/{serial}/runs", {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": []}
    )
    made.deliver_all(opened, serial)
    made.people_answer(opened)
    made.post(f"/runs/{opened['run']}/close", {})
    assert made.unmet(serial) == ["fixture-not-named"] * 4


def test_a_certificate_stands_on_checks_that_cover_its_run(made: Trial) -> None:
    """The whole way: reference board, morning check, meter's paper, run, certificate; with nothing to note on it."""
    keeper = reference(made)
    morning(made, keeper)
    serial = made.enrol("BOARD1")["serial"]
    made.whole_run(serial)
    answer = made.certify(serial)
    assert answer.status_code == 201, answer.text
    assert "fixtures_not_checked" not in made.get(f"/certificates/{answer.json['id']}/results")
    plug = made.get(f"/fixtures/{PLUG}")
    assert (plug["state"], plug["times_used"], len(plug["runs"])) == ("good for virtual boards", 3, 3)
    assert [check["way"] for check in plug["checks"]] == ["run"] and plug["due"] == plug["checks"][0]["until"]
    assert [run["outs"] for run in plug["runs"]] == [[], [], []]


def test_a_check_is_good_for_a_day_from_the_opening_of_its_run(made: Trial) -> None:
    """A run of the next morning needs the next check; the day before's does not reach back either."""
    early = made.enrol("EARLY")["serial"]
    made.whole_run(early)
    keeper = reference(made)
    morning(made, keeper)
    assert set(made.unmet(early)) == {"fixture-not-checked"}
    late = made.enrol("LATE1")["serial"]
    made.clock.ahead += timedelta(hours=25)
    made.whole_run(late)
    assert made.unmet(late) == ["fixture-not-checked"] * 3, "the meter's paper still holds"
    assert made.get(f"/fixtures/{PLUG}")["state"] == "check due"


def test_a_reference_board_is_never_lent_nor_certified(made: Trial) -> None:
    """Its fitness says so, its certificate is withdrawn, and it is one until a coordinator ends it."""
    first = reference(made, "REF01")
    morning(made, first)
    serial = made.enrol("REF02")["serial"]
    made.whole_run(serial)
    certificate = made.certify(serial).json["id"]
    refused(made.ask("POST", f"/boards/{serial}/reference", {"reason": "sound"}), 403, "role-refused")
    told = made.post(f"/boards/{serial}/reference", {"reason": "sound"}, "coordinator")
    assert told["unchecked"] == [] and told["by"] == "C1"
    assert made.get(f"/certificates/{certificate}")["lapse"] == "LAPSE-WITHDRAWN"
    fitness = made.get(f"/boards/{serial}/fitness")
    assert not fitness["fit"] and "reference-board" in [u["code"] for u in fitness["unmet"]]
    assert "reference-board" in made.unmet(serial)
    loan = {"borrower": "B-1", "due": in_days(made, 3)}
    assert "reference-board" in refusal_codes(
        refused(made.ask("POST", f"/boards/{serial}/loans", loan, "desk"), 409, "loan-refused")
    )
    assert [one["serial"] for one in made.get("/reference-boards")["boards"]] == [first, serial]
    made.post(f"/boards/{serial}/reference/end", {"reason": "another one is better"}, "coordinator")
    made.whole_run(serial)
    assert made.certify(serial).status_code == 201
    again = made.ask("POST", f"/boards/{serial}/reference/end", {"reason": "once more"}, "coordinator")
    refused(again, 409, "reference-refused")
    made.post(f"/boards/{first}/retirement", {"reason": "worn"}, "coordinator")
    assert made.get("/reference-boards")["boards"] == []


def test_only_the_first_reference_of_a_design_rests_on_unchecked_fixtures(made: Trial) -> None:
    """And only when that is said; what it rested on stays on record."""
    serial = made.enrol("REF01")["serial"]
    made.whole_run(serial)
    rows = made.rows()
    plain = made.ask("POST", f"/boards/{serial}/reference", {"reason": "sound"}, "coordinator")
    assert refusal_codes(refused(plain, 409, "reference-refused")) == ["fixture-not-checked"] * 4
    assert made.rows() == rows
    told = made.post(f"/boards/{serial}/reference", {"reason": "sound", "bootstrap": True}, "coordinator")
    assert sorted(told["unchecked"]) == sorted(reports.FIXTURES)
    second = made.enrol("REF02")["serial"]
    made.whole_run(second)
    more = made.ask("POST", f"/boards/{second}/reference", {"reason": "sound", "bootstrap": True}, "coordinator")
    assert refusal_codes(refused(more, 409, "reference-refused")) == ["fixture-not-checked"] * 4


def test_a_reference_board_needs_a_complete_full_run_in_limits(made: Trial) -> None:
    """No run, a smaller set, and an out are no record."""
    serial = made.enrol("REF01")["serial"]
    body = {"reason": "looks sound", "bootstrap": True}

    def codes() -> list[str]:
        return refusal_codes(
            refused(made.ask("POST", f"/boards/{serial}/reference", body, "coordinator"), 409, "reference-refused")
        )

    assert "no-record-run" in codes()
    made.whole_run(serial, test_set="plug")
    assert codes() == ["no-record-run"]
    run = made.whole_run(serial, low_level())["run"]
    assert codes() == ["no-record-run", "out-unexplained"]
    made.whole_run(serial)
    assert codes() == ["out-unexplained"], "one that works sometimes checks nothing"
    refused(made.ask("POST", f"/boards/{serial}/reference", {**body, "run": run}, "coordinator"), 409, "reference-refused")


def test_a_bad_check_holds_the_fixture_and_all_that_rests_on_it(made: Trial) -> None:
    """Back to its last good check: the board here and the one on loan; yesterday's, checked yesterday and today, stays."""
    keeper = reference(made)
    morning(made, keeper)
    before = made.enrol("BEFORE")["serial"]
    made.whole_run(before)
    kept = made.certify(before).json["id"]
    made.clock.ahead += timedelta(hours=12)
    morning(made, keeper)
    here, out = made.enrol("HERE1")["serial"], made.enrol("AWAY1")["serial"]
    lapsing = []
    for serial in (here, out):
        made.whole_run(serial)
        lapsing.append(made.certify(serial).json["id"])
    lent(made, out, "B-7", 7)
    bad = checked(made, PLUG, keeper, low_level())
    assert (bad["state"], bad["check"]["good"]) == ("held", False)
    assert "SNS-S2" in bad["check"]["told"] and not all(pair["agrees"] for pair in bad["compared"])
    assert sorted(bad["lapsed"]) == sorted(lapsing)
    where = {board["serial"]: (board["place"], board["borrower"], board["held"]) for board in bad["boards"]}
    assert where == {here: ("here", None, True), out: ("on loan", "B-7", True)}
    assert made.get(f"/certificates/{kept}")["lapse"] is None and made.get(f"/boards/{before}/fitness")["fit"]
    assert made.get(f"/certificates/{lapsing[0]}")["lapse"] == "LAPSE-FIXTURE"
    assert made.get(f"/boards/{here}/fitness")["state"] == "held"
    assert made.get(f"/boards/{out}/fitness")["state"] == "on loan"
    returned(made, out)
    assert made.get(f"/boards/{out}/fitness")["state"] == "held", "it is held when it comes back"


def test_a_run_from_before_a_fault_certifies_nothing_after_it(made: Trial) -> None:
    """Not while the fixture is held, and not once it is released: that run's evidence stays in doubt."""
    keeper = reference(made)
    morning(made, keeper)
    serial = made.enrol("BOARD1")["serial"]
    made.whole_run(serial)
    answer = made.post(f"/fixtures/{PLUG}/faults", {"seen": "a pin is bent"}, "desk")
    assert (answer["state"], answer["lapsed"]) == ("held", [])
    assert made.unmet(serial) == ["fixture-held", "fixture-found-faulty"]
    refused(made.ask("POST", f"/fixtures/{PLUG}/release", {"reason": "straightened"}), 409, "fixture-refused")
    assert checked(made, PLUG, keeper)["check"]["good"] is True
    assert made.post(f"/fixtures/{PLUG}/release", {"reason": "straightened"})["state"] == "good for virtual boards"
    assert made.unmet(serial) == ["fixture-found-faulty"]
    made.whole_run(serial)
    assert made.certify(serial).status_code == 201


def test_a_held_fixture_runs_on_reference_boards_only(made: Trial) -> None:
    """To see whether it is sound again; no other run is opened with it."""
    keeper = reference(made)
    made.post(f"/fixtures/{PLUG}/faults", {"seen": "a pin is bent"}, "tester")
    serial = made.enrol("BOARD1")["serial"]
    rows = made.rows()
    body = {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": list(reports.FIXTURES)}
    told = refused(made.ask("POST", f"/boards/{serial}/runs", body), 409, "fixture-held")
    assert "a pin is bent" in told["detail"]
    assert made.rows() == rows
    made.open(keeper, "plug")


def test_nobody_tries_until_a_check_is_good(made: Trial) -> None:
    """A run that speaks against the fixture comes first; then it is held, and the good one from before helps nobody."""
    keeper = reference(made)
    bad = made.whole_run(keeper, low_level(), test_set="plug")["run"]
    good = made.whole_run(keeper, test_set="plug")["run"]
    told = refused(made.ask("POST", f"/fixtures/{PLUG}/checks", {"run": good}), 409, "fixture-refused")
    assert refusal_codes(told) == ["earlier-run-first"]
    assert made.post(f"/fixtures/{LOADS}/checks", {"run": good})["check"]["good"] is True, "of the load pair it said nothing bad"
    assert made.post(f"/fixtures/{PLUG}/checks", {"run": bad})["state"] == "held"
    assert made.post(f"/fixtures/{PLUG}/checks", {"run": good})["check"]["good"] is True
    release = made.ask("POST", f"/fixtures/{PLUG}/release", {"reason": "it was good"})
    assert refusal_codes(refused(release, 409, "fixture-refused")) == ["good-check-wanted"]
    refused(made.ask("POST", f"/fixtures/{PLUG}/checks", {"run": good}), 409, "fixture-refused")


def test_a_run_that_says_nothing_of_a_fixture_checks_nothing(made: Trial) -> None:
    """Another board's, one from before it was a reference, one still open, one without the fixture, one of no such test."""
    serial = made.enrol("BOARD1")["serial"]
    other = made.whole_run(serial, test_set="plug")["run"]
    keeper = made.enrol("REF01")["serial"]
    record = made.whole_run(keeper)["run"]
    made.post(f"/boards/{keeper}/reference", {"reason": "sound", "bootstrap": True}, "coordinator")
    still_open = made.open(keeper, "plug")["run"]
    quick = made.whole_run(keeper, test_set="quick")["run"]
    bare = {"set": "plug", "bench": made.bench.thumbprint, "scanned": keeper, "fixtures": []}
    opened = made.post(f"/boards/{keeper}/runs", bare)
    made.deliver_all(opened, keeper)
    made.post(f"/runs/{opened['run']}/close", {})
    weak = made.whole_run(keeper, reports.scaled("PWR-V5", reports.SHEET.tests["PWR-V5"].steps[0], 0.8), test_set="plug")["run"]
    rows = made.rows()
    wanted = {
        other: "no-reference-board",
        record: "reference-in-doubt",
        still_open: "reference-in-doubt",
        quick: "no-test-uses-it",
        opened["run"]: "not-in-run",
        weak: "reference-in-doubt",
    }
    for run, code in wanted.items():
        told = refused(made.ask("POST", f"/fixtures/{PLUG}/checks", {"run": run}), 409, "fixture-refused")
        assert code in refusal_codes(told), (run, told)
    refused(made.ask("POST", f"/fixtures/{PLUG}/checks", {"run": "r-none"}), 404, "unknown-run")
    assert made.rows() == rows


def test_an_incomplete_check_says_neither_good_nor_bad_but_an_out_counts(made: Trial) -> None:
    """A part that did not come leaves it open; what came and disagrees holds the fixture all the same."""
    keeper = reference(made)
    opened = made.open(keeper, "plug")
    made.deliver(reports.part(opened, keeper, 1))
    made.post(f"/runs/{opened['run']}/close", {})
    told = refused(made.ask("POST", f"/fixtures/{PLUG}/checks", {"run": opened["run"]}), 409, "fixture-refused")
    assert refusal_codes(told) == ["check-incomplete"]
    half = made.open(keeper, "plug")
    numbers = [part["number"] for part in half["parts"] if part["author"] == "board" and "SNS-S2" in part["tests"]]
    made.deliver(*(reports.part_with(half, keeper, number, low_level()) for number in numbers))
    made.post(f"/runs/{half['run']}/close", {})
    assert made.post(f"/fixtures/{PLUG}/checks", {"run": half["run"]})["check"]["good"] is False


def test_a_meter_is_dated_by_a_paper_of_at_most_400_days(made: Trial) -> None:
    """By a coordinator; too long, past or for a plug is refused. From its own date on, it vouches for runs."""
    made.have_fixtures()
    serial = made.enrol("BOARD1")["serial"]
    made.whole_run(serial)
    rows = made.rows()

    def codes(fixture: str, **body: object) -> list[str]:
        answer = made.ask("POST", f"/fixtures/{fixture}/checks", {"seen": "paper", **body}, "coordinator")
        return refusal_codes(refused(answer, 409, "fixture-refused"))

    assert codes(METER, calibrated_until=in_days(made, 401)) == ["lasts-too-long"]
    assert codes(METER, calibrated_until=in_days(made, -1)) == ["ends-in-the-past"]
    assert codes(METER, calibrated_on=in_days(made, 1), calibrated_until=in_days(made, 9)) == ["begins-in-the-future"]
    assert codes(PLUG, calibrated_until=in_days(made, 9)) == ["run-wanted"]
    paper = {"calibrated_until": in_days(made, 9), "seen": "paper"}
    refused(made.ask("POST", f"/fixtures/{METER}/checks", paper, "tester"), 403, "role-refused")
    refused(made.ask("POST", f"/fixtures/{METER}/checks", {**paper, "run": "r-1"}, "coordinator"), 422, "request-invalid")
    refused(made.ask("POST", f"/fixtures/{METER}/checks", {"seen": "paper"}, "coordinator"), 422, "request-invalid")
    assert made.rows() == rows
    calibrated_meter(made)
    assert made.unmet(serial).count("fixture-not-checked") == 4, "recorded without its date, it counts from now on"
    made.post(f"/fixtures/{METER}/checks", {**paper, "calibrated_on": in_days(made, -30)}, "coordinator")
    assert made.unmet(serial).count("fixture-not-checked") == 3


def test_a_meter_found_faulty_reaches_back_to_its_paper(made: Trial) -> None:
    """And is released only after a new one."""
    keeper = reference(made)
    morning(made, keeper)
    serial = made.enrol("BOARD1")["serial"]
    made.whole_run(serial)
    certificate = made.certify(serial).json["id"]
    answer = made.post(f"/fixtures/{METER}/faults", {"seen": "reads 3 % high against another meter"}, "inspector")
    assert answer["lapsed"] == [certificate]
    refused(made.ask("POST", f"/fixtures/{METER}/release", {"reason": "new battery"}), 409, "fixture-refused")
    calibrated_meter(made)
    assert made.post(f"/fixtures/{METER}/release", {"reason": "new paper"})["state"] == "good"


def test_a_simulated_reference_vouches_for_no_real_board(made: Trial) -> None:
    """A virtual board's checks count for virtual boards; a real one's for all."""
    simulated = reference(made, "REF01")
    morning(made, simulated)
    real = made.enrol("REAL1", virtual=False)["serial"]
    made.whole_run(real)
    assert made.unmet(real) == ["fixture-not-checked"] * 3
    virtual = made.enrol("VIRT1")["serial"]
    made.whole_run(virtual)
    assert made.certify(virtual).status_code == 201


def test_where_checks_are_noted_the_certificate_says_what_was_not_checked(tmp_path: Path) -> None:
    """In the results document and on paper; a fixture found faulty is refused here as well."""
    with trial(tmp_path, checks="noted") as made:
        serial = made.enrol("BOARD1")["serial"]
        made.whole_run(serial)
        certificate = made.certify(serial).json["id"]
        assert made.get(f"/certificates/{certificate}/results")["fixtures_not_checked"] == sorted(reports.FIXTURES)
        headers = {"Authorization": f"Bearer {made.secrets['reader']}", "Accept": "application/pdf"}
        said = " ".join(seen_text(made.client.get(f"/api/v1/certificates/{certificate}", headers=headers).data).split())
        assert f"Fixtures not checked: {'; '.join(sorted(reports.FIXTURES))}" in said
        made.post(f"/fixtures/{PLUG}/faults", {"seen": "a pin is bent"})
        assert made.get(f"/certificates/{certificate}")["lapse"] == "LAPSE-FIXTURE"
        assert "fixture-found-faulty" in made.unmet(serial)


def test_a_board_certified_anew_with_another_fixture_stays_fit(tmp_path: Path) -> None:
    """The older certificate lapses; what rests on other load resistors does not, and nothing is held."""
    with trial(tmp_path) as made:
        serial = certified(made, "BOARD1")
        other = ("TP-4:TP4-0007", "L-2:L2-0004", "M-1:M1-0001", "meter:MM-02")
        made.have_fixtures(other)
        body = {"set": "full", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": list(other)}
        opened = made.post(f"/boards/{serial}/runs", body)
        made.deliver_all(opened, serial)
        made.people_answer(opened)
        made.post(f"/runs/{opened['run']}/close", {})
        newer = made.certify(serial).json["id"]
        answer = made.post(f"/fixtures/{LOADS}/faults", {"seen": "one resistor is loose"})
        assert len(answer["lapsed"]) == 1 and newer not in answer["lapsed"]
        assert [(board["serial"], board["held"]) for board in answer["boards"]] == [(serial, False)]
        assert made.get(f"/boards/{serial}/fitness")["fit"]
        assert made.get(f"/boards/{serial}/history")["entries"][-1]["kind"] == "certificate-lapsed"


def test_a_fixture_from_before_enrolment_goes_on_working(made: Trial) -> None:
    """It was noted when a run first named it; it is found, used, dated and held like any other."""
    with made.house.database.engine.begin() as connection:
        row = {"serial": "meter:OLD-1", "site": "trial", "kind": "meter", "added_at": made.clock()}
        connection.execute(insert(tables.fixtures).values(**row))
    serial = made.enrol("BOARD1")["serial"]
    body = {"set": "quick", "bench": made.bench.thumbprint, "scanned": serial, "fixtures": ["meter:OLD-1"]}
    made.post(f"/boards/{serial}/runs", body)
    made.post("/fixtures/OLD-1/checks", {"calibrated_until": in_days(made, 9), "seen": "paper"}, "coordinator")
    record = made.get("/fixtures/OLD-1")
    assert (record["state"], record["enrolled_by"], record["times_used"]) == ("good", "", 1)
    refused(made.ask("POST", "/fixtures", {"serial": "OLD-1", "kind": "meter"}), 409, "already-enrolled")


def test_a_board_that_was_checked_in_with_a_faulty_fixture_is_held(made: Trial) -> None:
    """Its certificate rests on a run of the day before and stays; that it came back sound rests on the fixture."""
    keeper = reference(made)
    morning(made, keeper)
    serial = certified(made, "BOARD1")
    lent(made, serial, "B-1", 7)
    made.clock.ahead += timedelta(hours=12)
    morning(made, keeper)
    returned(made, serial)
    run = made.whole_run(serial)["run"]
    assert made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")["outcome"] == "fit kept"
    answer = made.post(f"/fixtures/{PLUG}/faults", {"seen": "a pin is bent"})
    assert (answer["lapsed"], [board["serial"] for board in answer["boards"]]) == ([], [serial])
    fitness = made.get(f"/boards/{serial}/fitness")
    assert (fitness["state"], [unmet["code"] for unmet in fitness["unmet"]]) == ("held", ["held"])
    hold = made.get(f"/boards/{serial}/life")["hold"]
    assert hold["code"] == "LAPSE-FIXTURE"
    path = f"/boards/{serial}/holds/{hold['id']}/release"
    refused(made.ask("POST", path, {"reason": "looked at again"}), 409, "act-refused")
    assert made.post(path, {"reason": "looked at again"}, "coordinator")["state"] == "fit"
