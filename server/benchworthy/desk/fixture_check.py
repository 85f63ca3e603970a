"""A morning check: what a fixture shows on the reference board today against that board's record."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchworthy.designs.sheet import Sheet, Test
from benchworthy.desk.moved import Measured
from benchworthy.judging.decision import Verdict
from benchworthy.judging.run import Assessment


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity then and now. They agree when they differ by at most `allowed`, both U (k = 2) as a root of squares."""

    test: str
    quantity: str
    unit: str
    then: float
    now: float
    allowed: float
    agrees: bool


@dataclass(frozen=True, slots=True)
class Comparison:
    """The outcome. `missing` are tests of this fixture that the run does not have; unless it `disagrees` it then says nothing."""

    good: bool
    disagrees: bool
    told: str
    compared: tuple[Compared, ...]
    missing: tuple[str, ...]


def tests_with(sheet: Sheet, test_set: str, kind: str) -> tuple[Test, ...]:
    """The tests of the set that use fixtures of this kind."""
    return tuple(test for test in sheet.tests_of(test_set) if kind in test.needs)


def compare(name: str, tests: Sequence[Test], then: Assessment, now: Assessment) -> Comparison:
    """Every quantity agrees with the record and every test is in limits, or the fixture is not good.

    What is out or disagrees counts also when the rest has not arrived. Tests that decide nothing are left aside.
    """
    there = [test for test in tests if test.id not in now.idle]
    missing = tuple(test.id for test in there if not _arrived(test, now))
    compared = tuple(pair for test in there for pair in _pairs(test, then, now))
    wrong = [_outside(now, test) for test in there if _arrived(test, now) and _outside(now, test)]
    wrong += [_disagrees(pair) for pair in compared if not pair.agrees]
    if wrong:
        return Comparison(False, True, f"{name} is not in order: " + " ".join(wrong), compared, missing)
    largest = max((abs(p.now - p.then) / p.allowed for p in compared if p.allowed > 0), default=0.0)
    told = f"{name} agrees with the record: {len(there)} tests, the largest step {largest:.0%} of what both U allow."
    return Comparison(not missing and bool(there), False, told, compared, missing)


def _arrived(test: Test, now: Assessment) -> bool:
    outcome = now.outcomes.get(test.id)
    return outcome is not None and outcome.verdict not in (Verdict.NOT_RUN, Verdict.ERROR)


def _outside(now: Assessment, test: Test) -> str:
    outcome = now.outcomes[test.id]
    return "" if outcome.verdict is Verdict.IN_LIMITS else (outcome.sentence or f"{test.id} is {outcome.verdict}.")


def _pairs(test: Test, then: Assessment, now: Assessment) -> list[Compared]:
    before, after = _measured(test, then), _measured(test, now)
    pairs = []
    for quantity, old in before.items():
        new = after.get(quantity)
        if new is None or new.unit != old.unit:
            continue
        allowed = (old.expanded**2 + new.expanded**2) ** 0.5
        agrees = abs(new.value - old.value) <= allowed
        pairs.append(Compared(test.id, quantity, old.unit, old.value, new.value, allowed, agrees))
    return pairs


def _measured(test: Test, run: Assessment) -> Mapping[str, Measured]:
    outcome = run.outcomes.get(test.id)
    return {q.name: Measured(q.value, q.expanded, q.unit) for q in outcome.quantities} if outcome else {}


def _disagrees(pair: Compared) -> str:
    step, unit = pair.now - pair.then, f" {pair.unit}" if pair.unit else ""
    return (
        f"{pair.test}: {pair.quantity} is {pair.now:.5g}{unit} against {pair.then:.5g} on record, "
        f"a step of {step:+.2g} where both U allow {pair.allowed:.2g}."
    )
