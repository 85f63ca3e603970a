"""The desk's single rules: repairs, holds, waivers, stages, overdue loans, depth of a check-in, and what moved since build."""

import dataclasses
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest

from benchworthy.designs import catalogue
from benchworthy.desk import defects, holds, missing, repairs, reserve, retirement, stages, waivers
from benchworthy.desk.depth import DRAWN, DRAWN_OF, Return, depth
from benchworthy.desk.facts import BoardFacts, CertificateFacts, HoldFacts, LoanFacts, RunSummary, Unmet
from benchworthy.desk.fitness import fitness
from benchworthy.desk.life import DefectFacts, Life, RepairFacts, ReservationFacts, RetirementFacts, SignOff
from benchworthy.desk.moved import Measured, moved
from benchworthy.desk.overdue import overdue
from benchworthy.desk.states import State
from benchworthy.judging.decision import Verdict

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = timedelta(days=1)
SHEET = catalogue.find("tarn-b")
KIT = BoardFacts("TB001X", "tarn-b", False, None, False, (), None, None, None, None, None)
LENT = LoanFacts("l-1", "b-7", NOW - 40 * DAY, NOW, None)
# What a coordinator may let go; a test that is added to a sheet is decided on here as well.
TARN_MAY = (
    "USB-ENUM USB-LOOP USB-WIGGLE MCU-HEAP MCU-FS MCU-CLK MCU-TEMP MCU-RST LED-VF LED-SEE KEY-IDLE KEY-PRESS TONE-HEAR ADC-NOISE "
    "I2C-IDLE I2C-CLEAR I2C-RISE I2C-SCAN I2C-RW SNS-OPEN SNS-S1 SNS-S2 SNS-S3 SNS-S4 ADC-LIN SV-PULSE WIFI-RSSI WIFI-LINK"
)
BECK_MAY = (
    "USB-ENUM USB-LOOP USB-WIGGLE MCU-HEAP MCU-FS MCU-CLK MCU-TEMP MCU-RST LED-SEE KEY-IDLE KEY-PRESS TONE-HEAR ADC-NOISE "
    "I2C-IDLE I2C-CLEAR I2C-SCAN I2C-RW SNS-OPEN SNS-S1 SNS-S2 SNS-S3"
)
WAIVABLE = {"tarn-b": frozenset(TARN_MAY.split()), "beck-a": frozenset(BECK_MAY.split())}
DEFECT = DefectFacts(4, "The jack is loose.", NOW - 5 * DAY)


def run(age: float, *outs: str, name: str = "full", complete: bool = True) -> RunSummary:
    at = NOW - age * DAY
    verdict = Verdict.OUT if outs else Verdict.IN_LIMITS
    return RunSummary(f"r-{age}", name, at, at, complete, verdict, outs, True, ("e661",), frozenset({"PWR-V5"} - set(outs)))


def fit(**life: object) -> BoardFacts:
    """A board with a certificate of ten days ago, and what the desk has on record of it."""
    held = CertificateFacts("c-1", "r-10", NOW - 10 * DAY, NOW + 80 * DAY, None)
    return dataclasses.replace(KIT, module="e661", runs=(run(10),), certificate=held, life=Life(**life))  # type: ignore[arg-type]


def codes(unmet: tuple[Unmet, ...]) -> list[str]:
    assert all(item.code and item.what and item.evidence and item.next for item in unmet)
    return [item.code for item in unmet]


def repaired(*parts: tuple[str, int]) -> tuple[RepairFacts, ...]:
    return tuple(RepairFacts(part, stage, NOW - 20 * DAY) for part, stage in parts)


# ------------------------------------------------------------------------------------------------------------ fitness


@pytest.mark.parametrize(
    ("life", "code", "state", "answer"),
    [
        ({"defects": (DEFECT,)}, "defect-open", State.UNDER_TEST, "fails"),
        ({"retired": RetirementFacts("Pads lifted.", False, NOW)}, "retired", State.RETIRED, "fails"),
        ({"retired": RetirementFacts("Pads lifted.", True, NOW)}, "retired", State.RETIRED_FOR_PARTS, "fails"),
        ({"repairs": repaired(("R1", 1), ("R1", 1), ("R1", 1))}, "repairs-used-up", State.UNDER_TEST, "fails"),
    ],
)
def test_each_thing_that_the_desk_has_on_record_against_a_board(
    life: dict[str, object], code: str, state: State, answer: str
) -> None:
    """Each by itself takes fitness away from a board whose certificate is in force."""
    told = fitness(fit(**life), NOW)
    assert (codes(told.unmet), told.state, told.answer, told.fit) == ([code], state, answer, False)


