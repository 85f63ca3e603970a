"""The import order of the package, as a list, and the reader that finds what breaks it.

Read with `ast`, so an import inside a function counts as well as one at the top.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = "benchworthy"

# Inner to outer. A module imports only what stands on an earlier line; names on one line never import each other.
ORDER = (
    ("errors",),
    ("reports",),
    ("designs",),
    ("judging",),
    ("history",),
    ("desk", "fleet"),
    ("ports",),
    ("evidence",),
    ("acts",),
    ("pipeline", "desk_actions", "run_actions", "certificate_actions", "fixture_actions", "house_actions", "fleet_actions"),
    ("virtual", "intake", "bench", "storage", "keys", "documents"),
    ("api", "pages"),
    ("web",),
    ("settings",),
    ("wiring",),
    ("keeping",),
    ("serve",),
    ("cli",),
)
TIER = {name: tier for tier, names in enumerate(ORDER) for name in names}
LAST_OF_CORE = "desk_actions"  # with what stands on its line
# Pairs that the order alone would allow.
NEVER = {("api", "storage"), ("pages", "storage")}
ONLY_FROM = {"settings": frozenset({"wiring", "serve", "cli"})}
ONLY_TO = {"settings": frozenset({"errors"})}

ADAPTERS = frozenset(
    {"flask", "flask_smorest", "marshmallow", "sqlalchemy", "alembic", "paho", "serial", "mpremote", "requests", "waitress",
     "joserfc", "cryptography", "fpdf", "segno", "fontTools", "psycopg"}
)  # fmt: skip
# A clock, randomness or the environment: these come into the core as arguments.
IMPURE_MODULES = frozenset({"time", "random", "secrets", "uuid"})
IMPURE_NAMES = frozenset(
    {"datetime.now", "datetime.utcnow", "datetime.today", "date.today", "os.environ", "os.environb", "os.getenv", "os.urandom",
     "numpy.random", "np.random"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Violation:
    """Where, and what is wrong there."""

    file: str
    line: int
    text: str


def violations(package: Path) -> list[Violation]:
    """Everything in the tree of `package` (the folder named benchworthy) that breaks the order."""
    found: list[Violation] = []
    for file in sorted(package.rglob("*.py")):
        inside = file.relative_to(package)
        if inside == Path("__init__.py"):
            continue
        importer = inside.parts[0].removesuffix(".py")
        if importer not in TIER:
            found.append(Violation(str(inside), 1, f"{importer} has no place in the order; give it one in tests/layers.py"))
            continue
        tree = ast.parse(file.read_text(), str(file))
        for line, name in imports(tree, (ROOT, *inside.with_suffix("").parts)):
            found += [Violation(str(inside), line, text) for text in _wrong(importer, name)]
        if TIER[importer] <= TIER[LAST_OF_CORE]:
            found += [Violation(str(inside), line, text) for line, text in _impure(tree)]
    return found


def _wrong(importer: str, name: str) -> Iterator[str]:
    """What is wrong with `importer` importing the dotted `name`."""
    top, _, rest = name.partition(".")
    if top != ROOT:
        if top in ADAPTERS and TIER[importer] <= TIER[LAST_OF_CORE]:
            yield f"{importer} is core and imports {top}"
        return
    imported = rest.partition(".")[0]
    if imported not in TIER or imported == importer:
        return  # a name of the root itself, such as __version__, or a neighbour in the same package
    if TIER[imported] == TIER[importer]:
        yield f"{importer} and {imported} stand side by side and must not import each other"
    elif TIER[imported] > TIER[importer]:
        yield f"{importer} imports {imported}, which stands further out"
    if (importer, imported) in NEVER:
        yield f"{importer} must never import {imported}"
    if importer not in ONLY_FROM.get(imported, {importer}):
        yield f"{imported} is imported by {', '.join(sorted(ONLY_FROM[imported]))} only, not by {importer}"
    if imported not in ONLY_TO.get(importer, {imported}):
        yield f"{importer} imports {', '.join(sorted(ONLY_TO[importer]))} only, not {imported}"


def imports(tree: ast.AST, module: tuple[str, ...]) -> Iterator[tuple[int, str]]:
    """Line and dotted name of everything imported; of `from a import b` both a and a.b are told as a.b."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = _absolute(node, module)
            yield from ((node.lineno, f"{base}.{alias.name}") for alias in node.names)
        elif isinstance(node, ast.Call) and _dotted(node.func) in ("importlib.import_module", "import_module", "__import__"):
            named = node.args[0] if node.args else None
            if isinstance(named, ast.Constant) and isinstance(named.value, str):
                yield node.lineno, named.value


def _absolute(node: ast.ImportFrom, module: tuple[str, ...]) -> str:
    if node.level == 0:
        return node.module or ""
    parents = module[: len(module) - node.level] if module[-1] != "__init__" else module[: -node.level]
    return ".".join((*parents, *((node.module,) if node.module else ())))


def _impure(tree: ast.AST) -> Iterator[tuple[int, str]]:
    for line, name in imports(tree, ("",)):
        top = name.partition(".")[0]
        if top in IMPURE_MODULES or name in IMPURE_NAMES:
            yield line, f"the core imports {name}: clock, randomness and environment come in as arguments"
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            name = ".".join((_dotted(node) or "").split(".")[-2:])
            if name in IMPURE_NAMES:
                yield node.lineno, f"the core uses {name}: clock, randomness and environment come in as arguments"


def _dotted(node: ast.AST) -> str | None:
    """`a.b.c` of a chain of attributes that starts at a name, else None."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        base = _dotted(node.value)
        return f"{base}.{node.attr}" if base else None
    return None
