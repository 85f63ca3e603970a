"""Value and combined standard uncertainty of one quantity, by the law of propagation (JCGM 100:2008, clause 5).

Type A comes from the spread inside each step of the run, type B from the sheet's terms. Inputs are taken as
uncorrelated; sensitivities are central differences, which are exact enough for the sheet's products and quotients.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchworthy.designs.sheet import Quantity, Shape, Term
from benchworthy.reports.report import Step

COVERAGE = 2.0
_CODES = "codes"


@dataclass(frozen=True, slots=True)
class Result:
    """A measured value in the quantity's unit. `standard` is u, `expanded` is U = 2 u; `parts` names each contribution."""

    value: float
    standard: float
    parts: Mapping[str, float]

    @property
    def expanded(self) -> float:
        return COVERAGE * self.standard


def measure(quantity: Quantity, steps: Mapping[str, Step], constants: Mapping[str, float]) -> Result:
    """Evaluate a quantity. `constants` holds part values and single numbers. Raises ZeroDivisionError or KeyError."""
    inputs = {**constants, **{name: step.mean for name, step in steps.items()}}
    value = quantity.formula.evaluate(inputs)
    parts: dict[str, float] = {}
    for name in sorted(quantity.formula.names & set(steps)):
        spread = math.sqrt(steps[name].variance / steps[name].n)
        _add(parts, f"{name}, repeatability", quantity, inputs, name, spread)
    for term in quantity.terms:
        for name in _inputs_of(term, quantity, steps):
            _add(parts, f"{name}, {term.shape}", quantity, inputs, name, _standard(term, inputs.get(name, 0.0)))
    return Result(value, math.sqrt(sum(part * part for part in parts.values())), parts)


def _inputs_of(term: Term, quantity: Quantity, steps: Mapping[str, Step]) -> list[str]:
    return sorted(quantity.formula.names & set(steps)) if term.input == _CODES else [term.input]


def _standard(term: Term, nominal: float) -> float:
    half_width = term.amount * abs(nominal) if term.relative else term.amount
    return half_width / math.sqrt(3.0) if term.shape is Shape.RECTANGULAR else half_width


def _add(parts: dict[str, float], label: str, quantity: Quantity, inputs: Mapping[str, float], name: str, u: float) -> None:
    """Add |df/dx| u(x). A term on an input outside the formula (a meter's digits) adds to the value itself."""
    if u == 0.0:
        return
    sensitivity = _sensitivity(quantity, inputs, name) if name in quantity.formula.names else 1.0
    parts[label] = math.hypot(parts.get(label, 0.0), abs(sensitivity) * u)  # two terms of one kind both count


def _sensitivity(quantity: Quantity, inputs: Mapping[str, float], name: str) -> float:
    at = inputs[name]
    step = max(abs(at), 1.0) * 1e-5
    above = quantity.formula.evaluate({**inputs, name: at + step})
    below = quantity.formula.evaluate({**inputs, name: at - step})
    return (above - below) / (2.0 * step)