def test_a_reserved_board_is_fit_and_says_so_until_the_reservation_ends() -> None:
    """Kept for one borrower; at the end it is simply fit."""
    kept = fit(reservation=ReservationFacts(3, "b-7", NOW + DAY))
    assert (fitness(kept, NOW).fit, fitness(kept, NOW).state) == (True, State.RESERVED)
    assert fitness(kept, NOW + DAY).state is State.FIT
    assert codes(reserve.kept_for_another(kept, "b-8", NOW)) == ["reserved-for-another"]
    assert not reserve.kept_for_another(kept, "b-7", NOW) and not reserve.kept_for_another(kept, "b-8", NOW + DAY)


def test_a_reservation_has_an_end_and_is_for_a_fit_board() -> None:
    """Neither in the past nor for ever, nor for a board on loan."""
    assert not reserve.unmet_conditions(KIT, State.FIT, NOW + 60 * DAY, NOW)
    assert codes(reserve.unmet_conditions(KIT, State.FIT, NOW, NOW)) == ["ends-in-the-past"]
    assert codes(reserve.unmet_conditions(KIT, State.FIT, NOW + 61 * DAY, NOW)) == ["lasts-too-long"]
    assert codes(reserve.unmet_conditions(KIT, State.ON_LOAN, NOW + DAY, NOW)) == ["not-in-this-state"]


# ------------------------------------------------------------------------------------- defects, repairs, holds, waivers


@pytest.mark.parametrize(("runs", "closed"), [
    ((run(1), run(2), run(3)), True),
    ((run(1), run(2)), False),
    ((run(1), run(2), run(6)), False),
    ((run(1), run(2), run(2.5, "PWR-V5"), run(3)), False),
    ((run(1), run(2, name="plug"), run(3), run(4)), True),
    ((run(1), run(2, complete=False), run(3)), False),
])  # fmt: skip
def test_three_complete_runs_in_a_row_close_a_defect_as_no_fault_found(runs: tuple[RunSummary, ...], closed: bool) -> None:
    """Runs before the defect, incomplete ones and other sets do not count; an out starts the count again."""
    facts = dataclasses.replace(fit(defects=(DEFECT,)), runs=runs)
    assert codes(defects.unmet_to_close(facts, DEFECT, "full")) == ([] if closed else ["fault-may-be-there"])


def test_a_repair_names_a_part_of_the_sheet_and_open_defects() -> None:
    """Everything that is wrong is told at once."""
    life = Life(defects=(DEFECT,))
    assert not repairs.unmet_conditions("TB001X", "D1", SHEET.parts, [4], life)
    assert codes(repairs.unmet_conditions("TB001X", "D99", SHEET.parts, [4, 5], life)) == ["part-unknown", "defect-not-open"]


def test_a_part_bears_two_repairs_and_a_stage_three() -> None:
    """The next one leaves only retirement."""
    assert not repairs.used_up("TB001X", repaired(("R1", 1), ("R1", 1), ("R2", 1)))
    assert "R1 was repaired 3 times" in repairs.used_up("TB001X", repaired(("R1", 1), ("R1", 1), ("R1", 1)))[0].what
    four = repaired(("R1", 2), ("R2", 2), ("R3", 2), ("R4", 2))
    assert "stage 2 was repaired 4 times" in repairs.used_up("TB001X", four)[0].what


def test_a_repair_reopens_its_stage_until_it_is_signed_or_the_whole_board_was_run() -> None:
    """The board is in repair until then; the later stages lose their sign-off with it."""
    signs = tuple(SignOff(stage, "T4", "I2", NOW - 30 * DAY) for stage in (1, 2, 3, 4))
    life = Life(repairs=repaired(("R1", 2)), sign_offs=signs)
    assert repairs.reopened(life, None) == (2,) and stages.signed(life) == {1}
    assert repairs.reopened(life, NOW - 25 * DAY) == (2,) and repairs.reopened(life, NOW - DAY) == ()
    again = dataclasses.replace(life, sign_offs=(*signs, SignOff(2, "T4", "I2", NOW)))
    assert repairs.reopened(again, None) == () and stages.signed(again) == {1, 2}
    assert fitness(dataclasses.replace(KIT, life=life), NOW).state is State.IN_REPAIR


