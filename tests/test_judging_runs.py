"""Judging beyond one converter: meters with several quantities, one-sided limits, files, and tests that may be left out."""

import dataclasses
from typing import Any

import pytest

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.sheet import parts_of
from benchworthy.judging.decision import Verdict, decide
from benchworthy.judging.run import Assessment, Evidence, assess, restated
from benchworthy.judging.tests import Expected, Outcome, judge_reading, limits
from benchworthy.reports.report import Author, Reading, Step
from services import sound_board

SHEET = catalogue.find("tarn-b")
EXPECTED = Expected(None, agent_release.current())
COLD = {"R(V5-GND)": "1800", "R(V33S-GND)": "2100", "R(U1 IN-OUT)": "1.9e3"}


def judged(test: str, **given: Any) -> Outcome:
    return judge_reading(SHEET, SHEET.tests[test], Reading(test, **given), EXPECTED)


# --- one limit -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "low", "high", "verdict"),
    [
        (41.0, 40.0, None, Verdict.IN_LIMITS),
        (1e9, 40.0, None, Verdict.IN_LIMITS),
        (39.0, 40.0, None, Verdict.MARGINAL),
        (37.0, 40.0, None, Verdict.OUT),
        (-1e9, None, 0.15, Verdict.IN_LIMITS),
        (1.0, None, 0.15, Verdict.MARGINAL),
        (3.0, None, 0.15, Verdict.OUT),
    ],
)
def test_a_limit_that_is_not_there_excludes_nothing(
    value: float, low: float | None, high: float | None, verdict: Verdict
) -> None:
    """More free memory is no fault, and a servo port above its rail is none of this test."""
    assert decide(value, 2.0, low, high) is verdict


def test_a_one_sided_tolerance_is_told_in_words() -> None:
    """At least, at most, from to; and the probability of conformity counts one side."""
    assert (limits(1.0, None), limits(None, 2.0), limits(1.0, 2.0)) == ("at least 1", "at most 2", "1 to 2")
    low = judged("MCU-HEAP", steps=(Step(1, 90_000, 90_000**2, 90_000, 90_000),))
    assert low.verdict is Verdict.OUT and "against at least 1" in low.sentence
    assert (low.quantities[0].low, low.quantities[0].high) == (120_000, None)
    edge = judged("MCU-HEAP", steps=(Step(1, 120_000, 120_000**2, 120_000, 120_000),)).quantities[0]
    assert edge.conformity == pytest.approx(0.5)


# --- meters with several quantities --------------------------------------------------------------------------------


def test_a_meter_may_have_several_quantities_each_by_its_name() -> None:
    """Numbers as people type them, with a comma or a point; the worst counts and is named."""
    assert judged("PRE-COLD", items=COLD).verdict is Verdict.IN_LIMITS
    bridged = judged("PRE-COLD", items={**COLD, "R(U1 IN-OUT)": "0,4"})
    assert bridged.verdict is Verdict.OUT and "R(U1 IN-OUT) is 0.4 ohm" in bridged.sentence
    assert [q.value for q in bridged.quantities] == [1800.0, 2100.0, 0.4]
    near = judged("PRE-COLD", items={**COLD, "R(V5-GND)": "497"})
    assert near.verdict is Verdict.MARGINAL


@pytest.mark.parametrize("text", ["over", "nan", "inf", "", "1 800"])
def test_what_is_no_number_is_an_error_and_no_verdict(text: str) -> None:
    """Over-range is no value; the person is asked for the count of diodes that show it."""
    assert judged("PRE-COLD", items={**COLD, "R(V5-GND)": text}).verdict is Verdict.ERROR


