"""What moved since build: the board's own parts are the same error twice, so they cancel in a difference."""

import math
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest

from benchworthy.designs import agent_release, catalogue
from benchworthy.desk.moved import Measured, moved
from benchworthy.judging.difference import of_difference, together
from benchworthy.judging.tests import Expected, judge_reading
from benchworthy.reports.report import Reading, Step
from services import reports, sound_board
from services.desk import certified, lent, returned
from services.service import Trial, trial

SHEET = catalogue.find("tarn-b")
EXPECTED = Expected(None, agent_release.current())
KEY = ("PWR-V5", "V5")


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Trial]:
    """A service without processes, over a folder of its own."""
    with trial(tmp_path) as started:
        yield started


def test_ten_resistors_calibrated_by_one_standard_are_as_sure_as_ten_times_the_standard() -> None:
    """JCGM 100:2008, 5.2.2, example: ten of 1000 ohm against one standard of u = 100 milliohm give 1 ohm in series.

    Taken as uncorrelated they would give 0.32 ohm, which the guide calls incorrect. (Data from memory of the guide.)
    """
    assert together(*[{"standard": 0.1}] * 10) == pytest.approx(1.0)
    assert together(*[{f"resistor {k}": 0.1} for k in range(10)]) == pytest.approx(0.32, abs=0.005)
    assert of_difference({"standard": 0.1}, {"standard": 0.1}) == 0.0, "compared with each other they owe nothing to it"


def test_a_difference_is_as_sure_as_covariances_written_out_say() -> None:
    """JCGM 100:2008, F.1.2.3: u(y, z) = sum of (dy/dq) (dz/dq) u(q)^2, and (13) of 5.2.2, here with matrices."""
    rng = np.random.default_rng(7)
    for _ in range(20):
        first, second = rng.normal(size=4), rng.normal(size=4)
        covariance = np.array([[first @ first, first @ second], [first @ second, second @ second]])
        weights = np.array([-1.0, 1.0])
        told = of_difference(dict(enumerate(map(float, first))), dict(enumerate(map(float, second))))  # type: ignore[arg-type]
        assert told == pytest.approx(math.sqrt(weights @ covariance @ weights))


def rail(factor: float) -> Measured:
    """V5 of a board with its rail at this share of a sound one's, as the service judges it."""
    names, test = SHEET.tests["PWR-V5"].steps, SHEET.tests["PWR-V5"]
    steps = sound_board.steps_of(SHEET, test)
    where = names.index("rail")
    n, total, *_ = steps[where]
    steps[where] = sound_board.steady(round(total / n * factor), n)
    (found,) = judge_reading(SHEET, test, Reading("PWR-V5", steps=tuple(Step(*step) for step in steps)), EXPECTED).quantities
    return Measured(found.value, found.expanded, found.unit, dict(found.common))


def sentences(then: Measured, now: Measured) -> list[str]:
    return [item.sentence for item in moved({KEY: then}, {KEY: now})]


def test_what_the_boards_own_parts_bring_is_named_and_is_most_of_u() -> None:
    """PWR-V5: reference 0.58 %, divider twice 0.29 %; what is left are the converter's codes, 0.34 % (the trade's budget)."""
    found = rail(1.0)
    shares = {part: abs(amount) / found.value for part, amount in found.common.items()}
    assert shares == {
        "U3": pytest.approx(0.0058, abs=1e-4),
        "R3": pytest.approx(0.0029, abs=1e-4),
        "R4": pytest.approx(0.0029, abs=1e-4),
    }
    left = math.sqrt((found.expanded / 2) ** 2 - sum(amount**2 for amount in found.common.values()))
    assert left / found.value == pytest.approx(0.0034, abs=2e-4)
    assert found.common["R3"] * found.common["R4"] < 0, "one part of a divider lifts what the other lowers"


def test_sixty_millivolts_are_real_on_the_same_parts_and_not_on_others() -> None:
    """With U of 78 mV each; twenty are not real; and with the divider replaced since, sixty are not either."""
    then, now = rail(1.0), rail(0.988)
    assert then.expanded == pytest.approx(0.078, abs=0.002)
    assert sentences(then, now) == ["V5 fell 60 mV since build (PWR-V5)."]
    assert sentences(then, rail(0.996)) == []
    bare = [Measured(m.value, m.expanded, m.unit, without(m.common, "R3", "R4")) for m in (then, now)]
    assert sentences(*bare) == []


def without(common: Mapping[str, float], *parts: str) -> dict[str, float]:
    return {part: amount for part, amount in common.items() if part not in parts}


@pytest.mark.parametrize(("factor", "told"), [
    (1.0, []), (0.996, []), (0.988, ["V5 fell 60 mV since build (PWR-V5)."]), (0.97, ["V5 fell 150 mV since build (PWR-V5)."]),
])  # fmt: skip
def test_a_check_in_says_what_moved_since_build(made: Trial, factor: float, told: list[str]) -> None:
    """In limits, and yet a rail lower than the two measurements explain; nothing is told when nothing moved."""
    serial = certified(made, "MOVED1")
    lent(made, serial, "b-7", 7)
    returned(made, serial)
    changed = () if factor == 1.0 else (reports.scaled("PWR-V5", "rail", factor),)
    run = made.whole_run(serial, *changed)["run"]
    answer = made.post(f"/boards/{serial}/check-ins", {"run": run}, "desk")
    assert (answer["outcome"], answer["moved"]) == ("fit kept", told)