def test_a_hold_ends_when_its_doubt_does() -> None:
    """Not over an open defect or an unexplained out, and what was said of many boards is taken back by a coordinator."""
    held = dataclasses.replace(fit(), hold=HoldFacts("held-by-staff", "Smells burnt.", NOW))
    assert codes(holds.unmet_conditions(fit(), "tester", "full")) == ["not-held"]
    assert not holds.unmet_conditions(held, "tester", "full")
    bad = dataclasses.replace(held, life=Life(defects=(DEFECT,)), runs=(run(1, "PWR-V5"), run(10)))
    assert codes(holds.unmet_conditions(bad, "tester", "full")) == ["defect-open", "out-unexplained"]
    recalled = dataclasses.replace(held, hold=HoldFacts("LAPSE-RECALL", "Recalled.", NOW))
    assert codes(holds.unmet_conditions(recalled, "tester", "full")) == ["coordinator-only"]
    assert not holds.unmet_conditions(recalled, "coordinator", "full")
    found = dataclasses.replace(held, hold=HoldFacts(missing.HOLD, missing.TOLD, NOW - 2 * DAY))
    assert codes(holds.unmet_conditions(found, "coordinator", "full")) == ["full-set-wanted"]
    assert not holds.unmet_conditions(dataclasses.replace(found, runs=(run(1), run(10))), "coordinator", "full")


def test_what_guards_against_harm_is_never_waived() -> None:
    """Cold, rail and hazard tests, inspections, and what says whose evidence it is; by the sheets' own marks, test by test."""
    for name, free in WAIVABLE.items():
        sheet = catalogue.find(name)
        may = {t for t in sheet.tests if not waivers.unmet_conditions(t, sheet.tests, (), NOW + DAY, NOW, "coordinator")}
        assert may == free
        assert not {t.id for t in sheet.tests.values() if t.hazard or t.id.startswith(("PRE-", "PWR-", "VIS-"))} & may
        bare = {t.id: dataclasses.replace(t, guards="", hazard="") for t in sheet.tests.values()}
        told = waivers.unmet_conditions("LED-SEE", bare, (), NOW + DAY, NOW, "coordinator")
        assert codes(told) == ["never-waived"]  # a sheet that marks nothing lets nothing go


def test_a_waiver_is_a_coordinator_s_has_an_end_and_is_given_once() -> None:
    """All that stands against it is told at once."""
    lamp = partial(waivers.unmet_conditions, "LED-SEE", SHEET.tests)
    assert codes(lamp(("LED-SEE",), NOW, NOW, "desk")) == ["coordinator-only", "waived-already", "ends-in-the-past"]
    assert codes(lamp((), NOW + 91 * DAY, NOW, "coordinator")) == ["lasts-too-long"]
    assert codes(waivers.unmet_conditions("NONE", SHEET.tests, (), NOW + DAY, NOW, "coordinator")) == ["test-unknown"]
    assert not lamp(("TONE-HEAR",), NOW + 90 * DAY, NOW, "coordinator")


def test_retirement_is_a_coordinators_and_of_a_board_that_is_here() -> None:
    """A lost one may be retired too."""
    assert not retirement.unmet_conditions(KIT, State.MISSING, "coordinator")
    assert codes(retirement.unmet_conditions(KIT, State.ON_LOAN, "desk")) == ["not-in-this-state", "coordinator-only"]


# --------------------------------------------------------------------------------------------------------------- stages


def test_a_stage_opens_when_the_one_before_is_signed_and_a_second_person_looked() -> None:
    """All that is wanting is told at once; one person alone only where the site says so."""
    facts = dataclasses.replace(KIT, life=Life(sign_offs=(SignOff(1, "T4", "I2", NOW),)))
    assert not stages.unmet_conditions(facts, 2, range(1, 5), "T4", "I2", False, ())
    told = stages.unmet_conditions(facts, 3, range(1, 5), "T4", "T4", False, ("PWR-V5",))
    assert codes(told) == ["stage-before-open", "inspector-not-second-person", "gate-not-passed"]
    assert not stages.unmet_conditions(facts, 2, range(1, 5), "T4", "T4", True, ())
    assert codes(stages.unmet_conditions(facts, 9, range(1, 5), "T4", "I2", False, ())) == ["stage-unknown"]


# ---------------------------------------------------------------------------------------------------- loans and returns


