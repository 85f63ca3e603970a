"""Decision rule and uncertainty against published examples, an independent library, and the sheet's own budget."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.formula import parse
from benchworthy.designs.sheet import Quantity, Shape, Term, parts_of
from benchworthy.judging.decision import Verdict, decide, probability_of_conformity, worst
from benchworthy.judging.run import Draw, Evidence, assess
from benchworthy.judging.tests import Expected, judge_reading
from benchworthy.judging.uncertainty import measure
from benchworthy.reports.report import Author, Reading, Step

SHEET = catalogue.find("tarn-b")
EXPECTED = Expected(None, agent_release.current())
SQRT3 = 3.0**0.5


def _steady(code: int, n: int = 16) -> Step:
    """A step that read the same code every time, so that no repeatability comes in."""
    return Step(n, n * code, n * code * code, code, code)


# --- probability of conformity -----------------------------------------------------------------------------------


def test_the_probability_agrees_with_the_zener_example() -> None:
    """JCGM 106:2012, 7.3: Zener breakdown voltage, one upper limit; printed 92 %, recomputed 0.919243."""
    found = probability_of_conformity(-5.47, 0.05, None, -5.4)
    assert found == pytest.approx(0.919243, abs=1e-6)
    assert found == pytest.approx(0.92, abs=0.005)


def test_the_probability_agrees_with_the_oil_example() -> None:
    """JCGM 106:2012, 7.4: oil viscosity, both limits; printed 0.66, recomputed 0.66263."""
    assert probability_of_conformity(13.6, 1.8, None, 16.3) == pytest.approx(0.933193, abs=1e-6)
    assert probability_of_conformity(13.6, 1.8, None, 12.5) == pytest.approx(0.270563, abs=1e-6)
    assert probability_of_conformity(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66263, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "conform"),
    [(3.3, 0.99999943), (3.38, 0.841345), (3.19, 0.308538), (3.45, 0.00621)],
)
def test_the_probability_agrees_in_the_zones_of_iso_14253(value: float, conform: float) -> None:
    """ISO 14253-1:2017, default rule at 3.2 to 3.4 V, u = 0.02 V; values recomputed with scipy 1.17.1, within 1e-5."""
    assert probability_of_conformity(value, 0.02, 3.2, 3.4) == pytest.approx(conform, abs=1e-5)


@pytest.mark.parametrize(
    ("multiple", "risk"),
    [(3, 9.86588e-10), (1.5, 0.0013499), (1, 0.0227501), (0.83, 0.0484572), (0, 0.5)],
)
def test_the_risk_at_the_acceptance_limit_agrees_with_ilac(multiple: float, risk: float) -> None:
    """ILAC-G8:09/2019, Table 1: false acceptance at AL = TL - r U with U = 2 u, one-sided normal."""
    limit, u = 5.2, 0.04
    assert 1 - probability_of_conformity(limit - multiple * 2 * u, u, None, limit) == pytest.approx(risk, abs=1e-6)


def test_the_risk_of_rejecting_beyond_limit_plus_u_agrees_with_ilac() -> None:
    """ILAC-G8:09/2019, Table 1, row "uncritical", r = -1: false rejection 0.0227501. It is this project's "out"."""
    limit, u = 5.2, 0.04
    assert probability_of_conformity(limit + 2 * u, u, None, limit) == pytest.approx(0.0227501, abs=1e-6)


def test_without_uncertainty_the_probability_is_one_or_nothing() -> None:
    """A count has no spread."""
    assert probability_of_conformity(0.0, 0.0, 0.0, 0.0) == 1.0
    assert probability_of_conformity(1.0, 0.0, 0.0, 0.0) == 0.0


# --- the rule's edges --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (5.0, Verdict.IN_LIMITS),
        (5.2, Verdict.IN_LIMITS),
        (4.8, Verdict.IN_LIMITS),
        (5.2001, Verdict.MARGINAL),
        (5.278, Verdict.MARGINAL),
        (4.722, Verdict.MARGINAL),
        (5.2781, Verdict.OUT),
        (4.7219, Verdict.OUT),
    ],
)
def test_the_rule_at_its_edges(value: float, verdict: Verdict) -> None:
    """At the limit is inside; at the limit plus U is marginal; beyond is out. Both sides alike."""
    assert decide(value, 0.078, 4.8, 5.2) is verdict


def test_a_count_without_uncertainty_knows_no_marginal() -> None:
    """Where U is zero one miss is out."""
    assert decide(0, 0.0, 0, 0) is Verdict.IN_LIMITS
    assert decide(1, 0.0, 0, 0) is Verdict.OUT


