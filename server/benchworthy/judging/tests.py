"""One reading to one outcome: which quantities came out how, and a sentence a person can act on."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchworthy.designs.agent_release import AgentRelease
from benchworthy.designs.sheet import Pattern, Quantity, Sheet, Test
from benchworthy.judging.decision import Verdict, decide, probability_of_conformity, worst
from benchworthy.judging.uncertainty import measure
from benchworthy.reports.report import Reading, Step

SECRETS = "secrets.json"


@dataclass(frozen=True, slots=True)
class QuantityOutcome:
    """One quantity judged: value, U (k = 2) and limits in `unit`."""

    name: str
    unit: str
    value: float
    expanded: float
    low: float
    high: float
    verdict: Verdict
    conformity: float
    source: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """One test judged. `sentence` says what is wrong; it is empty when nothing is."""

    test: str
    verdict: Verdict
    quantities: tuple[QuantityOutcome, ...] = ()
    sentence: str = ""
    draws: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Expected:
    """What the record says a bench should find: the module bound to this serial (None before the first), and the agent."""

    module: str | None
    agent: AgentRelease


def judge_reading(sheet: Sheet, test: Test, reading: Reading, expected: Expected) -> Outcome:
    """Judge one reading by the test's procedure. Never raises: a reading that cannot be evaluated is an error."""
    if reading.not_run is not None:
        return Outcome(test.id, Verdict.NOT_RUN, sentence=f"{test.title}: not run, {reading.not_run}.")
    if reading.error is not None:
        return Outcome(test.id, Verdict.ERROR, sentence=f"{test.title}: error, {reading.error}.")
    match test.procedure:
        case "identity":
            return _identity(test, reading, expected)
        case "files":
            return _files(sheet, test, reading, expected.agent)
        case "checklist":
            return _checklist(test, reading)
        case "meter":
            return _meter(sheet, test, reading)
        case _:
            return _measured(sheet, test, reading)


def _error(test: Test, text: str) -> Outcome:
    return Outcome(test.id, Verdict.ERROR, sentence=f"{test.title}: {text}. Repeat the part.")


def _measured(sheet: Sheet, test: Test, reading: Reading) -> Outcome:
    if reading.steps is None or len(reading.steps) != len(test.steps):
        return _error(test, f"the report holds {len(reading.steps or ())} steps where the sheet has {len(test.steps)}")
    steps = dict(zip(test.steps, reading.steps, strict=True))
    constants = _constants(sheet, test)
    detail = ""
    if test.procedure == "walk":
        wrong = _walk_faults(test, reading.steps, sheet.patterns.get(test.id, ()))
        constants["mismatches"] = float(len(wrong))
        detail = "; ".join(wrong[:6])
    return _judge(test, steps, constants, detail)


def _meter(sheet: Sheet, test: Test, reading: Reading) -> Outcome:
    if reading.number is None:
        return _error(test, "the answer is no number")
    return _judge(test, {}, {**_constants(sheet, test), "reading": reading.number}, "")


def _constants(sheet: Sheet, test: Test) -> dict[str, float]:
    values = {ref: part.value for ref, part in sheet.parts.items() if part.value is not None}
    return {**values, **test.constants}


def _judge(test: Test, steps: Mapping[str, Step], constants: Mapping[str, float], detail: str) -> Outcome:
    try:
        outcomes = tuple(_quantity(quantity, steps, constants) for quantity in test.quantities)
    except ZeroDivisionError:
        return Outcome(
            test.id,
            Verdict.OUT,
            sentence=f"{test.title}: a reading the formula divides by is zero, so nothing can be computed. {test.next}",
        )
    verdict = worst([outcome.verdict for outcome in outcomes])
    if verdict is Verdict.IN_LIMITS:
        return Outcome(test.id, verdict, outcomes)
    first = next(outcome for outcome in outcomes if outcome.verdict is verdict)
    told = f" ({detail})" if detail else ""
    sentence = (
        f"{test.title}: {first.name} is {first.value:.4g} {first.unit}, "
        f"{verdict} against {first.low:g} to {first.high:g} (U {first.expanded:.2g}){told}. {test.next}"
    )
    return Outcome(test.id, verdict, outcomes, sentence)


def _quantity(quantity: Quantity, steps: Mapping[str, Step], constants: Mapping[str, float]) -> QuantityOutcome:
    result = measure(quantity, steps, constants)
    return QuantityOutcome(
        quantity.name,
        quantity.unit,
        result.value,
        result.expanded,
        quantity.low,
        quantity.high,
        decide(result.value, result.expanded, quantity.low, quantity.high),
        probability_of_conformity(result.value, result.standard, quantity.low, quantity.high),
        quantity.source,
    )


def _walk_faults(test: Test, steps: tuple[Step, ...], patterns: tuple[Pattern, ...]) -> list[str]:
    """Which pins read otherwise than on a sound board, in words; a missing pattern counts as a fault of the sheet."""
    if len(patterns) != len(steps):
        return ["the sheet has no healthy pattern for this walk; compute it from the circuit"]
    ports = test.parameters["ports"]
    wrong = []
    for name, step, pattern in zip(test.steps, steps, patterns, strict=True):
        difference = (step.least ^ pattern.expected) & pattern.care
        pins = [str(port) for bit, port in enumerate(ports) if difference >> bit & 1]
        if pins:
            wrong.append(f"{name.replace('_', ' ')}: {', '.join(pins)}")
    return wrong


def _identity(test: Test, reading: Reading, expected: Expected) -> Outcome:
    if expected.module is None or reading.text == expected.module:
        return Outcome(test.id, Verdict.IN_LIMITS)
    return Outcome(
        test.id,
        Verdict.OUT,
        sentence=f"{test.title}: the module says {reading.text}, the record says {expected.module}. {test.next}",
    )


def _files(sheet: Sheet, test: Test, reading: Reading, release: AgentRelease) -> Outcome:
    found = {path: value for path, value in (reading.items or {}).items() if path not in sheet.state_files}
    wrong = []
    if SECRETS in found:
        wrong.append(f"{SECRETS} of some network is on the board")
    wrong += [f"{path} does not belong there" for path in sorted(set(found) - set(release.files) - {SECRETS})]
    wrong += [f"{path} is missing" for path in sorted(set(release.files) - set(found))]
    wrong += [
        f"{path} is changed" for path in sorted(release.files) if path in found and not _same(found[path], release.files[path])
    ]
    if not wrong:
        return Outcome(test.id, Verdict.IN_LIMITS)
    more = f" and {len(wrong) - 5} more" if len(wrong) > 5 else ""
    return Outcome(test.id, Verdict.OUT, sentence=f"{test.title}: {'; '.join(wrong[:5])}{more}. {test.next}")


def _checklist(test: Test, reading: Reading) -> Outcome:
    answers = reading.items or {}
    missing = [item for item in test.parameters["items"] if item not in answers]
    if missing:
        return Outcome(test.id, Verdict.NOT_RUN, sentence=f"{test.title}: not answered: {', '.join(missing)}.")
    failed = [f"{item}: {answers[item]}" for item in test.parameters["items"] if answers[item] != "good"]
    if failed:
        return Outcome(test.id, Verdict.OUT, sentence=f"{test.title}: {'; '.join(failed)}. {test.next}")
    return Outcome(test.id, Verdict.IN_LIMITS)


def _same(read: str, approved: str) -> bool:
    """A bench short of room in its report sends the first half of each SHA-256; 128 bits still name the file."""
    return read in (approved, approved[:32])
