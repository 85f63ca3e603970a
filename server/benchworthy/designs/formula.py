"""The sheet's formulas: arithmetic over named inputs, nothing else.

A formula is parsed by Python's own `ast` and only a small set of nodes is let through, so a sheet can hold no code.
"""

import ast
from collections.abc import Callable, Mapping
from dataclasses import dataclass

_BINARY: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: lambda a, b: a + b,
    ast.Sub: lambda a, b: a - b,
    ast.Mult: lambda a, b: a * b,
    ast.Div: lambda a, b: a / b,
}
_FUNCTIONS: dict[str, Callable[..., float]] = {"min": min, "max": max, "abs": abs}


@dataclass(frozen=True, slots=True)
class Formula:
    """A checked formula. `names` are the inputs it needs."""

    text: str
    names: frozenset[str]

    def evaluate(self, inputs: Mapping[str, float]) -> float:
        """Value for the inputs. Raises ZeroDivisionError where a denominator is zero."""
        return _evaluate(ast.parse(self.text, mode="eval").body, inputs)


def parse(text: str) -> Formula:
    """Check a formula. Raises ValueError saying what is not allowed."""
    try:
        tree = ast.parse(text, mode="eval")
    except SyntaxError as fault:
        raise ValueError(f"formula {text!r} cannot be read: {fault.msg}") from fault
    names: set[str] = set()
    _collect(tree.body, names)
    return Formula(text, frozenset(names))


def _collect(node: ast.expr, names: set[str]) -> None:
    match node:
        case ast.Constant(value=int() | float()):
            return
        case ast.Name(id=name):
            names.add(name)
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            _collect(inner, names)
        case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _BINARY:
            _collect(left, names)
            _collect(right, names)
        case ast.Call(func=ast.Name(id=function), args=[*arguments], keywords=[]) if function in _FUNCTIONS and arguments:
            for argument in arguments:
                _collect(argument, names)
        case _:
            raise ValueError("a formula holds numbers, names, + - * / and min, max, abs; nothing else")


def _evaluate(node: ast.expr, inputs: Mapping[str, float]) -> float:
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name(id=name):
            return inputs[name]
        case ast.UnaryOp(operand=inner):
            return -_evaluate(inner, inputs)
        case ast.BinOp(left=left, op=operator, right=right):
            return _BINARY[type(operator)](_evaluate(left, inputs), _evaluate(right, inputs))
        case ast.Call(func=ast.Name(id=function), args=arguments):
            return _FUNCTIONS[function](*(_evaluate(argument, inputs) for argument in arguments))
    raise ValueError(f"unchecked formula node {type(node).__name__}")
