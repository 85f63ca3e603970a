"""The sheet: what one board design at one revision is built of, and how it is tested and judged."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from benchworthy.designs.effort import Effort
from benchworthy.designs.formula import Formula
from benchworthy.designs.parts import Part
from benchworthy.reports.report import Author


class Shape(StrEnum):
    """How an uncertainty term is spread: limits of a rectangle, or one standard deviation."""

    RECTANGULAR = "rectangular"
    NORMAL = "normal"


class Counts(StrEnum):
    """When a test decides anything: always, only in a run in which it was run, or never (recorded only)."""

    ALWAYS = "always"
    WHEN_RUN = "when run"
    NEVER = "never"


class Driver(StrEnum):
    """What carries out the board's tests: the agent on it, or the bench, for a board too small for an agent."""

    AGENT = "agent"
    BENCH = "bench"


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
    """One number a test yields: formula, unit, tolerance (never widened by U) with its source, uncertainty terms.

    A limit that the part or the promise does not have is None.
    """

    name: str
    unit: str
    formula: Formula
    low: float | None
    high: float | None
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
class Phase:
    """A stretch of a run with the same things plugged in, and what a person does before it besides fitting those."""

    name: str
    fixtures: tuple[str, ...]
    action: str
    ask: str


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the build, and what is otherwise in a run while the parts of later stages are missing.

    `repeat` are tests of earlier stages that are run again, as the new parts can disturb what they look at. `loose` are ports
    that a walk cannot decide yet. `instead` gives, by test and quantity, the exact count of a board built this far, or None
    for what is not there to be measured.
    """

    number: int
    title: str
    critical: str = ""
    before_power: str = ""
    first_power: str = ""
    expected: str = ""
    repeat: tuple[str, ...] = ()
    loose: tuple[str, ...] = ()
    instead: Mapping[str, Mapping[str, float | None]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Test:
    """One test of the sheet. `guards` names the harm that it stands against, for which nobody may let it go."""

    id: str
    title: str
    stage: int
    author: Author
    sets: frozenset[str]
    needs: frozenset[str]
    phase: str
    action: str
    counts: Counts
    covered_by: str | None
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
    guards: str = ""


@dataclass(frozen=True, slots=True)
class Pattern:
    """What a walk must read in one step: the healthy bits, and which bits a sound board decides for certain."""

    expected: int
    care: int


@dataclass(frozen=True, slots=True)
class Policy:
    """The coordinator's choices, not a standard's: how old a run may be, how long a certificate is good, run expiry.

    `first_set` carries any certificate, `renewal_set` only one after another of the same module.
    """

    run_age_days: int
    certificate_days: int
    run_hours: int
    first_set: str = "full"
    renewal_set: str = "renewal"


@dataclass(frozen=True, slots=True)
class Sheet:
    """One design at one revision. `name` is id-revision in lower case."""

    id: str
    revision: str
    title: str
    catalogue: int
    module: str
    driver: Driver
    parts: Mapping[str, Part]
    conditions: Mapping[str, tuple[Part, ...]]
    fixtures: Mapping[str, tuple[Part, ...]]
    ports: Mapping[str, Port]
    phases: tuple[Phase, ...]
    tests: Mapping[str, Test]
    sets: Mapping[str, str]
    policy: Policy
    state_files: Mapping[str, int]
    patterns: Mapping[str, tuple[Pattern, ...]]
    judging_hash: str
    guide_hash: str
    accessories: Mapping[str, int]  # what is lent with the board, and how many of each
    stages: Mapping[int, Stage] = field(default_factory=dict)
    effort: Mapping[str, Effort] = field(default_factory=dict)

    @property
    def name(self) -> str:
        return f"{self.id}-{self.revision.lower()}"

    @property
    def coverage(self) -> str:
        """How much of the trade's catalogue for this board the sheet tests; printed on every certificate."""
        return f"{len(self.tests)} of the {self.catalogue} tests of the catalogue"

    def tests_of(self, test_set: str, author: Author | None = None) -> tuple[Test, ...]:
        """The tests of a set in the sheet's order, of one author if given."""
        return tuple(t for t in self.tests.values() if self.holds(test_set, t) and (author is None or t.author is author))

    def holds(self, test_set: str, test: Test) -> bool:
        """Whether a test belongs to a set. The set of a stage: its own tests of the first set, and those it repeats."""
        reached = stage_of(test_set)
        if reached is None:
            return test_set in test.sets
        stage = self.stages.get(reached)
        mine = stage is not None and (test.stage == reached or test.id in stage.repeat)
        return mine and self.policy.first_set in test.sets

    @property
    def stage_sets(self) -> tuple[str, ...]:
        """The sets of half-built boards; none of them ever certifies."""
        return tuple(stage_set(number) for number in sorted(self.stages))

    def state_limit(self, path: str) -> int | None:
        """The largest size of a file that may change on the board, by name or as `folder/*`; None for any other file."""
        folder, slash, name = path.rpartition("/")
        pattern = f"{folder}/*" if slash and name else path
        return self.state_files.get(path, self.state_files.get(pattern))


STAGE_SET = "stage-"


def stage_set(number: int) -> str:
    """The name of the set of a board built up to this stage."""
    return f"{STAGE_SET}{number}"


def stage_of(test_set: str) -> int | None:
    """The stage of such a set; None for any other."""
    number = test_set.removeprefix(STAGE_SET)
    return int(number) if number != test_set and number.isascii() and number.isdigit() and len(number) < 3 else None


# Of a report's payload: one step, the frame of one reading, and all readings together.
STEP_BYTES, NAME_BYTES, ROOM_BYTES = 42, 26, 2200


@dataclass(frozen=True, slots=True)
class PartPlan:
    """One part of a run's evidence: who delivers it, its number among that author's parts, its tests.

    `fixtures` are those of the phase that some test of the whole set needs.
    """

    author: Author
    number: int
    tests: tuple[str, ...]
    phase: str
    fixtures: tuple[str, ...]


def parts_of(sheet: Sheet, test_set: str) -> tuple[PartPlan, ...]:
    """The signed parts a run of this set needs, in the order of the phases; numbers run on over phases.

    The file list of a board is long, so it has a part of its own. Operator and inspector answer test by test and have no
    part here.
    """
    needed = frozenset(need for test in sheet.tests_of(test_set) for need in test.needs)
    board, bench = sheet.tests_of(test_set, Author.BOARD), sheet.tests_of(test_set, Author.BENCH)
    groups = {
        Author.BOARD: [*_by_phase(sheet, board)],
        Author.BENCH: [
            *_by_phase(sheet, [test for test in bench if test.procedure != "files"]),
            *_by_phase(sheet, [test for test in bench if test.procedure == "files"]),
        ],
    }
    return tuple(
        PartPlan(author, number, tuple(t.id for t in tests), phase.name, tuple(f for f in phase.fixtures if f in needed))
        for author, dealt in groups.items()
        for number, (phase, tests) in enumerate(dealt, start=1)
    )


def _by_phase(sheet: Sheet, tests: Sequence[Test]) -> Iterable[tuple[Phase, list[Test]]]:
    """Tests phase by phase, each phase cut wherever the readings would grow too long for one report."""
    for phase in sheet.phases:
        held: list[Test] = []
        for test in (t for t in tests if t.phase == phase.name):
            if held and _bytes([*held, test]) > ROOM_BYTES:
                yield phase, held
                held = []
            held.append(test)
        if held:
            yield phase, held


def _bytes(tests: Iterable[Test]) -> int:
    return sum(NAME_BYTES + len(test.id) + STEP_BYTES * max(1, len(test.steps)) for test in tests)