def test_a_quantity_without_an_answer_did_not_run() -> None:
    """Nor did a test of several quantities that got one number for all."""
    missing = judged("PRE-COLD", items={"R(V5-GND)": "1800"})
    assert missing.verdict is Verdict.NOT_RUN and "R(V33S-GND), R(U1 IN-OUT)" in missing.sentence
    assert judged("PWR-DMM5", text="5.0").verdict is Verdict.ERROR
    assert judged("PWR-DMM5", number=5.0).verdict is Verdict.IN_LIMITS
    assert judged("PWR-DMM5", items={"V5": "5.0"}).verdict is Verdict.IN_LIMITS


def test_a_diode_in_backwards_or_of_the_wrong_kind_is_out() -> None:
    """A silicon diode drops 0.6 V; a short one shows no over-range the other way round."""
    sound = {"D1": "0.25", "D4": "0.22", "D5": "0.24", "D8": "0.25", "over-range reversed": "4"}
    assert judged("PRE-DIODE", items=sound).verdict is Verdict.IN_LIMITS
    assert judged("PRE-DIODE", items={**sound, "D4": "0.61"}).verdict is Verdict.OUT
    assert judged("PRE-DIODE", items={**sound, "over-range reversed": "3"}).verdict is Verdict.OUT


# --- files ---------------------------------------------------------------------------------------------------------

RELEASE = agent_release.current()


@pytest.mark.parametrize(
    ("items", "told"),
    [
        ({"release": RELEASE.hash, "state.json": "size 90", "spool/0003": "size 4096"}, None),
        ({"release": RELEASE.hash, "state.json": "size 513"}, "state.json has 513 bytes, more than 512"),
        ({"release": RELEASE.hash, "spool/0003": "size 4097"}, "spool/0003 has 4097 bytes, more than 4096"),
        ({"release": RELEASE.hash, "state.json": "00ff"}, "state.json came without its size"),
        ({"release": RELEASE.hash, "spool/a/b": "size 1"}, "spool/a/b does not belong there"),
        ({"release": RELEASE.hash, "game.py": "00"}, "game.py does not belong there"),
        ({"release": RELEASE.hash, "secrets.json": "00"}, "secrets.json of some network"),
        ({"release": "0" * 32, "main.py": "00"}, "main.py is changed"),
        ({"release": "0" * 32, "main.py": "missing"}, "main.py is missing"),
        ({"release": "0" * 32}, "together are not those of the release"),
        ({"release": RELEASE.hash, "main.py": "00"}, "main.py is changed"),
    ],
)
def test_one_hash_over_the_release_stands_for_its_files(items: dict[str, str], told: str | None) -> None:
    """A report has no room for fifty hashes: the files that are right have one, those that are wrong are listed."""
    outcome = judged("MCU-FW", items=items)
    assert outcome.verdict is (Verdict.OUT if told else Verdict.IN_LIMITS), outcome.sentence
    assert told is None or told in outcome.sentence


# --- tests that may be left out, or decide nothing -----------------------------------------------------------------


def sound_run(**changed: Reading) -> Assessment:
    """A full run of a sound board, people's answers included as far as meters and check lists go."""
    by_test = {name.replace("_", "-"): reading for name, reading in changed.items()}
    parts = {}
    for part in parts_of(SHEET, "full"):
        parts[part.author, part.number] = tuple(by_test.get(test) or sound(test) for test in part.tests)
    return assess(SHEET, "full", Evidence(parts), EXPECTED)


def sound(test: str) -> Reading:
    found = SHEET.tests[test]
    if found.procedure == "identity":
        return Reading(test, text="e661")
    if found.procedure == "files":
        return Reading(test, items={"release": RELEASE.hash})
    return Reading(test, steps=tuple(Step(*row) for row in sound_board.steps_of(SHEET, found)))


def by_people() -> set[str]:
    return {test.id for test in SHEET.tests_of("full") if test.author in (Author.OPERATOR, Author.INSPECTOR)}


def test_a_sound_run_lacks_only_what_people_answer() -> None:
    """Every reading worked out by hand is in limits."""
    run = sound_run()
    assert {need.test for need in run.needs} == by_people()
    assert run.verdict is Verdict.IN_LIMITS


