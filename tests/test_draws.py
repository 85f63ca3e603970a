"""What is drawn for each run and answered by a person: no answer by habit, and guessing through a set is unlikely."""

from math import prod

import pytest

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.judging import draws
from benchworthy.judging.decision import Verdict
from benchworthy.judging.draws import Draw
from benchworthy.judging.run import Evidence, assess
from benchworthy.judging.tests import Expected, Outcome
from benchworthy.reports.report import Reading

SHEET = catalogue.find("tarn-b")
EXPECTED = Expected(None, agent_release.current())
DRAWN = ("LED-SEE", "TONE-HEAR", "OUT-DIR1", "OUT-DIR2")


def told(test: str, *given: tuple[Draw, str]) -> Outcome | None:
    """The outcome of one test after these answers to these draws; None while a second draw is needed."""
    answers = tuple(Reading(test, text=text, draw=draw.number) for draw, text in given)
    return assess(SHEET, "full", Evidence({}, answers, tuple(draw for draw, _ in given)), EXPECTED).outcomes.get(test)


@pytest.mark.parametrize(("test", "count"), [("LED-SEE", 4), ("TONE-HEAR", 3), ("OUT-DIR1", 6), ("OUT-DIR2", 6)])
def test_each_stimulus_is_ready_for_the_board_to_show(test: str, count: int) -> None:
    """The procedure and its arguments; every choice comes up and its own answer is the right one."""
    found = SHEET.tests[test]
    made = [draws.draw(found, 1, None, chance) for chance in range(count)]
    answers = {draws.right_answer(found.procedure, draw.stimulus) for draw in made}
    assert len(answers) == count
    for draw in made:
        assert set(draw.stimulus) == {"p", "a"} and draw.stimulus["p"] == found.procedure
        outcome = told(test, (draw, draws.right_answer(found.procedure, draw.stimulus)))
        assert outcome is not None and outcome.verdict is Verdict.IN_LIMITS


@pytest.mark.parametrize("test", DRAWN)
def test_the_second_draw_differs_from_the_first(test: str) -> None:
    """After a wrong answer the person may know what was shown; whatever chance says, it is not shown again."""
    found = SHEET.tests[test]
    for first in range(6):
        before = draws.draw(found, 1, None, first)
        for chance in range(12):
            again = draws.draw(found, 2, before.stimulus, chance)
            assert again.number == 2 and again.stimulus["a"] != before.stimulus["a"]


@pytest.mark.parametrize("test", DRAWN)
def test_one_slip_is_no_fault_and_two_are_out(test: str) -> None:
    """Both answers stay on record."""
    found = SHEET.tests[test]
    first = draws.draw(found, 1, None, 0)
    second = draws.draw(found, 2, first.stimulus, 0)
    right = draws.right_answer(found.procedure, second.stimulus)
    assert told(test, (first, "none of them")) is None
    mended = told(test, (first, "none of them"), (second, right))
    assert mended is not None and mended.verdict is Verdict.IN_LIMITS
    assert mended.draws == ("draw 1: answered none of them", f"draw 2: answered {right}")
    failed = told(test, (first, "none of them"), (second, draws.right_answer(found.procedure, first.stimulus)))
    assert failed is not None and failed.verdict is Verdict.OUT and SHEET.tests[test].next in failed.sentence


def test_the_order_of_a_turn_counts_and_spaces_do_not() -> None:
    """Three words in the order shown, typed as people type."""
    found = SHEET.tests["OUT-DIR1"]
    shown = next(draw for chance in range(6) if (draw := draws.draw(found, 1, None, chance)).stimulus["a"]["order"][0] == "back")
    words = shown.stimulus["a"]["order"]
    typed = told("OUT-DIR1", (shown, f"  {words[0].upper()}  {words[1]} {words[2]} "))
    assert typed is not None and typed.verdict is Verdict.IN_LIMITS
    assert told("OUT-DIR1", (shown, " ".join(reversed(words)))) is None


@pytest.mark.parametrize("test_set", ["renewal", "full"])
def test_guessing_through_a_set_succeeds_less_than_once_in_twenty(test_set: str) -> None:
    """One guess of n choices, and after a miss one of the n - 1 that are left, over all tests of the set."""
    chances = []
    for test in SHEET.tests_of(test_set):
        n = len(draws.choices(test))
        if n:
            chances.append(1 / n + (1 - 1 / n) / (n - 1))
    assert len(chances) == len(DRAWN)
    assert prod(chances) < 0.05


def test_a_draw_of_the_first_version_is_still_judged() -> None:
    """Evidence outlives the form of a draw, which once was the arguments alone."""
    outcome = told("LED-SEE", (Draw("LED-SEE", 1, {"port": "lamp", "count": 3}), "3"))
    assert outcome is not None and outcome.verdict is Verdict.IN_LIMITS


def test_what_is_drawn_stands_in_no_plan() -> None:
    """A board that only knows its plan knows no answer."""
    for name in SHEET.sets:
        text = plan_for(SHEET, name).text
        assert not any(test in text for test in DRAWN) and "rising" not in text