@given(st.floats(-10, 10), st.floats(0, 1), st.floats(-5, 0), st.floats(0, 5))
def test_the_rule_never_widens_the_tolerance(value: float, expanded: float, low: float, high: float) -> None:
    """More uncertainty turns an out into a marginal at most; it never puts anything in limits."""
    exact, fuzzy = decide(value, 0.0, low, high), decide(value, expanded, low, high)
    assert (exact is Verdict.IN_LIMITS) == (fuzzy is Verdict.IN_LIMITS)


def test_not_run_and_error_are_never_better_than_a_pass() -> None:
    """The worst verdict of a list counts, and what did not run is worse than in limits."""
    assert worst([Verdict.IN_LIMITS, Verdict.NOT_RUN]) is Verdict.NOT_RUN
    assert worst([Verdict.IN_LIMITS, Verdict.ERROR]) is Verdict.ERROR
    assert worst([Verdict.NOT_RUN, Verdict.OUT]) is Verdict.OUT


# --- uncertainty -------------------------------------------------------------------------------------------------

# Own derivation after JCGM 100:2008, clauses 4 to 6, recomputed with uncertainties 3.2.3: a 5 V rail through 10k/10k
# into a 12-bit ADC at code 3103; resistors and Vref 1 % rectangular, INL 2 LSB, quantisation 0.5 LSB, both rectangular,
# repeatability 2 mV at the pin over 10 readings.
_MODEL = parse("code / 4096 * Vref * (R1 + R2) / R2")
_VALUES = {"R1": 10000.0, "R2": 10000.0, "Vref": 3.3}
_STEPS = {"code": Step(1, 3103, 3103 * 3103, 3103, 3103)}
_LSB = 3.3 / 4096
_TERMS = {
    "R1": (Term("R1", 0.01, True, Shape.RECTANGULAR), 0.0144336),
    "R2": (Term("R2", 0.01, True, Shape.RECTANGULAR), 0.0144336),
    "Vref": (Term("Vref", 0.01, True, Shape.RECTANGULAR), 0.0288672),
    "INL": (Term("codes", 2.0, False, Shape.RECTANGULAR), 0.0018606),
    "quantisation": (Term("codes", 0.5, False, Shape.RECTANGULAR), 0.0004652),
    "repeatability": (Term("code", 0.002 / 10**0.5 / _LSB, False, Shape.NORMAL), 0.0012649),
}


def _budget(*terms: Term) -> Quantity:
    return Quantity("V", "V", _MODEL, 4.8, 5.2, "own", terms)


@pytest.mark.parametrize("name", _TERMS)
def test_each_contribution_to_the_divider_budget(name: str) -> None:
    """Every term by itself, to a millionth of a volt."""
    term, contribution = _TERMS[name]
    assert measure(_budget(term), _STEPS, _VALUES).standard == pytest.approx(contribution, abs=1e-6)


def test_the_divider_budget_as_a_whole() -> None:
    """V = 4.999951, u_c = 0.0354296, U (k = 2) = 0.070859, each within 1e-6."""
    result = measure(_budget(*(term for term, _ in _TERMS.values())), _STEPS, _VALUES)
    assert result.value == pytest.approx(4.999951, abs=1e-6)
    assert result.standard == pytest.approx(0.0354296, abs=1e-6)
    assert result.expanded == pytest.approx(0.070859, abs=1e-6)


def test_the_spread_inside_a_step_comes_in_as_the_mean_s_deviation() -> None:
    """JCGM 100:2008, 4.4.3: 20 temperatures, mean 100.145, s = 1.489, u = 0.333; here in thousandths, as integers."""
    celsius = (96.9, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07, 100.33, 100.42, 100.68, 100.95, 101.11,
               101.2, 101.57, 101.84, 102.36, 102.72)  # fmt: skip
    raw = [round(value * 1000) for value in celsius]
    step = Step(20, sum(raw), sum(value * value for value in raw), min(raw), max(raw))
    result = measure(Quantity("t", "degC", parse("t / 1000"), 0, 200, "GUM", ()), {"t": step}, {})
    assert result.value == pytest.approx(100.145, abs=1e-6)
    assert step.variance**0.5 / 1000 == pytest.approx(1.488844, abs=1e-6)
    assert result.standard == pytest.approx(0.332916, abs=1e-6)


def test_two_terms_of_one_kind_both_count() -> None:
    """Terms on the same input and of the same shape add in squares; none takes the other's place."""
    one, other = _TERMS["INL"][0], _TERMS["quantisation"][0]
    both = measure(_budget(one, other), _STEPS, _VALUES).standard
    assert both == pytest.approx((0.0018606**2 + 0.0004652**2) ** 0.5, abs=1e-6)


# --- the sheet's own budget, PWR-V5 ------------------------------------------------------------------------------

