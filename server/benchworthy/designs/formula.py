"""The sheet's formulas: arithmetic over named inputs, nothing else.

A formula is parsed by Python's own `ast` and only a small set of nodes is let through, so a sheet can hold no code.
A step's name stands for its mean; `name.sd`, `name.pp`, `name.least`, `name.greatest`, `name.n` and `name.total` for its
spread, its extremes and its counts.
"""

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

_Value = Callable[[Mapping[str, float]], float]
ATTRIBUTES = ("sd", "pp", "least", "greatest", "n", "total")

_BINARY: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
}


def residual(*values: float) -> float:
    """Largest distance of equally spaced values from their least-squares line; three values at least."""
    count = len(values)
    if count < 3:
        raise ValueError("residual needs three values at least")
    middle, mean = (count - 1) / 2.0, sum(values) / count
    places = [k - middle for k in range(count)]
    slope = sum(x * y for x, y in zip(places, values, strict=True)) / sum(x * x for x in places)
    return max(abs(y - mean - slope * x) for x, y in zip(places, values, strict=True))


def _ln(value: float) -> float:
    """A logarithm that has no value is told like a division by zero: the reading cannot be used."""
    if value <= 0.0:
        raise ZeroDivisionError("the logarithm of a number that is not above zero")
    return math.log(value)


_FUNCTIONS: dict[str, Callable[..., float]] = {"min": min, "max": max, "abs": abs, "ln": _ln, "residual": residual}


@dataclass(frozen=True, slots=True)
class Formula:
    """A checked formula. `names` are the inputs it needs, such as `rail` or `rail.sd`."""

    text: str
    names: frozenset[str]

    def evaluate(self, inputs: Mapping[str, float]) -> float:
        """Value for the inputs. Raises ZeroDivisionError where a denominator is zero."""
        return _built(self.text)(inputs)


def parse(text: str) -> Formula:
    """Check a formula. Raises ValueError saying what is not allowed."""
    try:
        tree = _tree(text)
    except SyntaxError as fault:
        raise ValueError(f"formula {text!r} cannot be read: {fault.msg}") from fault
    names: set[str] = set()
    _collect(tree, names)
    return Formula(text, frozenset(names))


def base(name: str) -> str:
    """The step that an input of a formula belongs to: `rail` for `rail.sd`."""
    return name.partition(".")[0]


def _tree(text: str) -> ast.expr:
    return ast.parse(text, mode="eval").body


@cache
def _built(text: str) -> _Value:
    """Formulas come from sheets only, so there are few; judging one run evaluates them some hundred times."""
    return _build(_tree(text))


def _collect(node: ast.expr, names: set[str]) -> None:
    match node:
        case ast.Constant(value=int() | float()):
            return
        case ast.Name(id=name):
            names.add(name)
        case ast.Attribute(value=ast.Name(id=name), attr=attribute) if attribute in ATTRIBUTES:
            names.add(f"{name}.{attribute}")
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            _collect(inner, names)
        case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _BINARY:
            _collect(left, names)
            _collect(right, names)
        case ast.Call(func=ast.Name(id=function), args=[*arguments], keywords=[]) if function in _FUNCTIONS and arguments:
            if function == "residual" and len(arguments) < 3:
                raise ValueError("residual in a formula needs three values at least")
            for argument in arguments:
                _collect(argument, names)
        case _:
            listed = ", ".join(_FUNCTIONS)
            raise ValueError(
                f"a formula holds numbers, names, + - * / and {listed}, and of a step .{', .'.join(ATTRIBUTES)}; nothing else"
            )


def _build(node: ast.expr) -> _Value:
    """A function of the inputs; what is not let through by `_collect` is refused here too."""
    match node:
        case ast.Constant(value=int() | float() as number):
            constant = float(number)
            return lambda _: constant
        case ast.Name(id=name):
            return lambda inputs: inputs[name]
        case ast.Attribute(value=ast.Name(id=name), attr=attribute):
            dotted = f"{name}.{attribute}"
            return lambda inputs: inputs[dotted]
        case ast.UnaryOp(operand=inner):
            value = _build(inner)
            return lambda inputs: -value(inputs)
        case ast.BinOp(left=left, op=operator, right=right):
            act, first, second = _BINARY[type(operator)], _build(left), _build(right)
            return lambda inputs: act(first(inputs), second(inputs))
        case ast.Call(func=ast.Name(id=function), args=arguments):
            call, values = _FUNCTIONS[function], [_build(argument) for argument in arguments]
            return lambda inputs: call(*[value(inputs) for value in values])
    raise ValueError(f"unchecked formula node {type(node).__name__}")
