"""Finds in the agent's sources what is documented as younger than MicroPython 1.20, or as absent from it.

Sources: MicroPython's pages on differences from CPython, its release notes, and its pull request 16812 (tuples in
startswith). Words that only stand in CPython's library are found by a list of what may be imported.
"""

import ast
import io
import tokenize
from collections.abc import Iterator

# What the firmware of an RP2040 module with a radio has in 1.20, by the names of today.
IMPORTABLE = frozenset({
    "array", "binascii", "gc", "hashlib", "io", "json", "machine", "micropython", "network", "os", "re", "rp2", "select",
    "socket", "ssl", "struct", "sys", "time",
})  # fmt: skip
# Methods and functions that CPython has and 1.20 lacks.
YOUNG_NAMES = frozenset({
    "removeprefix", "removesuffix", "isascii", "casefold", "bit_count", "bit_length", "format_map", "fromhex", "TaskGroup",
    "maketrans", "translate", "swapcase", "expandtabs", "zfill", "ljust", "rjust", "isidentifier", "total_ordering",
})  # fmt: skip
YOUNG_KEYWORDS = frozenset(["flush", "strict", "sort_keys", "indent", "signed", "ensure_ascii", "encoding"])
YOUNG_BUILTINS = frozenset(["ascii", "aiter", "anext", "breakpoint", "vars", "ExceptionGroup", "TimeoutError", "ConnectionError"])


def faults(source: str, name: str = "agent") -> list[str]:
    """Each construct that is refused, with its line; empty if there is none."""
    try:
        tree = ast.parse(source)
    except SyntaxError as fault:
        return [f"{name}:{fault.lineno}: syntax that this CPython refuses: {fault.msg}"]
    found = [*_in_tree(tree), *_joined_strings(source), *_parenthesised_with(source)]
    return [f"{name}:{line}: {what}" for line, what in sorted(found)]


def _in_tree(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        for check in (_statement, _literal, _imported, _named, _called, _function, _formatted):
            yield from ((node.lineno, what) for what in check(node) if isinstance(node, ast.expr | ast.stmt))


def _statement(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Match):
        yield "match statement"
    if isinstance(node, ast.TryStar):
        yield "except*"
    if isinstance(node, ast.AsyncFunctionDef | ast.AsyncFor | ast.AsyncWith):
        yield "async: the agent waits by select.poll alone"
    if type(node).__name__ == "TypeAlias":
        yield "type alias"
    if isinstance(node, ast.AnnAssign):
        yield "annotated variable"


def _literal(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Dict) and None in node.keys:
        yield "dict unpacked in a literal"
    is_display = isinstance(node, ast.List | ast.Tuple | ast.Set) and isinstance(getattr(node, "ctx", ast.Load()), ast.Load)
    if is_display and any(isinstance(each, ast.Starred) for each in node.elts):
        yield "star inside a list or tuple"


def _imported(node: ast.AST) -> Iterator[str]:
    names = []
    if isinstance(node, ast.Import):
        names = [alias.name for alias in node.names]
    if isinstance(node, ast.ImportFrom):
        names = [node.module or "."]
    for name in names:
        if name.split(".")[0] not in IMPORTABLE | {"benchworthy_agent"}:
            yield f"import of {name}"


def _named(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Attribute) and node.attr in YOUNG_NAMES:
        yield f".{node.attr}"
    if isinstance(node, ast.Name) and node.id in YOUNG_BUILTINS:
        yield node.id


def _called(node: ast.AST) -> Iterator[str]:
    if not isinstance(node, ast.Call):
        return
    called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    keywords = {keyword.arg for keyword in node.keywords}
    yield from (f"{called}({word}=)" for word in sorted(keywords & YOUNG_KEYWORDS, key=str))
    if called == "PWM" and (len(node.args) != 1 or keywords):
        yield "PWM with more than its pin: younger forms of the constructor"
    if called == "Timer" and (len(node.args) != 1 or keywords):
        yield "Timer with more than its number: forms that differ between ports"
    if called == "I2C" and (len(node.args) != 1 or not {"scl", "sda", "freq"} >= keywords or not keywords):
        yield "I2C without number, scl and sda, or with a younger argument"
    if called in ("startswith", "endswith") and (len(node.args) != 1 or isinstance(node.args[0], ast.Tuple)):
        yield f"{called} with a tuple or a place"
    if called == "to_bytes" and len(node.args) != 2:
        yield "to_bytes without length and order"


def _function(node: ast.AST) -> Iterator[str]:
    if not isinstance(node, ast.FunctionDef | ast.Lambda):
        return
    if node.args.posonlyargs:
        yield "positional-only parameters"
    variable = node.args.vararg.arg if node.args.vararg else None
    for call in ast.walk(node):
        if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute)):
            continue
        given = {each.id for each in call.args if isinstance(each, ast.Name)}
        if call.func.attr in ("startswith", "endswith") and variable in given:
            yield f"{call.func.attr} with a tuple"


def _formatted(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.JoinedStr):
        values = [value for value in node.values if isinstance(value, ast.FormattedValue)]
        if any(value.conversion == ord("a") for value in values):
            yield "f-string with !a"
        if any(isinstance(inner, ast.JoinedStr) for value in values for inner in ast.walk(value.value)):
            yield "f-string inside an f-string"


def _strings(source: str) -> list[tokenize.TokenInfo]:
    ignored = (tokenize.NL, tokenize.COMMENT)
    return [token for token in tokenize.generate_tokens(io.StringIO(source).readline) if token.type not in ignored]


def _joined_strings(source: str) -> Iterator[tuple[int, str]]:
    before = None
    for token in _strings(source):
        is_string = token.type == tokenize.STRING
        if is_string:
            marks = token.string[: min(token.string.find(quote) % 1000 for quote in "\"'")].lower()
            if "f" in marks and "r" in marks:
                yield token.start[0], "raw f-string"
            if before is not None and ("f" in marks or "f" in before):
                yield token.start[0], "f-string joined to its neighbour without a plus"
        before = marks if is_string else None


def _parenthesised_with(source: str) -> Iterator[tuple[int, str]]:
    tokens = _strings(source)
    for place, token in enumerate(tokens[:-1]):
        if token.string == "with" and token.type == tokenize.NAME and tokens[place + 1].string == "(":
            depth = 0
            for inner in tokens[place + 1 :]:
                depth += {"(": 1, ")": -1}.get(inner.string, 0)
                if depth == 1 and inner.string in ("as", ","):
                    yield token.start[0], "with and its parts in parentheses"
                    break
                if depth == 0:
                    break
