"""Stimuli that are drawn for each run, so that nobody can answer by habit: what may be drawn, and which answer is right."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import permutations
from typing import Any

from benchworthy.designs.sheet import Test


@dataclass(frozen=True, slots=True)
class Draw:
    """What was drawn for a test in a run: the n-th draw, and the procedure with its arguments for the board to show."""

    test: str
    number: int
    stimulus: Mapping[str, Any]


def choices(test: Test) -> tuple[dict[str, Any], ...]:
    """Everything that may be drawn for a test, each as the arguments of its procedure; all are equally likely."""
    parameters = test.parameters
    match test.procedure:
        case "blink":
            counts = range(int(parameters["least"]), int(parameters["most"]) + 1)
            return tuple({"port": parameters["port"], "count": count} for count in counts)
        case "dark":
            ports = list(parameters["ports"])
            return tuple({"ports": ports, "count": place} for place in range(1, len(ports) + 1))
        case "tone":
            return tuple({"port": parameters["port"], "pattern": pattern} for pattern in parameters["patterns"])
        case "turn":
            fixed = {key: parameters[key] for key in ("enable", "a", "b", "ms")}
            return tuple({**fixed, "order": list(order)} for order in permutations(parameters["words"]))
    return ()


def draw(test: Test, number: int, before: Mapping[str, Any] | None, chance: int) -> Draw:
    """The n-th draw, by a random number; it differs from the one `before`, whose answer is known by then.

    `chance` is of four bytes against a few choices, so the bias is below one in 10^8.
    """
    left = [choice for choice in choices(test) if before is None or choice != before.get("a")]
    return Draw(test.id, number, {"p": test.procedure, "a": left[chance % len(left)]})


def right_answer(procedure: str, stimulus: Mapping[str, Any]) -> str:
    """The answer to what was shown. A draw of the first version was the arguments alone, without the procedure."""
    shown = stimulus.get("a", stimulus)
    match procedure:
        case "tone":
            return str(shown["pattern"])
        case "turn":
            return " ".join(shown["order"])
    return str(shown["count"])


def plain_answer(text: str | None) -> str:
    """An answer without what typing adds: case and spaces."""
    return " ".join((text or "").lower().split())
