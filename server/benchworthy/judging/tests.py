"""One reading to one outcome: which quantities came out how, and a sentence a person can act on."""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from benchworthy.designs.agent_release import AgentRelease
from benchworthy.designs.sheet import Pattern, Quantity, Sheet, Test
from benchworthy.judging.decision import Verdict, decide, probability_of_conformity, worst
from benchworthy.judging.uncertainty import measure
from benchworthy.reports.report import Reading, Step

SECRETS = "secrets.json"
RELEASE_ITEM, MISSING = "release", "missing"  # item that holds one hash over all files of the agent; value of an absent file


@dataclass(frozen=True, slots=True)
class QuantityOutcome:
    """One quantity judged: value, U (k = 2) and limits in `unit`; None where there is no limit on that side.

    `common` is the share of u that the board's own parts bring, by part and with its sign.
    """

    name: str
    unit: str
    value: float
    expanded: float
    low: float | None
    high: float | None
    verdict: Verdict
    conformity: float
    source: str
    common: tuple[tuple[str, float], ...] = ()


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
    return _judge(test, steps, constants, detail, sheet.parts)


def _meter(sheet: Sheet, test: Test, reading: Reading) -> Outcome:
    """One number for a test of one quantity, or a number as text for each quantity by name."""
    numbers = {q.name: reading.number for q in test.quantities} if reading.items is None else _numbers(reading.items)
    missing = [q.name for q in test.quantities if q.name not in numbers]
    if missing:
        return Outcome(test.id, Verdict.NOT_RUN, sentence=f"{test.title}: not answered: {', '.join(missing)}.")
    if any(numbers[q.name] is None for q in test.quantities):
        return _error(test, "the answer is no number")
    constants = _constants(sheet, test)
    by_name = {name: {**constants, "reading": number} for name, number in numbers.items() if number is not None}
    return _told(test, tuple(_quantity(quantity, {}, by_name[quantity.name]) for quantity in test.quantities), "")


def _numbers(items: Mapping[str, str]) -> dict[str, float | None]:
    return {name: _number(text) for name, text in items.items()}


def _number(text: str) -> float | None:
    """A finite number as people type it, decimal point or comma; None for anything else."""
    try:
        number = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _constants(sheet: Sheet, test: Test) -> dict[str, float]:
    values = {ref: part.value for ref, part in sheet.parts.items() if part.value is not None}
    return {**values, **test.constants}


def _judge(test: Test, steps: Mapping[str, Step], constants: Mapping[str, float], detail: str, own: Collection[str]) -> Outcome:
    try:
        outcomes = tuple(_quantity(quantity, steps, constants, own) for quantity in test.quantities)
    except ZeroDivisionError:
        return Outcome(
            test.id,
            Verdict.OUT,
            sentence=f"{test.title}: a reading the formula divides by is zero, so nothing can be computed. {test.next}",
        )
    return _told(test, outcomes, detail)


def _told(test: Test, outcomes: tuple[QuantityOutcome, ...], detail: str) -> Outcome:
    """The worst quantity counts, and the sentence is about the first of them."""
    verdict = worst([outcome.verdict for outcome in outcomes])
    if verdict is Verdict.IN_LIMITS:
        return Outcome(test.id, verdict, outcomes)
    first = next(outcome for outcome in outcomes if outcome.verdict is verdict)
    told = f" ({detail})" if detail else ""
    sentence = (
        f"{test.title}: {first.name} is {first.value:.4g} {first.unit}, "
        f"{verdict} against {limits(first.low, first.high)} (U {first.expanded:.2g}){told}. {test.next}"
    )
    return Outcome(test.id, verdict, outcomes, sentence)


def limits(low: float | None, high: float | None) -> str:
    """A tolerance in words."""
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def _quantity(
    quantity: Quantity, steps: Mapping[str, Step], constants: Mapping[str, float], own: Collection[str] = ()
) -> QuantityOutcome:
    result = measure(quantity, steps, constants, own)
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
        tuple(sorted(result.common.items())),
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
    """Every file is the release's, or one that the sheet lets change and no larger than it says."""
    items = dict(reading.items or {})
    whole = items.pop(RELEASE_ITEM, None)
    limited = {path: limit for path in items if (limit := sheet.state_limit(path)) is not None}
    found = {path: value for path, value in items.items() if path not in limited}
    wrong = [fault for path, limit in sorted(limited.items()) if (fault := _too_large(path, items[path], limit))]
    if SECRETS in found:
        wrong.append(f"{SECRETS} of some network is on the board")
    wrong += [f"{path} does not belong there" for path in sorted(set(found) - set(release.files) - {SECRETS})]
    wrong += _release_faults(found, whole, release)
    if not wrong:
        return Outcome(test.id, Verdict.IN_LIMITS)
    more = f" and {len(wrong) - 5} more" if len(wrong) > 5 else ""
    return Outcome(test.id, Verdict.OUT, sentence=f"{test.title}: {'; '.join(wrong[:5])}{more}. {test.next}")


def _release_faults(found: Mapping[str, str], whole: str | None, release: AgentRelease) -> list[str]:
    """What differs from the release. With one hash over all its files a bench lists only those that are wrong."""
    listed = sorted(path for path in release.files if path in found)
    missing = sorted(set(release.files) - set(found)) if whole is None else []
    missing += [path for path in listed if found[path] == MISSING]
    wrong = [f"{path} is missing" for path in missing]
    wrong += [f"{path} is changed" for path in listed if path not in missing and not _same(found[path], release.files[path])]
    if whole is not None and whole != release.hash and not wrong:
        wrong.append("the agent's files together are not those of the release")
    return wrong


def _too_large(path: str, told: str, limit: int) -> str | None:
    """A file that may change is reported as `size N`, N in bytes."""
    word, _, size = told.partition(" ")
    if word != "size" or not (size.isascii() and size.isdigit()):
        return f"{path} came without its size"
    return f"{path} has {size} bytes, more than {limit}" if int(size) > limit else None


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
