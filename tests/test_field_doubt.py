"""What field evidence may do to a certificate, and what it may not: over HTTP, and the rule by itself."""

import dataclasses
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchworthy.desk.depth import Return, depth
from benchworthy.desk.field_doubt import APART, FieldReport, decide
from benchworthy.desk.lapses import LAPSES
from benchworthy.pipeline import receive
from services import reports
from services.desk import certified, lent, refused, returned
from services.lapses import SAGGING, certificate_of, codes, from_field, key_of, lapse_entries, listed
from services.reports import SHEET
from services.service import Trial, trial
from test_desk_rules import FIT, but, certificate

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
MODULE = "e6614103e7452d31"


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def away(made: Trial, body: str) -> str:
    """A certified board that is out on its first loan."""
    serial = certified(made, body)
    lent(made, serial, "b-7", 7)
    return serial


def doubts(made: Trial, serial: str) -> list[str]:
    return codes(made.get(f"/boards/{serial}/fitness")["doubts"])


def test_one_out_raises_a_doubt_that_only_a_bench_clears(made: Trial) -> None:
    """The board stays fit and lendable; good words of its own change nothing; a complete run in limits settles it."""
    serial = certified(made, "DOUBT1")
    from_field(made, serial, SAGGING, boot=2)
    fitness = made.get(f"/boards/{serial}/fitness")
    assert fitness["fit"] and codes(fitness["doubts"]) == ["field-out"] and "PWR-V5" in fitness["doubts"][0]["what"]
    from_field(made, serial, boot=3)
    from_field(made, serial, SAGGING, boot=4)
    assert made.get(f"/boards/{serial}/fitness")["fit"] and doubts(made, serial) == ["field-out"]
    assert listed(made) == {certificate_of(made, serial): "in-force"}
    made.whole_run(serial, test_set="plug")
    assert doubts(made, serial) == []


def test_the_same_test_out_twice_in_a_row_lapses_the_certificate_of_a_board_on_loan_and_asks_for_everything(made: Trial) -> None:
    """On loan nothing is held; back here a check-in does not bring the certificate back, and a renewal does not either."""
    serial = away(made, "TWICE1")
    from_field(made, serial, SAGGING, boot=2)
    from_field(made, serial, SAGGING, boot=3)
    assert listed(made) == {certificate_of(made, serial): "LAPSE-FIELD"}
    life = made.get(f"/boards/{serial}/life")
    assert (life["state"], life["hold"]) == ("on loan", None)
    (entry,) = lapse_entries(made, serial)
    assert entry["tests"] == ["PWR-V5"] and len(entry["reports"]) == 2
    assert "Its own reports raised a doubt while it was out." in returned(made, serial)["reasons"]
    run = made.whole_run(serial, test_set="plug")["run"]
    told = refused(made.ask("POST", f"/boards/{serial}/check-ins", {"run": run}, "desk"), 409, "check-in-refused")
    assert told["needed"] == "full"
    assert "renewal-not-enough" in made.unmet(serial, made.whole_run(serial, test_set="renewal")["run"])


def test_a_board_that_is_here_is_held_until_a_whole_run_found_nothing(made: Trial) -> None:
    """Held at once; the hold ends by a full run and somebody's word, and fit it is by a new certificate only."""
    serial = certified(made, "HERE01")
    from_field(made, serial, SAGGING, boot=2, seq=1)
    made.clock.ahead = APART
    from_field(made, serial, SAGGING, boot=2, seq=2)
    hold = made.get(f"/boards/{serial}/life")["hold"]
    assert (hold["code"], hold["by"]) == ("LAPSE-FIELD", "field") and "PWR-V5" in hold["reason"]
    path = f"/boards/{serial}/holds/{hold['id']}/release"
    assert codes(refused(made.ask("POST", path, {"reason": "Fine."}), 409, "act-refused")["unmet"]) == ["full-set-wanted"]
    made.whole_run(serial)
    assert made.ask("POST", path, {"reason": "Nothing was found."}).status_code == 200
    assert made.certify(serial).status_code == 201


def test_a_foreign_module_with_the_boards_key_lapses_at_once(made: Trial) -> None:
    """Whoever it is, it is not the module that was certified."""
    serial = away(made, "ALIEN1")
    from_field(made, serial, boot=1, module="aa55aa55aa55aa55")
    assert listed(made) == {certificate_of(made, serial): "LAPSE-FIELD"}


def nothing_lapsed(made: Trial, serial: str) -> None:
    assert listed(made) == {certificate_of(made, serial): "in-force"}
    assert lapse_entries(made, serial) == [] and made.get(f"/boards/{serial}/life")["hold"] is None


