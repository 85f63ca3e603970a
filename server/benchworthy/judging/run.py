"""A run judged provisionally: every test's outcome, what is still needed, and whether the run is complete.

A run with anything still needed is incomplete: it never certifies, and what is missing is no failure. But an out that
arrived counts as out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import Counts, PartPlan, Sheet, Test, parts_of
from benchworthy.judging.decision import Verdict, worst
from benchworthy.judging.draws import Draw, plain_answer, right_answer
from benchworthy.judging.tests import Expected, Outcome, judge_reading
from benchworthy.reports.report import Author, Reading


@dataclass(frozen=True, slots=True)
class Evidence:
    """What has arrived for a run: signed parts by author and number, answers by person, and the draws."""

    parts: Mapping[tuple[Author, int], tuple[Reading, ...]]
    answers: tuple[Reading, ...] = ()
    draws: tuple[Draw, ...] = ()


@dataclass(frozen=True, slots=True)
class Need:
    """One thing the run still lacks. `about` are the tests that call for it: of a witness the marginal, not the witness."""

    code: str
    test: str | None
    what: str
    about: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Assessment:
    """A run as it stands: outcomes by test, what is still needed, and the tests that decide nothing in this run.

    `waived` are tests that a coordinator let go and that are not in limits here; they keep their outcomes.
    """

    outcomes: Mapping[str, Outcome]
    needs: tuple[Need, ...]
    idle: frozenset[str] = frozenset()
    waived: frozenset[str] = frozenset()

    @property
    def complete(self) -> bool:
        return not self.needs

    @property
    def verdict(self) -> Verdict | None:
        """The worst verdict of the tests that arrived; None when nothing did."""
        silent = self.idle | self.waived
        counting = [outcome.verdict for outcome in self.outcomes.values() if outcome.test not in silent]
        return worst(counting) if counting else None

    def with_verdict(self, *verdicts: Verdict) -> tuple[Outcome, ...]:
        """The outcomes that decide something and have one of these verdicts."""
        silent = self.idle | self.waived
        return tuple(o for o in self.outcomes.values() if o.verdict in verdicts and o.test not in silent)

    def without(self, tests: frozenset[str]) -> "Assessment":
        """The same run with these tests let go: where they are out, marginal, not run or missing, that decides nothing."""
        off = frozenset(test for test in tests - self.idle if not self._good(test)) | (tests & frozenset(self._lacking()))
        needs = tuple(need for need in self.needs if not need.about or not tests.issuperset(need.about))
        return replace(self, needs=needs, waived=off)

    def _good(self, test: str) -> bool:
        outcome = self.outcomes.get(test)
        return outcome is None or outcome.verdict is Verdict.IN_LIMITS

    def _lacking(self) -> tuple[str, ...]:
        return tuple(test for need in self.needs for test in need.about)


def assess(sheet: Sheet, test_set: str, evidence: Evidence, expected: Expected) -> Assessment:
    """Judge what is there and list what is not. Raises nothing: every arrival has been through the gate."""
    outcomes: dict[str, Outcome] = {}
    needs: list[Need] = []
    if test_set not in sheet.sets and test_set not in sheet.stage_sets:
        needs.append(Need("set-unknown", None, f"The sheet has no set {test_set}; open a new run."))
    for part in parts_of(sheet, test_set):
        needs += _judge_part(sheet, part, evidence, expected, outcomes)
    for author in (Author.OPERATOR, Author.INSPECTOR):
        for test in _asked(sheet, test_set, author, evidence):
            needs += _judge_answers(sheet, test, evidence, expected, outcomes)
    settled = {name: _settle(sheet, outcome, outcomes) for name, outcome in outcomes.items()}
    needs += [need for outcome in settled.values() if (need := _witness_needed(sheet, outcome, outcomes))]
    idle = frozenset(name for name, outcome in settled.items() if decides_nothing(sheet.tests[name], outcome.verdict))
    return Assessment(settled, tuple(needs), idle)


def decides_nothing(test: Test, verdict: Verdict) -> bool:
    """Whether a test leaves no gap and no verdict: recorded only, or of the kind that may be left out and was."""
    return test.counts is Counts.NEVER or (test.counts is Counts.WHEN_RUN and verdict is Verdict.NOT_RUN)


def restated(sheet: Sheet, test_set: str, evidence: Evidence) -> Evidence:
    """Evidence as it would have come in the parts of another sheet or set, each reading to its test's own author."""
    given = {(author, reading.test): reading for (author, _), readings in evidence.parts.items() for reading in readings}
    parts = {}
    for part in parts_of(sheet, test_set):
        parts[part.author, part.number] = tuple(given[part.author, t] for t in part.tests if (part.author, t) in given)
    return Evidence(parts, tuple(a for a in evidence.answers if a.test in sheet.tests), evidence.draws)


