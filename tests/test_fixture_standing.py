"""What vouches for a fixture and what puts it in doubt, to the moment: the pure rules, without a service."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchworthy.desk import fixtures
from benchworthy.desk.facts import Recall
from benchworthy.desk.fixtures import CHECKED_FOR, Check, Fixture, FixtureHold, Way
from benchworthy.desk.recall import lapses

DAWN = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
TICK = timedelta(microseconds=1)


def good(since: datetime, virtual: bool = False) -> Check:
    return Check(Way.RUN, True, since, since + CHECKED_FOR, "agrees", "T4", since, run="r-1", virtual=virtual)


def bad(since: datetime | None, at: datetime) -> Check:
    return Check(Way.FAULT, False, since, at, "a pin is bent", "T4", at)


def plug(hold: FixtureHold | None = None) -> Fixture:
    return Fixture("TP-4:TP4-0007", "TP-4", "trial", DAWN, hold)


def codes(checks: Iterable[Check], opened: datetime, hold: FixtureHold | None = None, virtual: bool = False) -> list[str]:
    return [unmet.code for unmet in fixtures.unmet_for_certificate(plug(hold), checks, opened, virtual)]


@pytest.mark.parametrize(
    ("opened", "covered"),
    [(-TICK, False), (timedelta(), True), (CHECKED_FOR - TICK, True), (CHECKED_FOR, False)],
    ids=["just before", "at the check", "last moment", "a day after"],
)
def test_a_good_check_covers_from_its_run_up_to_a_day_later(opened: timedelta, covered: bool) -> None:
    """Its first moment counts, the one at which it ends does not."""
    assert codes([good(DAWN)], DAWN + opened) == ([] if covered else ["fixture-not-checked"])


@pytest.mark.parametrize(
    ("opened", "doubted"),
    [(-TICK, False), (timedelta(), True), (timedelta(hours=4), True), (timedelta(hours=4) + TICK, False)],
    ids=["before the last good check", "at it", "when it was found", "after"],
)
def test_a_fault_puts_in_doubt_all_since_the_last_good_check_that_moment_included(opened: timedelta, doubted: bool) -> None:
    """A run opened at exactly the last good check rests on it, and one opened when the fault was recorded as well."""
    day_before, found = good(DAWN - timedelta(hours=2)), DAWN + timedelta(hours=4)
    checks = [good(DAWN), day_before]
    checks.append(bad(fixtures.doubt_from(checks, found), found))
    assert codes(checks, DAWN + opened) == (["fixture-found-faulty"] if doubted else [])


def test_a_fixture_never_checked_is_in_doubt_since_ever() -> None:
    """No good check, no beginning of the doubt."""
    assert fixtures.doubt_from([], DAWN) is None
    assert codes([bad(None, DAWN)], DAWN - timedelta(days=4000)) == ["fixture-found-faulty"]


def test_the_last_good_check_is_the_last_before_the_finding() -> None:
    """A later one, of a day that was entered first, does not shorten the doubt."""
    assert fixtures.doubt_from([good(DAWN), good(DAWN + timedelta(hours=3))], DAWN + timedelta(hours=1)) == DAWN


def test_a_held_fixture_certifies_nothing_even_where_nothing_is_in_doubt() -> None:
    """A run of the day before, checked then: wait until it is known what became of the fixture."""
    hold = FixtureHold(1, "a pin is bent", "T4", DAWN + timedelta(hours=30))
    assert codes([good(DAWN)], DAWN, hold) == ["fixture-held"]
    assert [u.code for u in fixtures.unmet_for_use(plug(hold), False)] == ["fixture-held"]
    assert fixtures.unmet_for_use(plug(hold), True) == () == fixtures.unmet_for_use(plug(), False)


def test_a_check_on_a_simulation_vouches_for_simulations_only() -> None:
    """Whatever it found, no real board was held against it."""
    assert codes([good(DAWN, virtual=True)], DAWN) == ["fixture-not-checked"]
    assert codes([good(DAWN, virtual=True)], DAWN, virtual=True) == codes([good(DAWN)], DAWN, virtual=True) == []


def test_a_hold_is_released_by_a_good_check_that_began_after_it() -> None:
    """Not by one from before it, nor by one after which it was found faulty once more."""
    hold = FixtureHold(1, "a pin is bent", "T4", DAWN)

    def held(*checks: Check) -> list[str]:
        return [unmet.code for unmet in fixtures.unmet_to_release(plug(hold), checks)]

    assert held(good(DAWN - TICK), bad(None, DAWN)) == ["good-check-wanted"]
    assert held(good(DAWN), bad(None, DAWN)) == []
    later = DAWN + timedelta(hours=1)
    assert held(bad(DAWN, later), good(DAWN)) == ["good-check-wanted"]
    assert held(good(later + TICK), bad(DAWN, later), good(DAWN)) == []
    assert [unmet.code for unmet in fixtures.unmet_to_release(plug(), [good(DAWN)])] == ["not-held"]


def test_its_state_in_a_word() -> None:
    """Good while vouched for, check due before and after, held while it is."""
    hold = FixtureHold(1, "a pin is bent", "T4", DAWN)
    assert fixtures.standing(plug(), [good(DAWN)], DAWN) == "good"
    assert fixtures.standing(plug(), [good(DAWN)], DAWN + CHECKED_FOR) == "check due"
    assert fixtures.standing(plug(), [], DAWN) == "check due"
    assert fixtures.standing(plug(hold), [good(DAWN)], DAWN) == "held"
    assert fixtures.standing(plug(), [good(DAWN, virtual=True)], DAWN) == "good for virtual boards"
    assert fixtures.due([]) is None and fixtures.due([good(DAWN)]) == DAWN + CHECKED_FOR
    assert fixtures.due([bad(DAWN, DAWN + TICK), good(DAWN)]) is None


@pytest.mark.parametrize(("kind", "names", "missing"), [("TP-4", ("TP-4:A",), 0), ("TP-4", ("M-1:A",), 1), ("meter", (), 1)])
def test_a_kind_that_was_used_has_to_be_named(kind: str, names: tuple[str, ...], missing: int) -> None:
    """By kind, not by serial number."""
    assert len(fixtures.unnamed([kind], names, "r-1")) == missing


MOMENTS = st.integers(min_value=0, max_value=10).map(lambda hour: DAWN + timedelta(hours=6 * hour))
EVENTS = st.lists(st.tuples(MOMENTS, st.booleans()), max_size=8)


@given(EVENTS, MOMENTS)
def test_no_run_is_certified_between_its_last_good_check_and_a_finding(
    events: list[tuple[datetime, bool]], opened: datetime
) -> None:
    """Whatever came in which order: what certifies has a good check at most a day before and no later finding that reaches it."""
    checks: list[Check] = []
    for at, is_good in sorted(events):
        checks.append(good(at) if is_good else bad(fixtures.doubt_from(checks, at), at))
    if codes(checks, opened):
        return
    vouching = [c for c in checks if c.good and c.since is not None and opened - CHECKED_FOR < c.since <= opened]
    assert vouching
    for finding in (c for c in checks if not c.good and c.at >= opened):
        between = [c for c in checks if c.good and c.since is not None and opened < c.since < finding.at]
        assert between, "a good check stands between the run and what was found later"


def test_a_recall_reaches_certificates_up_to_its_moment() -> None:
    """One issued in the same instant falls; one issued later was issued knowing of it; an ended recall reaches none."""
    recall = Recall(1, "tarn-b", "R30", "C1", DAWN)
    assert lapses(recall, DAWN - TICK) and lapses(recall, DAWN)
    assert not lapses(recall, DAWN + TICK) and not lapses(None, DAWN)
    assert not lapses(Recall(1, "tarn-b", "R30", "C1", DAWN, DAWN + TICK), DAWN)