@pytest.mark.parametrize("borrowed", [False, True], ids=["made up", "another board's"])
def test_a_forger_without_the_boards_key_raises_not_even_a_doubt(made: Trial, borrowed: bool) -> None:
    """Two outs from a foreign module, refused as they come; but for the note of the refusal nothing is written."""
    serial, other = away(made, "FORGE1"), made.enrol("OTHER1")["serial"]
    key, before = key_of(made, other) if borrowed else "00" * 32, made.rows()
    for boot in (2, 3):
        answer = made.send(reports.field(serial, key, [SAGGING], boot=boot, module="aa55aa55aa55aa55"))
        assert answer.json["code"] == "report-signature-bad"
    assert {**made.rows(), "refusals": 0} == {**before, "refusals": 0}
    nothing_lapsed(made, serial)
    assert doubts(made, serial) == []


def test_the_same_report_again_is_no_second_one(made: Trial) -> None:
    """A spool sends until it has its receipt."""
    serial = away(made, "AGAIN1")
    token = reports.field(serial, key_of(made, serial), [SAGGING], boot=2)
    assert [made.send(token).status_code for _ in range(3)] == [201, 200, 200]
    nothing_lapsed(made, serial)
    assert doubts(made, serial) == ["field-out"]


def test_outs_while_somebody_has_the_board_at_a_bench_lapse_nothing(made: Trial) -> None:
    """Nor do they count later: the next out in the field is a first one."""
    serial = certified(made, "ATBEN1")
    run = made.open(serial)["run"]
    for boot in (2, 3):
        from_field(made, serial, SAGGING, boot=boot)
    made.post(f"/runs/{run}/close", {})
    from_field(made, serial, SAGGING, boot=4)
    nothing_lapsed(made, serial)
    from_field(made, serial, SAGGING, boot=5)
    assert listed(made) == {certificate_of(made, serial): "LAPSE-FIELD"}


@pytest.mark.parametrize(
    "sent",
    [
        [(0, 2, 1, True), (0, 2, 2, True), (0, 2, 3, True)],
        [(1, 1, 1, True), (2, 1, 2, True)],  # the runs were of start 1 too, and counted further
        [(0, 2, 1, True), (0, 3, 1, False), (0, 4, 1, True)],
    ],
    ids=["one start, at once", "kept in a spool from before the run", "in limits between"],
)
def test_two_outs_that_are_no_two_in_a_row_raise_a_doubt_and_no_more(made: Trial, sent: list[tuple[int, int, int, bool]]) -> None:
    """Each sent as hours, start, sequence, and whether the 5 V rail sags."""
    serial = away(made, "STAYS1")
    for hours, boot, seq, sagging in sent:
        made.clock.ahead = timedelta(hours=hours)
        from_field(made, serial, *([SAGGING] if sagging else []), boot=boot, seq=seq)
    nothing_lapsed(made, serial)
    assert doubts(made, serial) == ["field-out"]


def test_the_listener_weighs_as_the_web_does(made: Trial) -> None:
    """By the broker the same reports lapse the same certificate, and each has its receipt; no signing key is needed."""
    serial, listener = away(made, "LISTE1"), dataclasses.replace(made.services, signer=None)
    for boot in (2, 3):
        token = reports.field(serial, key_of(made, serial), [SAGGING], boot=boot)
        assert receive(token, "mqtt", listener, serial).new
    assert listed(made) == {certificate_of(made, serial): "LAPSE-FIELD"} and made.rows()["outbox"] == 2


def test_what_is_only_recorded_raises_no_doubt(made: Trial) -> None:
    """The die's temperature decides nothing, twice out or not."""
    serial = away(made, "WARMTH")
    hot = reports.scaled("MCU-TEMP", SHEET.tests["MCU-TEMP"].steps[0], 0.6)
    for boot in (2, 3):
        token = reports.field(serial, key_of(made, serial), [hot], boot=boot)
        assert made.send(token).status_code == 201
    with made.house.database.reading() as work:
        since = made.clock() - timedelta(days=1)
        assert [out.test for out in work.lapses.field_outs(serial, 1, since)] == ["MCU-TEMP"]
    nothing_lapsed(made, serial)
    assert doubts(made, serial) == []