def _asked(sheet: Sheet, test_set: str, author: Author, evidence: Evidence) -> list[Test]:
    """A person's tests of the set, and any other they answered: a witness stands outside the smaller sets."""
    answered = {answer.test for answer in evidence.answers}
    return [t for t in sheet.tests.values() if t.author is author and (sheet.holds(test_set, t) or t.id in answered)]


def _judge_part(sheet: Sheet, part: PartPlan, evidence: Evidence, expected: Expected, outcomes: dict[str, Outcome]) -> list[Need]:
    readings = evidence.parts.get((part.author, part.number))
    if readings is None:
        return [Need("part-missing", None, f"Part {part.number} of the {part.author}: {', '.join(part.tests)}.", part.tests)]
    by_test = {reading.test: reading for reading in readings}
    needs = []
    for test in part.tests:
        if test not in by_test:
            needs.append(Need("test-missing", test, f"{sheet.tests[test].title} is not in the {part.author}'s part.", (test,)))
            continue
        outcome = judge_reading(sheet, sheet.tests[test], by_test[test], expected)
        outcomes[test] = outcome
        if outcome.verdict in (Verdict.NOT_RUN, Verdict.ERROR) and not decides_nothing(sheet.tests[test], outcome.verdict):
            needs.append(Need("test-not-run", test, outcome.sentence, (test,)))
    return needs


def _judge_answers(sheet: Sheet, test: Test, evidence: Evidence, expected: Expected, outcomes: dict[str, Outcome]) -> list[Need]:
    answers = [answer for answer in evidence.answers if answer.test == test.id]
    if not answers:
        return [Need("answer-missing", test.id, f"{test.author}: {test.ask}", (test.id,))]
    if PROCEDURES[test.procedure].drawn:
        return _judge_drawn(test, answers, evidence.draws, outcomes)
    outcome = judge_reading(sheet, test, answers[-1], expected)
    outcomes[test.id] = outcome
    lacking = outcome.verdict in (Verdict.NOT_RUN, Verdict.ERROR)
    return [Need("test-not-run", test.id, outcome.sentence, (test.id,))] if lacking else []


def _judge_drawn(test: Test, answers: Sequence[Reading], draws: Sequence[Draw], outcomes: dict[str, Outcome]) -> list[Need]:
    """A wrong answer is asked once more with a new draw; both answers stay, two wrong are out."""
    drawn = {draw.number: right_answer(test.procedure, draw.stimulus) for draw in draws if draw.test == test.id}
    told = tuple(f"draw {a.draw}: answered {a.text}" for a in answers)
    if any(plain_answer(answer.text) == drawn.get(answer.draw) for answer in answers):
        outcomes[test.id] = Outcome(test.id, Verdict.IN_LIMITS, draws=told)
        return []
    if len(answers) < 2:
        told_again = f"{test.title}: the answer was wrong; it is asked once more with a new draw."
        return [Need("second-draw", test.id, told_again, (test.id,))]
    sentence = f"{test.title}: answered wrongly twice ({'; '.join(told)}). {test.next}"
    outcomes[test.id] = Outcome(test.id, Verdict.OUT, sentence=sentence, draws=told)
    return []


def _settle(sheet: Sheet, outcome: Outcome, outcomes: Mapping[str, Outcome]) -> Outcome:
    """A marginal whose better witness is in limits in the same run counts as in limits, and says so."""
    test = sheet.tests[outcome.test]
    witness = test.better_witness
    if test.counts is Counts.NEVER and outcome.sentence:
        return replace(outcome, sentence=f"Recorded only, decides nothing. {outcome.sentence}")
    if outcome.verdict is not Verdict.MARGINAL or witness is None or witness not in outcomes:
        return outcome
    if outcomes[witness].verdict is not Verdict.IN_LIMITS:
        return outcome
    return replace(outcome, verdict=Verdict.IN_LIMITS, sentence=f"Marginal by itself; settled by {witness}, in limits.")


def _witness_needed(sheet: Sheet, outcome: Outcome, outcomes: Mapping[str, Outcome]) -> Need | None:
    witness = sheet.tests[outcome.test].better_witness
    if outcome.verdict is not Verdict.MARGINAL or witness is None or witness in outcomes:
        return None
    return Need("witness", witness, f"{outcome.test} is marginal: {sheet.tests[witness].ask}", (outcome.test,))


__all__ = ["Assessment", "Draw", "Evidence", "Need", "assess", "decides_nothing", "restated"]