@pytest.mark.parametrize(("days", "act"), [
    (-4, None), (-3, "remind"), (0, "remind"), (3, "remind"), (13, "remind"),
    (14, "coordinator"), (29, "coordinator"), (30, "missing"), (400, "missing"),
])  # fmt: skip
def test_what_is_done_about_a_loan_by_the_days_over_its_date(days: int, act: str | None) -> None:
    """Reminders from three days before, the coordinator at fourteen, missing at thirty."""
    told = overdue(LENT, NOW + days * DAY)
    assert (told and told.act) == act
    if told:
        assert told.overdue is (days > 0) and told.days == days


def test_a_loan_that_is_over_is_never_overdue() -> None:
    """Whatever its date."""
    assert overdue(dataclasses.replace(LENT, returned_at=NOW), NOW + 90 * DAY) is None


def test_the_desk_waits_thirty_days_before_a_board_is_missing_and_a_coordinator_need_not() -> None:
    """A board in the house is never missing."""
    facts = dataclasses.replace(KIT, loan=LENT)
    assert codes(missing.unmet_conditions(facts, State.ON_LOAN, "desk", NOW + 29 * DAY)) == ["not-long-enough"]
    assert not missing.unmet_conditions(facts, State.ON_LOAN, "desk", NOW + 30 * DAY)
    assert not missing.unmet_conditions(facts, State.ON_LOAN, "coordinator", NOW)
    assert codes(missing.unmet_conditions(facts, State.FIT, "coordinator", NOW)) == ["not-in-this-state"]
    lost = fitness(dataclasses.replace(fit(missing_since=NOW), loan=LENT), NOW)
    assert (lost.state, codes(lost.unmet)) == (State.MISSING, ["missing"])


SHORT = Return(2, 10 * DAY, trusted=True)


@pytest.mark.parametrize(("changes", "test_set"), [
    ({}, "quick"), ({"trusted": False}, "plug"), ({"out": 15 * DAY}, "plug"), ({"out": 31 * DAY}, "full"),
    ({"number": 1}, "full"), ({"number": 3}, "full"), ({"number": 6}, "full"), ({"number": 4}, "quick"),
    ({"remark": True}, "full"), ({"dropped": True}, "full"), ({"wet": True}, "full"), ({"accessory_missing": True}, "full"),
    ({"uncounted": True}, "full"),
])  # fmt: skip
def test_how_deep_a_return_is_looked_at(changes: dict[str, object], test_set: str) -> None:
    """Quick only for a short loan without a remark; every third return, the first loan and any remark in full."""
    told = depth(KIT, dataclasses.replace(SHORT, **changes), DRAWN)  # type: ignore[arg-type]
    assert told.test_set == test_set and told.reasons


def test_a_board_whose_own_reports_raised_a_doubt_is_looked_at_in_full() -> None:
    """What the field may do: it lapses, and asks for everything when the board is back."""
    doubted = CertificateFacts("c-1", "r-1", NOW - DAY, NOW + DAY, "LAPSE-FIELD")
    told = depth(dataclasses.replace(KIT, certificate=doubted), SHORT, DRAWN)
    assert told.test_set == "full" and "doubt" in told.reasons[0]
    assert depth(dataclasses.replace(KIT, certificate=dataclasses.replace(doubted, lapse=None)), SHORT, DRAWN).test_set == "quick"


def test_ten_of_thirty_short_returns_get_the_plug_set_by_the_draw() -> None:
    """The draw deepens, and never makes a full one shallower."""
    drawn = [depth(KIT, SHORT, draw).test_set for draw in range(DRAWN_OF)]
    assert (drawn.count("plug"), drawn.count("quick")) == (10, 20)
    assert {depth(KIT, dataclasses.replace(SHORT, wet=True), draw).test_set for draw in range(DRAWN_OF)} == {"full"}


def test_what_moved_since_build_is_more_than_both_uncertainties_explain() -> None:
    """The trade's own example, V5 fell 60 mV; 0.03 V twice is 0.042 V together. The largest in terms of U comes first."""
    then = {("PWR-V5", "V5"): Measured(5.0, 0.03, "V"), ("A", "x"): Measured(10.0, 1.0, "Hz"), ("B", "y"): Measured(1, 0, "V")}
    now = {("PWR-V5", "V5"): Measured(4.94, 0.03, "V"), ("A", "x"): Measured(30.0, 1.0, "Hz"), ("B", "y"): Measured(2, 0, "A")}
    told = moved(then, now)
    assert [item.sentence for item in told] == ["x rose 20 Hz since build (A).", "V5 fell 60 mV since build (PWR-V5)."]
    assert moved(then, {**then, ("PWR-V5", "V5"): Measured(4.96, 0.03, "V")}) == ()
