"""The sheet's formulas beyond plain arithmetic, against numpy and published values."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchworthy.designs.formula import base, parse, residual
from benchworthy.designs.sheet import Quantity, Shape, Term
from benchworthy.judging.uncertainty import inputs_of, measure
from benchworthy.reports.report import Step


def step(*values: int) -> Step:
    return Step(len(values), sum(values), sum(v * v for v in values), min(values), max(values))


def quantity(text: str, *terms: Term) -> Quantity:
    return Quantity("q", "1", parse(text), None, 1e9, "own", terms)


def test_a_step_has_its_spread_extremes_and_counts_behind_a_dot() -> None:
    """The name alone is the mean."""
    noisy = step(3, 5, 10)
    inputs = inputs_of({"x": noisy})
    for text, value in (
        ("x", 6.0),
        ("x.sd", float(np.std([3, 5, 10], ddof=1))),
        ("x.pp", 7.0),
        ("x.least", 3.0),
        ("x.greatest", 10.0),
        ("x.n", 3.0),
        ("x.total", 18.0),
    ):
        formula = parse(text)
        assert formula.names == {text} and base(text) == "x"
        assert formula.evaluate(inputs) == pytest.approx(value, rel=1e-12), text


@pytest.mark.parametrize("text", ["x.mean", "x.__class__", "x.sd.sd", "(x + 1).sd", "residual(a, b)", "ln()", "log(x)"])
def test_what_is_not_listed_is_refused(text: str) -> None:
    """An attribute of anything but a step, an unknown one, a function with too few values."""
    with pytest.raises(ValueError, match="formula"):
        parse(text)


@given(st.lists(st.integers(0, 4095), min_size=3, max_size=12))
def test_the_residual_is_that_of_numpy_s_least_squares_line(values: list[int]) -> None:
    """numpy.polyfit over equally spaced places."""
    places = np.arange(len(values))
    line = np.polyval(np.polyfit(places, values, 1), places)
    assert residual(*map(float, values)) == pytest.approx(float(np.max(np.abs(np.array(values) - line))), abs=1e-6)


def test_a_straight_line_has_no_residual_and_a_kink_has_one() -> None:
    """One value of five raised by 10 stands 10 * (1 - 1/5 - 0) above the line when it is the middle one."""
    assert residual(1.0, 3.0, 5.0, 7.0, 9.0) == pytest.approx(0.0, abs=1e-12)
    assert residual(1.0, 3.0, 15.0, 7.0, 9.0) == pytest.approx(8.0)


def test_the_logarithm_is_the_natural_one_and_has_no_value_at_zero() -> None:
    """A reading that gives none is told like a division by zero, never as a crash."""
    assert parse("ln(x)").evaluate({"x": math.e}) == pytest.approx(1.0)
    for value in (0.0, -1.0):
        with pytest.raises(ZeroDivisionError):
            parse("ln(x)").evaluate({"x": value})


# JCGM 100:2008, table E.1: relative standard deviation of the experimental standard deviation of n normal values, per cent.
@pytest.mark.parametrize(("n", "percent"), [(10, 24), (20, 16), (30, 13), (50, 10)])
def test_the_deviation_of_a_deviation_agrees_with_the_guide(n: int, percent: int) -> None:
    """The guide prints whole per cent; its own approximation 1/sqrt(2 (n - 1)) (E.4.3) is what is used."""
    values = [1000 + (37 * k * k) % 61 for k in range(n)]
    found = measure(quantity("x.sd"), {"x": step(*values)}, {})
    assert 100 * found.standard / found.value == pytest.approx(percent, abs=0.6)


def test_a_deviation_of_one_value_has_no_uncertainty_and_no_crash() -> None:
    """Nothing is known of a spread from a single reading."""
    found = measure(quantity("x.sd"), {"x": step(7)}, {})
    assert (found.value, found.standard) == (0.0, 0.0)


def test_the_deviation_of_a_deviation_agrees_with_drawn_numbers() -> None:
    """4,000 samples of 64 normal codes: the scatter of their deviations, within 5 %."""
    drawn = np.rint(np.random.default_rng(11).normal(1533, 6.0, (4000, 64))).astype(int)
    scatter = float(np.std(np.std(drawn, axis=1, ddof=1)))
    told = measure(quantity("x.sd"), {"x": step(*(int(v) for v in drawn[0]))}, {}).standard
    assert told == pytest.approx(scatter, rel=0.25)
    mean = float(np.mean([measure(quantity("x.sd"), {"x": step(*map(int, row))}, {}).standard for row in drawn[:400]]))
    assert mean == pytest.approx(scatter, rel=0.05)


def test_an_extreme_of_this_run_has_no_type_a_part_and_the_sheet_s_terms_reach_it() -> None:
    """What happened in this run is no estimate; what each reading may be off by still counts."""
    noisy = {"x": step(10, 20, 30, 40)}
    assert measure(quantity("x.pp"), noisy, {}).standard == 0.0
    assert measure(quantity("x.greatest"), noisy, {}).standard == 0.0
    codes = Term("codes", 3.0, False, Shape.RECTANGULAR)
    assert measure(quantity("x.pp", codes), noisy, {}).standard == pytest.approx(3.0 / 3**0.5)
    named = Term("x.greatest", 1.0, False, Shape.NORMAL)
    assert measure(quantity("x.greatest / 10", named), noisy, {}).standard == pytest.approx(0.1)


def test_a_total_is_as_uncertain_as_its_mean_times_the_count() -> None:
    """sum = n times mean, so u(sum) = n u(mean)."""
    noisy = {"x": step(10, 20, 30, 40)}
    assert measure(quantity("x.total"), noisy, {}).standard == pytest.approx(4 * measure(quantity("x"), noisy, {}).standard)


def test_the_slope_through_a_logarithm_agrees_with_the_derivative() -> None:
    """R = t / (C ln(V / (V - Vth))): relative slope to Vth is -Vth / ((V - Vth) ln(V / (V - Vth)))."""
    text = "t / (C * ln(V / (V - Vth)))"
    at = {"C": 1e-9, "V": 3.3, "Vth": 1.6}
    found = measure(quantity(text, Term("Vth", 0.08, True, Shape.NORMAL)), {"t": step(3117)}, at)
    slope = 1.6 / ((3.3 - 1.6) * math.log(3.3 / 1.7))
    assert found.standard / found.value == pytest.approx(0.08 * slope, rel=1e-4)
