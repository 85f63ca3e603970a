"""Every way in which a certificate lapses, by its event over HTTP, seen from every side: the one table."""

import re
from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path

import pytest

from benchworthy.desk.lapses import LAPSES
from benchworthy.keys.status import Exit
from services import reports
from services.desk import certified, in_days, lent, returned
from services.lapses import SAGGING, certificate_of, codes, from_field, lapse_entries, listed, verified
from services.service import Trial, trial
from test_sheet_change import changed, under


def expired(made: Trial, serial: str) -> None:
    """Ninety days on the Tarn."""
    made.clock.ahead = timedelta(days=91)


def back(made: Trial, serial: str) -> None:
    lent(made, serial, days=7)
    returned(made, serial)


def check_in_failed(made: Trial, serial: str) -> None:
    """An out at check-in."""
    back(made, serial)
    run = made.whole_run(serial, SAGGING)["run"]
    assert made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")["outcome"] == "held"


def check_in_incomplete(made: Trial, serial: str) -> None:
    """Nothing arrived in the check-in run, and it was closed."""
    back(made, serial)
    run = made.open(serial)["run"]
    made.post(f"/runs/{run}/close", {})
    made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")


def defect(made: Trial, serial: str) -> None:
    made.post(f"/boards/{serial}/defects", {"seen": "The jack is loose."}, "desk")


def repair(made: Trial, serial: str) -> None:
    made.post(f"/boards/{serial}/repairs", {"part": "D1", "seen": "Dry joint."})


def firmware(made: Trial, serial: str) -> None:
    """The first part of a run shows another interpreter."""
    opened = made.open(serial, "renewal")
    made.deliver(reports.part(opened, serial, 1, firmware="MicroPython 9.9"))
    made.post(f"/runs/{opened['run']}/close", {})


def sheet(made: Trial, serial: str) -> None:
    """The board measured 180,000 B."""
    under(made, changed("low = 120000", "low = 200000"))


def module(made: Trial, serial: str) -> None:
    body = {"scanned": serial, "module": "aa55aa55aa55aa55", "reason": "The old one lost its radio."}
    made.post(f"/boards/{serial}/modules", body)


def bench(made: Trial, serial: str) -> None:
    body = {"since": in_days(made, -1), "reason": "Its disk was stolen."}
    made.post(f"/benches/{made.bench.thumbprint}/revocation", body, "coordinator")


def withdrawn(made: Trial, serial: str) -> None:
    body = {"reason": "Issued to the wrong label."}
    made.post(f"/certificates/{certificate_of(made, serial)}/withdrawal", body, "coordinator")


def waiver(made: Trial, serial: str) -> None:
    """The certificate that rests on it is the board's second; the waiver ends before its date."""
    body = {"test": "LED-VF", "reason": "New lamps are ordered.", "until": in_days(made, 40)}
    number = made.post(f"/boards/{serial}/waivers", body, "coordinator")["number"]
    run = made.whole_run(serial, {"test": "LED-VF", "not_run": "the lamp is off the board"})["run"]
    assert made.certify(serial, run).status_code == 201
    made.post(f"/waivers/{number}/end", {}, "coordinator")


def field(made: Trial, serial: str) -> None:
    """Out twice in a row, in two starts."""
    from_field(made, serial, SAGGING, boot=2)
    from_field(made, serial, SAGGING, boot=3)


def fixture(made: Trial, serial: str) -> None:
    """The plug has a bent pin; nobody knows since when."""
    made.post("/fixtures/TP4-0007/faults", {"seen": "A pin of J4 is bent."})


def recall(made: Trial, serial: str) -> None:
    made.post("/designs/tarn-b/recall", {"reason": "A lot of regulators is bad."}, "coordinator")