def test_a_test_that_may_be_left_out_leaves_no_gap_and_no_pass() -> None:
    """The radio is forbidden here: nothing is needed, nothing counts, and the outcome stays not run."""
    run = sound_run(WIFI_RSSI=Reading("WIFI-RSSI", not_run="no wifi"), WIFI_LINK=Reading("WIFI-LINK", not_run="no broker"))
    assert {need.test for need in run.needs} == by_people()
    assert run.verdict is Verdict.IN_LIMITS
    assert run.outcomes["WIFI-RSSI"].verdict is Verdict.NOT_RUN and "no wifi" in run.outcomes["WIFI-RSSI"].sentence
    assert {"WIFI-RSSI", "WIFI-LINK"} <= run.idle


def test_a_test_that_may_be_left_out_and_was_run_is_out_when_it_is_out() -> None:
    """What arrived counts."""
    weak = Reading("WIFI-RSSI", steps=(Step(10, -900, 81_000, -90, -90),))
    run = sound_run(WIFI_RSSI=weak)
    assert run.verdict is Verdict.OUT and [o.test for o in run.with_verdict(Verdict.OUT)] == ["WIFI-RSSI"]


def test_an_error_in_a_test_that_may_be_left_out_is_no_way_around_it() -> None:
    """Only a reason why it was not run leaves it out."""
    run = sound_run(WIFI_RSSI=Reading("WIFI-RSSI", error="OSError: 5"))
    assert "WIFI-RSSI" in {need.test for need in run.needs}


def test_what_is_recorded_only_decides_nothing_either_way() -> None:
    """The die at 90 degC is out of what is usual, and no verdict; not read at all it leaves no gap."""
    hot = sound_board.steps_of(SHEET, SHEET.tests["MCU-TEMP"])
    hot[0] = sound_board.steady(sound_board.code(0.706 - 0.001721 * (90 - 27)))
    run = sound_run(MCU_TEMP=Reading("MCU-TEMP", steps=tuple(Step(*row) for row in hot)))
    assert run.outcomes["MCU-TEMP"].verdict is Verdict.OUT
    assert run.outcomes["MCU-TEMP"].sentence.startswith("Recorded only, decides nothing. ")
    assert run.verdict is Verdict.IN_LIMITS and run.with_verdict(Verdict.OUT) == ()
    absent = sound_run(MCU_TEMP=Reading("MCU-TEMP", error="OSError"))
    assert {need.test for need in absent.needs} == by_people()


def test_a_test_that_must_run_and_did_not_leaves_a_gap() -> None:
    """No jack, no plug: never a pass, never a zero."""
    run = sound_run(PWR_V5=Reading("PWR-V5", not_run="no jack"))
    assert ("test-not-run", "PWR-V5") in {(need.code, need.test) for need in run.needs}


def test_evidence_is_restated_for_other_parts_without_a_change() -> None:
    """The same readings dealt out anew give the same outcomes; a set that nobody knows is told as such."""
    readings = tuple(sound(test) for part in parts_of(SHEET, "plug") for test in part.tests if part.author is Author.BOARD)
    one = Evidence({(Author.BOARD, 1): readings})
    again = restated(SHEET, "plug", one)
    assert len(again.parts) == len(parts_of(SHEET, "plug"))
    run = assess(SHEET, "plug", again, EXPECTED)
    assert run.verdict is Verdict.IN_LIMITS and len(run.outcomes) == len(readings)
    unknown = assess(SHEET, "first", one, EXPECTED)
    assert [need.code for need in unknown.needs] == ["set-unknown"] and not unknown.complete


def test_a_module_on_record_is_expected_by_name_only() -> None:
    """Another module than the one on record is out, in a full run too."""
    other = dataclasses.replace(EXPECTED, module="e662")
    assert judge_reading(SHEET, SHEET.tests["MCU-ID"], Reading("MCU-ID", text="e661"), other).verdict is Verdict.OUT
