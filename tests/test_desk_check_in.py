"""What a check-in run makes of a returned board, by itself: fit kept, held, or still returned."""

import pytest

from benchworthy.desk.check_in import Circumstances, check_in
from benchworthy.desk.depth import deep_enough
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment, Need
from benchworthy.judging.tests import Outcome
from test_desk_rules import GOOD, POLICY, certificate


def test_a_check_in_in_limits_keeps_a_certificate_in_force() -> None:
    """And without one in force the board stays returned, with the next step named."""
    kept = check_in(certificate(), True, GOOD, True)
    assert (kept.outcome, kept.lapse) == ("fit kept", None)
    for found in (check_in(certificate(), False, GOOD, True), check_in(None, False, GOOD, True)):
        assert (found.outcome, found.lapse) == ("returned", None)
        assert "run the set `full`" in found.sentence


def test_an_out_at_check_in_holds_the_board_even_with_a_part_missing() -> None:
    """The first out's sentence is the reason; the others are named."""
    outcomes = {"A": Outcome("A", Verdict.OUT, sentence="A is out. Mend A."), "B": Outcome("B", Verdict.OUT, sentence="B.")}
    found = check_in(certificate(), True, Assessment(outcomes, (Need("part-missing", None, "Part 2."),)), False)
    assert (found.outcome, found.lapse) == ("held", "LAPSE-CHECKIN-FAILED")
    assert found.sentence == "A is out. Mend A. Also out: B."


def test_a_check_in_with_a_part_missing_is_no_failure() -> None:
    """The certificate lapses only when the run is closed like that."""
    missing = Assessment(GOOD.outcomes, (Need("part-missing", None, "Part 2 of the board."),))
    assert check_in(certificate(), True, missing, False).lapse is None
    closed = check_in(certificate(), True, missing, True)
    assert (closed.outcome, closed.lapse) == ("returned", "LAPSE-CHECKIN-INCOMPLETE")
    assert "Part 2 of the board." in closed.sentence


def test_a_marginal_at_check_in_settles_nothing() -> None:
    """Neither held nor kept."""
    near = Assessment({"A": Outcome("A", Verdict.MARGINAL, sentence="A is near.")}, ())
    found = check_in(certificate(), True, near, True)
    assert (found.outcome, found.lapse) == ("returned", None)


def test_what_is_known_beside_the_readings_counts_too() -> None:
    """A remark before anything but the full set, a module nobody read, a stranger, a hold: none of them keeps a board fit."""
    told = {
        "remark": check_in(certificate(), True, GOOD, True, Circumstances(whole=False, remark_waiting=True)),
        "unread": check_in(certificate(), True, GOOD, True, Circumstances(module_read=False)),
        "stranger": check_in(certificate(), True, GOOD, True, Circumstances(strangers=("e662",))),
        "held": check_in(certificate(), True, GOOD, True, Circumstances(held="Smells burnt.")),
    }
    assert {name: (found.outcome, found.lapse) for name, found in told.items()} == {
        "remark": ("returned", None), "unread": ("returned", None), "stranger": ("held", "LAPSE-MODULE"), "held": ("held", None),
    }  # fmt: skip
    assert "Smells burnt." in told["held"].sentence and "e662" in told["stranger"].sentence
    kept = check_in(certificate(), True, GOOD, True, Circumstances(whole=True, remark_waiting=True))
    assert (kept.outcome, kept.restored) == ("fit kept", False)


def test_only_an_incomplete_check_in_is_made_good_by_a_complete_one() -> None:
    """Neither an out nor another gap restores anything."""
    lapsed = certificate(lapse="LAPSE-CHECKIN-INCOMPLETE")
    known = Circumstances(restorable=True)
    made_good = check_in(lapsed, False, GOOD, True, known)
    assert (made_good.outcome, made_good.restored) == ("fit kept", True)
    gap = Assessment(GOOD.outcomes, (Need("part-missing", None, "Part 2."),))
    out = Assessment({"A": Outcome("A", Verdict.OUT, sentence="A is out.")}, ())
    assert not any(check_in(lapsed, False, bad, True, known).restored for bad in (gap, out))


def test_a_witness_that_nobody_called_is_no_gap() -> None:
    """A marginal rail lapses nothing, also in a closed run; what else is missing does."""
    near = {"A": Outcome("A", Verdict.MARGINAL, sentence="A is near.")}
    alone = check_in(certificate(), True, Assessment(near, (Need("witness", "B", "A is marginal: meter on TP5."),)), True)
    assert (alone.outcome, alone.lapse) == ("returned", None) and "meter on TP5" in alone.sentence
    more = Assessment(near, (Need("witness", "B", "Meter."), Need("part-missing", None, "Part 2.")))
    assert check_in(certificate(), True, more, True).lapse == "LAPSE-CHECKIN-INCOMPLETE"


@pytest.mark.parametrize("asked", ["quick", "plug", "renewal", "full"])
def test_a_run_is_as_deep_as_asked_or_deeper(asked: str) -> None:
    """A renewal holds the plug set; the sheet names the first set; a set of no check-in is never deep enough."""
    steps = ["quick", "plug", "renewal", "full"]
    deep = [name for name in steps if deep_enough(name, asked, POLICY)]
    assert deep == steps[steps.index(asked) :] and not deep_enough("field", asked, POLICY)