EVENTS: Mapping[str, Callable[[Trial, str], None]] = {
    "LAPSE-EXPIRED": expired,
    "LAPSE-CHECKIN-FAILED": check_in_failed,
    "LAPSE-CHECKIN-INCOMPLETE": check_in_incomplete,
    "LAPSE-DEFECT": defect,
    "LAPSE-REPAIR": repair,
    "LAPSE-FIRMWARE": firmware,
    "LAPSE-SHEET": sheet,
    "LAPSE-MODULE": module,
    "LAPSE-BENCH": bench,
    "LAPSE-WITHDRAWN": withdrawn,
    "LAPSE-WAIVER": waiver,
    "LAPSE-FIELD": field,
    "LAPSE-FIXTURE": fixture,
    "LAPSE-RECALL": recall,
}
ROW = re.compile(r"^\| `(LAPSE-[A-Z-]+)` \|[^|]+\|([^|]*)\|([^|]+)\|$", re.MULTILINE)
# In the way of a renewal these let nobody run one: the bench or the plug is not there, or the sheet is planted in the test.
NO_RUN_AFTER = frozenset({"LAPSE-BENCH", "LAPSE-SHEET", "LAPSE-FIXTURE"})


def test_every_code_has_an_event() -> None:
    """A code that nothing raises, or an event of no code, is a mistake in one of the two."""
    assert set(EVENTS) == set(LAPSES)


def test_the_page_on_certificates_says_the_same() -> None:
    """Each code with whether the board is held, and what the next certificate takes."""
    page = Path(__file__).parents[1] / "docs" / "explanation" / "what-a-certificate-rests-on.md"
    told = {code: (bool(held.strip()), again.strip()) for code, held, again in ROW.findall(page.read_text())}
    assert told == {code: (lapse.held, "full" if lapse.full else "renewal") for code, lapse in LAPSES.items()}


@pytest.mark.parametrize("code", EVENTS)
def test_a_certificate_lapses_by_its_event_and_every_side_says_so(tmp_path: Path, code: str) -> None:
    """Fitness, certificate, status list, offline check, hold, ledger; then what the next certificate takes."""
    with trial(tmp_path) as made:
        serial = certified(made, "LAPSE1")
        certificate = certificate_of(made, serial)
        assert (verified(made, certificate).exit, listed(made)) == (Exit.IN_FORCE, {certificate: "in-force"})
        EVENTS[code](made, serial)
        certificate = certificate_of(made, serial)
        fitness = made.get(f"/boards/{serial}/fitness")
        assert not fitness["fit"]
        (told,) = (unmet for unmet in fitness["unmet"] if unmet["code"] == "certificate-lapsed")
        assert code in told["what"] and told["evidence"] == certificate and told["next"]
        # A certificate whose date has passed says so itself; the list leaves it out.
        assert listed(made).get(certificate) == (None if code == "LAPSE-EXPIRED" else code)
        standing = verified(made, certificate)
        assert standing.exit is Exit.NOT_IN_FORCE and ("expired" if code == "LAPSE-EXPIRED" else code) in standing.sentence
        life = made.get(f"/boards/{serial}/life")
        assert (life["hold"] is not None) == LAPSES[code].held == (life["state"] == "held"), life
        loan = made.ask("POST", f"/boards/{serial}/loans", {"borrower": "b-8", "due": in_days(made, 7)}, "desk")
        assert loan.status_code == 409 and "certificate-lapsed" in codes(loan.json["unmet"])
        if code in ("LAPSE-FIRMWARE", "LAPSE-MODULE", "LAPSE-BENCH", "LAPSE-WITHDRAWN", "LAPSE-FIELD"):
            (entry,) = lapse_entries(made, serial)
            assert (entry["certificate"], entry["code"]) == (certificate, code)
        if code not in NO_RUN_AFTER:
            assert ("renewal-not-enough" in renewed(made, serial, code)) == LAPSES[code].full


def renewed(made: Trial, serial: str, code: str) -> list[str]:
    """What keeps a renewal run from carrying the next certificate."""
    if code == "LAPSE-MODULE":
        opened = made.open(serial, "renewal")
        return made.unmet(serial, opened["run"])
    answer = made.certify(serial, made.whole_run(serial, test_set="renewal")["run"])
    return [] if answer.status_code == 201 else codes(answer.json["unmet"])
