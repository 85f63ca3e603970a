"""A whole run of a Beck at a bench, from the scanned label to the refused certificate, by the real session and service."""

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest

from benchworthy.bench import host_tests
from benchworthy.bench.client import Service
from benchworthy.bench.session import run_board
from benchworthy.bench.snippets import talking
from benchworthy.designs import catalogue
from services import emulated_table as people
from services.emulated_board import emulated, missing
from services.served import served
from services.service import Trial, trial

pytestmark = [pytest.mark.real_time, pytest.mark.skipif(missing() is not None, reason=f"{missing()} is not installed")]

SHEET = catalogue.find("beck-a")
FIXTURES = ("TP-4:TP4-0007", "L-2:L2-0003", "M-1:M1-0002")
NOT_RUN = {"MCU-TEMP", "PWR-V33S", "ADC-NOISE", "OUT-OFF", "OUT-I1", "OUT-P1", "SNS-OPEN", "SNS-S1", "SNS-S2", "SNS-S3"}
OUT = {"I2C-SCAN", "I2C-RW"}  # every address answers there, and none holds a memory with a check sum
# Slower than a real line on most machines, and stamps 1 s apart in place of 30 say little: either way they are no error.
EITHER = {"USB-LOOP": {"in limits", "marginal", "out"}, "MCU-CLK": {"in limits", "marginal"}}


@dataclass
class Played:
    """A run that was driven and closed."""

    trial: Trial
    serial: str
    told: dict[str, Any]
    closed: dict[str, Any]
    diary: list[str]
    lines: list[str] = field(default_factory=list)
    seconds: float = 0.0


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Played]:
    """One full run; echo and clock are shortened, as the emulated line is slow."""
    with pytest.MonkeyPatch.context() as patch, trial(tmp_path_factory.mktemp("data")) as made, served(made.app) as url:
        patch.setattr(talking, "ECHO_BYTES", 480)
        patch.setattr(host_tests, "CLOCK_S", 1)
        serial = made.enrol("BECK0001", design="beck-a")["serial"]
        made.have_fixtures(FIXTURES)
        lines: list[str] = []
        with emulated(tmp_path_factory.mktemp("e")) as board:
            operator = people.EmulatedOperator(board, serial)
            begun = time.monotonic()
            service = Service(url, made.secrets["tester"])
            told = run_board(
                people.reach(board), service, made.bench, operator, serial, "full", "serial", FIXTURES, say=lines.append
            )
        seconds = time.monotonic() - begun
        inspected = {"test": "VIS-INSP", "items": dict.fromkeys(SHEET.tests["VIS-INSP"].parameters["items"], "good")}
        made.post(f"/runs/{told['run']}/answers", {"answers": [inspected]}, "inspector")
        closed = made.post(f"/runs/{told['run']}/close", {})
        yield Played(made, serial, told, closed, operator.diary, lines, seconds)


def test_every_test_of_the_set_came_to_a_verdict_or_a_reason(played: Played) -> None:
    """33 tests: in limits, or not run or out for a reason of the emulator's; none is missing and none is an error."""
    found = {outcome["test"]: outcome["verdict"] for outcome in played.closed["tests"]}
    assert set(found) == {test.id for test in SHEET.tests_of("full")}
    assert {name for name, verdict in found.items() if verdict == "not run"} == NOT_RUN
    for name, verdict in found.items():
        allowed = {"not run"} if name in NOT_RUN else {"out"} if name in OUT else EITHER.get(name, {"in limits"})
        assert verdict in allowed, name


def test_what_was_not_run_says_the_emulators_reason(played: Played) -> None:
    """Also in the run as the service keeps it."""
    told = [outcome["sentence"] for outcome in played.closed["tests"] if outcome["test"] in NOT_RUN]
    assert len(told) == len(NOT_RUN) and all("the emulator has no converter" in sentence for sentence in told)


def test_no_certificate_is_possible_and_the_bus_scan_is_named(played: Played) -> None:
    """409 with every unmet condition; no Beck is ever certified on the emulator."""
    answer = played.trial.certify(played.serial, played.told["run"])
    assert (answer.status_code, answer.json["code"]) == (409, "certificate-refused")
    told = {condition["code"]: [] for condition in answer.json["unmet"]}
    for condition in answer.json["unmet"]:
        told[condition["code"]].append(condition["what"])
    title = SHEET.tests["I2C-SCAN"].title
    assert [what for what in told["test-out"] if what.startswith(f"{title}: addresses that answer is 112")]
    assert len(told["run-incomplete"]) == len(NOT_RUN - {"MCU-TEMP"})  # the die's temperature decides nothing


def test_the_person_was_asked_in_the_order_of_the_phases(played: Played) -> None:
    """Cold measuring first, the key and the cable on the way, each fixture on and off once, clear before the output is driven."""
    fitted = [said for said in played.diary if said.startswith(("fit", "remove")) or said == "clear"]
    assert fitted == [
        "fit TP-4 TP4-0007",
        "fit L-2 L2-0003",
        "clear",
        "remove L-2",
        "fit M-1 M1-0002",
        "clear",
        "remove TP-4",
        "remove M-1",
    ]
    assert played.diary[0] == "pull-usb" and "undo pull-usb" in played.diary[1:3]
    assert {"press-key", "move-plug", "rig-motor"} < set(played.diary)


def test_the_bench_signed_all_parts_and_the_report_says_stand_in(played: Played) -> None:
    """No part is the board's: it has no key."""
    assert [report["author"] for report in played.told["reports"]] == ["bench"] * 5
    assert played.told["stand_in"] and played.told["module"] == "0300000078563412" and played.told["files"] == {}


def test_the_run_took_its_time_but_no_longer(played: Played) -> None:
    """Some 25 s here, of which a person's part is 12."""
    assert played.seconds < 75
