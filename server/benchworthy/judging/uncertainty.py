"""Value and combined standard uncertainty of one quantity, by the law of propagation (JCGM 100:2008, clause 5).

Type A comes from the spread inside each step of the run, type B from the sheet's terms. Inputs are taken as
uncorrelated; sensitivities are central differences, which are exact enough for the sheet's products and quotients, and
for the largest of several values wherever it stands clear of the others.

Type A by input, with s the standard deviation of the n values of a step:
- its mean: s / sqrt(n) (JCGM 100:2008, 4.2.3);
- its `.sd`: s / sqrt(2 (n - 1)) (JCGM 100:2008, E.4.3, for normal values);
- its `.total`: s sqrt(n), as n times the mean;
- its `.least`, `.greatest`, `.pp` and `.n`: none. They are what happened in this run, not estimates of anything else;
  what the reading of each may be off by stands in the sheet's terms.
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from benchworthy.designs.formula import base
from benchworthy.designs.sheet import Quantity, Shape, Term
from benchworthy.reports.report import Step

COVERAGE = 2.0
_CODES = "codes"


@dataclass(frozen=True, slots=True)
class Result:
    """A measured value in the quantity's unit. `standard` is u, `expanded` is U = 2 u; `parts` names each contribution.

    `common` are contributions of the board's own parts, by part and with their signs: the same error at every measurement.
    """

    value: float
    standard: float
    parts: Mapping[str, float]
    common: Mapping[str, float]

    @property
    def expanded(self) -> float:
        return COVERAGE * self.standard


def measure(quantity: Quantity, steps: Mapping[str, Step], constants: Mapping[str, float], own: Collection[str] = ()) -> Result:
    """Evaluate a quantity. `constants` holds part values and single numbers, `own` names those that are the board's parts.

    Raises ZeroDivisionError or KeyError.
    """
    everything = {**constants, **inputs_of(steps)}
    wanted = quantity.formula.names | {term.input for term in quantity.terms}
    inputs = {name: everything[name] for name in wanted if name in everything}
    value = quantity.formula.evaluate(inputs)
    used = sorted(name for name in quantity.formula.names if base(name) in steps)
    parts: dict[str, float] = {}
    common: dict[str, float] = {}
    for name in used:
        _add(parts, f"{name}, repeatability", quantity, inputs, name, _repeatability(name, steps[base(name)]))
    for term in quantity.terms:
        for name in [name for name in used if _in_codes(name)] if term.input == _CODES else [term.input]:
            added = _add(parts, f"{name}, {term.shape}", quantity, inputs, name, _standard(term, inputs.get(name, 0.0)))
            if name in own:
                common[name] = math.copysign(math.hypot(common.get(name, 0.0), added), added)
    return Result(value, math.sqrt(sum(part * part for part in parts.values())), parts, common)


def inputs_of(steps: Mapping[str, Step]) -> dict[str, float]:
    """Every input that the steps give a formula: the mean by the step's name, the rest behind a dot."""
    found: dict[str, float] = {}
    for name, step in steps.items():
        found[name] = step.mean
        found |= {
            f"{name}.sd": math.sqrt(step.variance),
            f"{name}.pp": float(step.greatest - step.least),
            f"{name}.least": float(step.least),
            f"{name}.greatest": float(step.greatest),
            f"{name}.n": float(step.n),
            f"{name}.total": float(step.total),
        }
    return found


def _repeatability(name: str, step: Step) -> float:
    """The type A part of one input; see the head of this file."""
    spread = math.sqrt(step.variance)
    match name.rpartition(".")[2] if "." in name else "":
        case "":
            return spread / math.sqrt(step.n)
        case "total":
            return spread * math.sqrt(step.n)
        case "sd":
            return spread / math.sqrt(2.0 * (step.n - 1)) if step.n > 1 else 0.0
    return 0.0


def _in_codes(name: str) -> bool:
    """Whether an error of the converter's codes moves this input; a spread or a count is not moved by an offset."""
    return name.rpartition(".")[2] not in ("sd", "n", "total") or "." not in name


def _standard(term: Term, nominal: float) -> float:
    half_width = term.amount * abs(nominal) if term.relative else term.amount
    return half_width / math.sqrt(3.0) if term.shape is Shape.RECTANGULAR else half_width


def _add(parts: dict[str, float], label: str, quantity: Quantity, inputs: Mapping[str, float], name: str, u: float) -> float:
    """Add |df/dx| u(x); returned with its sign. A term on an input outside the formula (a meter's digits) adds to the value."""
    if u == 0.0:
        return 0.0
    sensitivity = _sensitivity(quantity, inputs, name) if name in quantity.formula.names else 1.0
    parts[label] = math.hypot(parts.get(label, 0.0), abs(sensitivity) * u)  # two terms of one kind both count
    return sensitivity * u


def _sensitivity(quantity: Quantity, inputs: Mapping[str, float], name: str) -> float:
    at = inputs[name]
    step = max(abs(at), 1.0) * 1e-5
    above = quantity.formula.evaluate({**inputs, name: at + step})
    below = quantity.formula.evaluate({**inputs, name: at - step})
    return (above - below) / (2.0 * step)