def test_a_certificate_that_lapsed_while_the_board_was_out_asks_for_everything_on_its_return() -> None:
    """And so does no lapse after which a renewal would do."""
    back = Return(number=2, out=timedelta(days=3), trusted=True)
    deep = {lapse: depth(but(FIT, certificate=certificate(lapse=lapse)), back, 29).test_set for lapse in (None, *LAPSES)}
    assert deep == {None: "quick", **{code: "full" if lapse.full else "quick" for code, lapse in LAPSES.items()}}


def test_another_firmware_in_the_field_lapses_only_where_it_is_surely_younger(made: Trial) -> None:
    """A report that a spool kept from before the certificate's run raises a doubt; the first later one lapses."""
    serial = away(made, "FLASH1")
    from_field(made, serial, boot=1, seq=1, firmware="MicroPython 1.20")
    assert doubts(made, serial) == ["software-differs"] and listed(made) == {certificate_of(made, serial): "in-force"}
    made.whole_run(serial, test_set="plug")  # it runs what it ran
    assert doubts(made, serial) == []
    from_field(made, serial, boot=2, firmware="MicroPython 1.30")
    assert listed(made) == {certificate_of(made, serial): "LAPSE-FIRMWARE"}
    assert made.get(f"/boards/{serial}/life")["hold"] is None


@pytest.mark.parametrize("kind", ["firmware", "agent"])
def test_what_a_coordinator_approves_lapses_nothing_until_it_is_taken_back(made: Trial, kind: str) -> None:
    """In the field and in a run; only a coordinator says so, once, and everybody can read it."""
    serial = certified(made, "APPRO1")
    value = "MicroPython 1.30" if kind == "firmware" else "ab" * 16
    change = {"firmware": value} if kind == "firmware" else {"agent": {"version": "9", "hash": value}}
    body = {"kind": kind, "value": value, "reason": "Ran on three boards for a week."}
    refused(made.ask("POST", "/approved-firmware", body, "tester"), 403, "role-refused")
    told = made.post("/approved-firmware", body, "coordinator")
    assert codes(refused(made.ask("POST", "/approved-firmware", body, "coordinator"), 409, "act-refused")["unmet"]) == [
        "approved-already"
    ]
    from_field(made, serial, boot=2, **change)
    opened = made.open(serial, "plug")
    made.deliver(reports.part(opened, serial, 1, **change))
    made.post(f"/runs/{opened['run']}/close", {})
    assert listed(made) == {certificate_of(made, serial): "in-force"} and doubts(made, serial) == []
    (known,) = made.get("/approved-firmware", "reader")["approved"]
    assert (known["value"], known["by"], known["revoked_at"]) == (value, "C1", None)
    path = f"/approved-firmware/{told['number']}/revocation"
    assert made.post(path, {"reason": "It forgets the radio."}, "coordinator")["revoked_at"]
    refused(made.ask("POST", path, {"reason": "Again."}, "coordinator"), 409, "already-revoked")
    refused(
        made.ask("POST", f"/approved-firmware/{10**20}/revocation", {"reason": "None."}, "coordinator"), 404, "unknown-approval"
    )
    from_field(made, serial, boot=3, **change)
    (entry,) = lapse_entries(made, serial)
    assert entry["code"] == "LAPSE-FIRMWARE" and value in (entry["firmware"], entry["agent"])


def report(minutes: float, outs: set[str], boot: int = 2, module: str = MODULE, judged: set[str] | None = None) -> FieldReport:
    seen = frozenset(judged if judged is not None else {"PWR-V5", "KEY-IDLE"})
    return FieldReport(f"d{minutes}", module, boot, 1, NOW - timedelta(minutes=minutes), seen, frozenset(outs))


def test_a_row_is_counted_over_the_reports_that_judged_the_test() -> None:
    """A self-test comes in several reports; one that does not name the test breaks no row, one in limits does."""
    newest, other, before = report(0, {"PWR-V5"}), report(5, set(), judged={"KEY-IDLE"}), report(12, {"PWR-V5"})
    found = decide([newest, other, before], MODULE, ())
    assert found is not None and found.tests == ("PWR-V5",) and found.reports == ("d12", "d0")
    assert decide([newest, report(5, set()), before], MODULE, ()) is None
    assert decide([newest, report(5, {"KEY-IDLE"}, judged={"KEY-IDLE"})], MODULE, ()) is None
    assert decide([report(0, {"PWR-V5"}, boot=3), report(0.1, {"PWR-V5"})], MODULE, ()) is not None
    assert decide([newest, report(9.9, {"PWR-V5"})], MODULE, ()) is None
    assert decide([dataclasses.replace(newest, outs=frozenset()), before], MODULE, ()) is None
    assert decide([], MODULE, ()) is None and decide([newest, before], None, ()) is not None
