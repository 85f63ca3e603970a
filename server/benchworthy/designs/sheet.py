"""The sheet: what one board design at one revision is built of, and how it is tested and judged."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from benchworthy.designs.formula import Formula
from benchworthy.designs.parts import Part
from benchworthy.reports.report import Author


class Shape(StrEnum):
    """How an uncertainty term is spread: limits of a rectangle, or one standard deviation."""

    RECTANGULAR = "rectangular"
    NORMAL = "normal"


@dataclass(frozen=True, slots=True)
class Term:
    """One type B term: the input it belongs to, its amount (relative, or in the input's own unit) and its shape.

    The input `codes` stands for every step of the formula, in ADC codes.
    """

    input: str
    amount: float
    relative: bool
    shape: Shape


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number a test yields: formula, unit, tolerance (never widened by U) with its source, uncertainty terms."""

    name: str
    unit: str
    formula: Formula
    low: float
    high: float
    source: str
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True)
class Port:
    """A name the tests use for a module pin, what the pin does, and the state in which it is safe."""

    name: str
    pin: int
    does: str
    rest: int | None


@dataclass(frozen=True, slots=True)
class Test:
    """One test of the sheet."""

    id: str
    title: str
    stage: int
    author: Author
    sets: frozenset[str]
    needs: frozenset[str]
    before_plug: bool
    procedure: str
    parameters: Mapping[str, Any]
    steps: tuple[str, ...]
    constants: Mapping[str, float]
    quantities: tuple[Quantity, ...]
    better_witness: str | None
    hazard: str
    caution: str
    ask: str
    next: str


@dataclass(frozen=True, slots=True)
class Pattern:
    """What a walk must read in one step: the healthy bits, and which bits a sound board decides for certain."""

    expected: int
    care: int


@dataclass(frozen=True, slots=True)
class Policy:
    """The coordinator's choices, not a standard's: how old a run may be, how long a certificate is good, run expiry."""

    run_age_days: int
    certificate_days: int
    run_hours: int


@dataclass(frozen=True, slots=True)
class Sheet:
    """One design at one revision. `name` is id-revision in lower case."""

    id: str
    revision: str
    title: str
    catalogue: int
    module: str
    parts: Mapping[str, Part]
    conditions: Mapping[str, tuple[Part, ...]]
    fixtures: Mapping[str, tuple[Part, ...]]
    ports: Mapping[str, Port]
    tests: Mapping[str, Test]
    sets: Mapping[str, str]
    policy: Policy
    state_files: Mapping[str, int]
    patterns: Mapping[str, tuple[Pattern, ...]]
    judging_hash: str
    guide_hash: str

    @property
    def name(self) -> str:
        return f"{self.id}-{self.revision.lower()}"

    @property
    def coverage(self) -> str:
        """How much of the trade's catalogue for this board the sheet tests; printed on every certificate."""
        return f"{len(self.tests)} of the {self.catalogue} tests of the catalogue"

    def tests_of(self, test_set: str, author: Author | None = None) -> tuple[Test, ...]:
        """The tests of a set in the sheet's order, of one author if given."""
        return tuple(test for test in self.tests.values() if test_set in test.sets and (author is None or test.author is author))


@dataclass(frozen=True, slots=True)
class PartPlan:
    """One part of a run's evidence: who delivers it, its number among that author's parts, and its tests."""

    author: Author
    number: int
    tests: tuple[str, ...]


def parts_of(sheet: Sheet, test_set: str) -> tuple[PartPlan, ...]:
    """The signed parts a run of this set needs. What must see an empty board comes first.

    Operator and inspector answer test by test and have no part here.
    """
    board = sheet.tests_of(test_set, Author.BOARD)
    groups = [tuple(t.id for t in board if t.before_plug), tuple(t.id for t in board if not t.before_plug)]
    plans = [PartPlan(Author.BOARD, number, tests) for number, tests in enumerate(groups, start=1) if tests]
    bench = tuple(t.id for t in sheet.tests_of(test_set, Author.BENCH))
    if bench:
        plans.append(PartPlan(Author.BENCH, 1, bench))
    return tuple(plans)