RAIL, REF = 3104, 1533  # about 5.00 V at the divider, and the 1.235 V reference, in codes of 12 bits


def _v5(rail: int, ref: int = REF) -> Reading:
    return Reading("PWR-V5", steps=(_steady(rail), _steady(ref)))


def test_the_5_v_budget_is_what_the_trade_page_says() -> None:
    """The trade's budget for the 5 V rail by ADC: 0.58, 0.41, 0.15 and 0.30 % give 0.78 %, so U is about 78 mV."""
    judged = judge_reading(SHEET, SHEET.tests["PWR-V5"], _v5(RAIL), EXPECTED)
    assert judged.verdict is Verdict.IN_LIMITS
    assert judged.quantities[0].value == pytest.approx(5.0, abs=0.005)
    assert judged.quantities[0].expanded == pytest.approx(0.078, abs=0.001)


def test_the_5_v_budget_agrees_with_an_independent_library() -> None:
    """The uncertainties library carries the same inputs through the same formula."""
    parts = SHEET.parts
    half = {"U3": 0.01 * 1.235, "R3": 100.0, "R4": 100.0, "codes": 8.0}
    u3, r3 = ufloat(parts["U3"].value, half["U3"] / SQRT3), ufloat(parts["R3"].value, half["R3"] / SQRT3)
    r4 = ufloat(parts["R4"].value, half["R4"] / SQRT3)
    rail, ref = ufloat(RAIL, half["codes"] / SQRT3), ufloat(REF, half["codes"] / SQRT3)
    oracle = (r3 + r4) / r4 * u3 * rail / ref
    judged = judge_reading(SHEET, SHEET.tests["PWR-V5"], _v5(RAIL), EXPECTED).quantities[0]
    assert judged.value == pytest.approx(oracle.nominal_value, abs=1e-9)
    assert judged.expanded == pytest.approx(2 * oracle.std_dev, abs=1e-6)


@pytest.mark.parametrize(
    ("volts", "verdict"),
    [(5.0, Verdict.IN_LIMITS), (5.19, Verdict.IN_LIMITS), (5.25, Verdict.MARGINAL), (5.35, Verdict.OUT),
     (4.75, Verdict.MARGINAL), (4.60, Verdict.OUT), (0.0, Verdict.OUT)],
)  # fmt: skip
def test_a_rail_from_sound_to_dead(volts: float, verdict: Verdict) -> None:
    """The 5 V rail's codes, judged by the real sheet; what is not in limits says what to do."""
    judged = judge_reading(SHEET, SHEET.tests["PWR-V5"], _v5(round(volts * REF / 2 / 1.235)), EXPECTED)
    assert judged.verdict is verdict
    assert (judged.sentence == "") == (verdict is Verdict.IN_LIMITS)
    assert verdict is Verdict.IN_LIMITS or "Meter on TP5" in judged.sentence


def test_a_reference_that_reads_zero_is_out_and_no_crash() -> None:
    """A formula that divides by zero has an answer."""
    judged = judge_reading(SHEET, SHEET.tests["PWR-V5"], _v5(RAIL, 0), EXPECTED)
    assert judged.verdict is Verdict.OUT
    assert "zero" in judged.sentence


def test_a_reading_that_did_not_run_is_no_pass_and_no_zero() -> None:
    """Absent conditions and agent errors keep their own verdicts; so does a reading with a step too few."""
    test = SHEET.tests["PWR-V5"]
    assert judge_reading(SHEET, test, Reading("PWR-V5", not_run="no jack"), EXPECTED).verdict is Verdict.NOT_RUN
    assert judge_reading(SHEET, test, Reading("PWR-V5", error="OSError"), EXPECTED).verdict is Verdict.ERROR
    assert judge_reading(SHEET, test, Reading("PWR-V5", steps=(_steady(RAIL),)), EXPECTED).verdict is Verdict.ERROR


# --- what is not a voltage ---------------------------------------------------------------------------------------


def test_the_first_module_is_taken_and_another_later_is_out() -> None:
    """Before the first pairing any module will do; afterwards only the one on record."""
    test, reading = SHEET.tests["MCU-ID"], Reading("MCU-ID", text="e6614103")
    assert judge_reading(SHEET, test, reading, EXPECTED).verdict is Verdict.IN_LIMITS
    other = dataclasses.replace(EXPECTED, module="e6614104")
    judged = judge_reading(SHEET, test, reading, other)
    assert judged.verdict is Verdict.OUT
    assert "e6614103" in judged.sentence and "e6614104" in judged.sentence


