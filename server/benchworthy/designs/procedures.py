"""The procedures a test may name: who carries them out, since which agent version, and the steps they report."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from benchworthy.reports.report import Author


@dataclass(frozen=True, slots=True)
class Procedure:
    """A known procedure. `steps` names the steps a board reports for given parameters, in order."""

    author: Author
    since: str
    required: frozenset[str]
    steps: Callable[[Mapping[str, Any]], tuple[str, ...]]


def _listed(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(str(step["name"]) for step in parameters["steps"])


def _ports(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(parameters["ports"])


def _walk(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    driven = tuple(f"{level}_{port}" for port in parameters["ports"] for level in ("one", "zero"))
    return ("all_up", "all_down", *driven)


def _outputs_off(parameters: Mapping[str, Any]) -> tuple[str, ...]:
    walked = range(len(parameters["inputs"]) + 1)
    return ("zero", "ref", *(name for k in walked for name in (f"i{k}", f"s{k}")))


def _none(_: Mapping[str, Any]) -> tuple[str, ...]:
    return ()


PROCEDURES: Mapping[str, Procedure] = {
    "levels": Procedure(Author.BOARD, "1.0.0", frozenset({"steps"}), _listed),
    "idle": Procedure(Author.BOARD, "1.0.0", frozenset({"ports", "pull", "ms", "every_ms"}), _ports),
    "walk": Procedure(Author.BOARD, "1.0.0", frozenset({"ports", "off"}), _walk),
    "ratio": Procedure(Author.BOARD, "1.0.0", frozenset({"steps", "dac", "settle_ms"}), _listed),
    "outputs_off": Procedure(
        Author.BOARD,
        "1.0.0",
        frozenset({"enables", "inputs", "senses", "read", "current", "zero", "ref", "n"}),
        _outputs_off,
    ),
    "identity": Procedure(Author.BENCH, "1.0.0", frozenset(), _none),
    "files": Procedure(Author.BENCH, "1.0.0", frozenset(), _none),
    "blink": Procedure(Author.OPERATOR, "1.0.0", frozenset({"port", "least", "most"}), _none),
    "meter": Procedure(Author.OPERATOR, "1.0.0", frozenset(), _none),
    "checklist": Procedure(Author.INSPECTOR, "1.0.0", frozenset({"items"}), _none),
}