def test_every_kind_of_stray_file_is_named() -> None:
    """Secrets, a stranger, a missing and a changed file are each told; files that may change are held to their size."""
    test, files = SHEET.tests["MCU-FW"], dict(EXPECTED.agent.files)
    sound = Reading("MCU-FW", items={**files, "state.json": "size 512", "spool/0001": "size 4096"})
    assert judge_reading(SHEET, test, sound, EXPECTED).verdict is Verdict.IN_LIMITS
    missing = files.pop(sorted(files)[0])
    assert missing
    wrong = {**files, "secrets.json": "00", "game.py": "00", "main.py": "00"}
    sentence = judge_reading(SHEET, test, Reading("MCU-FW", items=wrong), EXPECTED).sentence
    assert "secrets.json of some network" in sentence
    assert "game.py does not belong" in sentence
    assert "is missing" in sentence
    assert "main.py is changed" in sentence


def test_a_check_list_with_an_item_unanswered_did_not_run() -> None:
    """Silence on an item is no "good"; a bad item is out and named."""
    test = SHEET.tests["VIS-INSP"]
    good = dict.fromkeys(test.parameters["items"], "good")
    assert judge_reading(SHEET, test, Reading("VIS-INSP", items=good), EXPECTED).verdict is Verdict.IN_LIMITS
    assert judge_reading(SHEET, test, Reading("VIS-INSP", items={"joints": "good"}), EXPECTED).verdict is Verdict.NOT_RUN
    judged = judge_reading(SHEET, test, Reading("VIS-INSP", items={**good, "bridges": "at U1"}), EXPECTED)
    assert judged.verdict is Verdict.OUT
    assert "bridges: at U1" in judged.sentence


# --- a run as a whole --------------------------------------------------------------------------------------------


def _assess(*readings: Reading, answers: tuple[Reading, ...] = (), draws: tuple[Draw, ...] = ()):
    part = next(part.number for part in parts_of(SHEET, "full") if "PWR-V5" in part.tests)
    evidence = Evidence({(Author.BOARD, part): readings} if readings else {}, answers, draws)
    return assess(SHEET, "full", evidence, EXPECTED)


def test_an_empty_run_is_incomplete_and_has_no_verdict() -> None:
    """What is missing is no failure and no pass."""
    assessment = _assess()
    assert not assessment.complete
    assert assessment.verdict is None
    assert {need.code for need in assessment.needs} == {"part-missing", "answer-missing"}


def test_an_out_that_arrived_counts_in_an_incomplete_run() -> None:
    """Missing parts hide no out."""
    assessment = _assess(_v5(0))
    assert not assessment.complete
    assert assessment.verdict is Verdict.OUT


def _marginal_rail() -> Reading:
    return Reading("PWR-V33S", steps=(_steady(round(3.38 * REF / 2 / 1.235)), _steady(REF)))


def test_a_marginal_rail_calls_its_witness() -> None:
    """The sheet names a better witness; without it the run lacks something."""
    assessment = _assess(_marginal_rail())
    assert assessment.outcomes["PWR-V33S"].verdict is Verdict.MARGINAL
    assert ("witness", "PWR-DMM33") in {(need.code, need.test) for need in assessment.needs}


@pytest.mark.parametrize(("meter", "verdict"), [(3.35, Verdict.IN_LIMITS), (3.37, Verdict.MARGINAL)])
def test_only_a_witness_in_limits_settles_a_marginal(meter: float, verdict: Verdict) -> None:
    """The meter in limits settles the rail and says so; a marginal meter settles nothing."""
    outcome = _assess(_marginal_rail(), answers=(Reading("PWR-DMM33", number=meter),)).outcomes["PWR-V33S"]
    assert outcome.verdict is verdict
    assert ("settled by PWR-DMM33" in outcome.sentence) == (verdict is Verdict.IN_LIMITS)


def test_a_wrong_count_is_asked_once_more_and_two_are_out() -> None:
    """One slip of a person is no fault of the board; both answers are kept."""
    first, second = Draw("LED-SEE", 1, {"count": 3}), Draw("LED-SEE", 2, {"count": 5})
    slip = Reading("LED-SEE", text="4", draw=1)
    asked = _assess(answers=(slip,), draws=(first,))
    assert "LED-SEE" not in asked.outcomes
    assert ("second-draw", "LED-SEE") in {(need.code, need.test) for need in asked.needs}
    right = _assess(answers=(slip, Reading("LED-SEE", text="5", draw=2)), draws=(first, second))
    assert right.outcomes["LED-SEE"].verdict is Verdict.IN_LIMITS
    assert right.outcomes["LED-SEE"].draws == ("draw 1: answered 4", "draw 2: answered 5")
    wrong = _assess(answers=(slip, Reading("LED-SEE", text="4", draw=2)), draws=(first, second))
    assert wrong.outcomes["LED-SEE"].verdict is Verdict.OUT
