"""The tests of a sheet: one TOML table each to a checked Test. Faults are collected, never raised."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchworthy.designs import formula
from benchworthy.designs.checked import Table
from benchworthy.designs.parts import Part, amount, relative
from benchworthy.designs.procedures import BENCH_DRIVEN, PROCEDURES, Procedure
from benchworthy.designs.sheet import Counts, Driver, Phase, Port, Quantity, Shape, Term, Test
from benchworthy.reports.report import Author

FIELD_SET = "field"
ACTIONS = frozenset({"press-key", "pull-jack", "rig-motor", "rig-held", "rig-loads", "move-plug", "pull-usb"})
DEFAULT_PHASE = "ports"
_PEOPLE_KEYS = frozenset({"title", "hazard", "caution", "ask", "next", "guards"})
_JUDGED_KEYS = frozenset({"stage", "author", "sets", "counts", "covered_by", "constants", "quantities", "better_witness"})
_TEST_KEYS = _PEOPLE_KEYS | _JUDGED_KEYS | {"needs", "phase", "action", "procedure", "steps"}
_PORT_LISTS = ("ports", "off", "enables", "inputs", "senses", "others", "highs", "lows")
_PORT_NAMES = ("read", "port", "dac", "enable", "input", "sense", "a", "b", "data", "clock", "out", "loop", "lamp")
_PULLS = ("up", "down")


@dataclass(frozen=True, slots=True)
class Context:
    """What a test may refer to."""

    driver: str
    parts: Mapping[str, Part]
    ports: Mapping[str, Port]
    phases: tuple[Phase, ...]
    sets: frozenset[str]
    conditions: frozenset[str]
    fixtures: frozenset[str]
    tests: Mapping[str, Any]


def read_test(table: Table, name: str, context: Context) -> Test:
    """Read one test; what is wrong with it goes into the table's faults."""
    row = table.table(name)
    procedure, author = row.take("procedure", str), row.take("author", str)
    parameters = {key: value for key, value in row.values.items() if key not in _TEST_KEYS or key == "steps"}
    row.seen.update(parameters)
    _known(row, "sets", row.texts("sets"), context.sets)
    _known(row, "needs", row.texts("needs"), context.conditions | context.fixtures)
    steps = _procedure(row, procedure, author, parameters, context)
    _used_ports(row, parameters, context)
    constants = {key: row.table("constants").take(key, float) for key in row.take("constants", dict, {})}
    inputs = frozenset(constants) | {"reading", "digits", "mismatches"}
    quantities = tuple(_quantity(q, frozenset(steps), inputs, context) for q in row.tables("quantities"))
    test = Test(
        id=name,
        title=row.take("title", str),
        stage=row.take("stage", int),
        author=Author(author) if author in set(Author) else Author.BOARD,
        sets=frozenset(row.texts("sets")),
        needs=frozenset(row.texts("needs")),
        phase=row.take("phase", str, DEFAULT_PHASE),
        action=row.take("action", str, ""),
        counts=_counts(row),
        covered_by=_other_test(row, "covered_by", context),
        procedure=procedure,
        parameters=parameters,
        steps=steps,
        constants=constants,
        quantities=quantities,
        better_witness=_other_test(row, "better_witness", context),
        hazard=row.take("hazard", str, ""),
        caution=row.take("caution", str, ""),
        ask=row.take("ask", str),
        next=row.take("next", str),
        guards=row.take("guards", str, ""),
    )
    named = [quantity.name for quantity in quantities]
    for twice in sorted({name for name in named if named.count(name) > 1}):
        row.fault("quantities", f"has {twice!r} twice; each quantity of a test has its own name")
    _circumstances(row, test, context)
    row.close(_TEST_KEYS)
    return test


def _counts(row: Table) -> Counts:
    told = row.take("counts", str, Counts.ALWAYS)
    if told not in set(Counts):
        row.fault("counts", f"{told!r} must be {', '.join(Counts)}")
        return Counts.ALWAYS
    return Counts(told)


def _other_test(row: Table, key: str, context: Context) -> str | None:
    named = row.take(key, str, "")
    if named:
        _known(row, key, (named,), frozenset(context.tests))
    return named or None


def _circumstances(row: Table, test: Test, context: Context) -> None:
    """Phase, action, and what each rules out: a test may only need what its phase has plugged in."""
    if test.action:
        _known(row, "action", (test.action,), ACTIONS)
    phase = next((phase for phase in context.phases if phase.name == test.phase), None)
    if phase is None:
        _known(row, "phase", (test.phase,), frozenset(p.name for p in context.phases))
        return
    for need in sorted((test.needs & context.fixtures) - set(phase.fixtures)):
        row.fault("needs", f"names {need!r}, which the phase {phase.name} does not have plugged in")
    known = PROCEDURES.get(test.procedure)
    moves = known is not None and known.pulse_ms is not None
    if moves and not test.hazard:
        row.fault("hazard", f"is missing; the procedure {test.procedure} may move something")
    if FIELD_SET in test.sets and (moves or test.needs & context.fixtures or test.author is not Author.BOARD):
        row.fault("sets", f"names {FIELD_SET!r}: what a board does alone drives nothing, needs no fixture and nobody")


def _procedure(row: Table, name: str, author: str, parameters: Mapping[str, Any], context: Context) -> tuple[str, ...]:
    """Check the procedure and its parameters; return the names of the steps it reports."""
    if name not in PROCEDURES:
        listed = ", ".join(f"{known} (agent {p.since})" for known, p in PROCEDURES.items())
        row.fault("procedure", f"{name!r} is known to no agent version; known are {listed}")
        return ()
    known = PROCEDURES[name]
    authors = _authors(known, context)
    if author not in authors:
        row.fault("author", f"must be {' or '.join(sorted(authors))} for the procedure {name}, not {author!r}")
    if context.driver == Driver.BENCH and Author.BOARD in known.authors:
        _bench_driven(row, name, parameters)
    missing = sorted(known.required - set(parameters))
    for key in missing:
        row.fault(key, f"is missing; the procedure {name} needs it")
    for key in sorted(set(parameters) - known.required - known.optional):
        row.fault(key, f"is not known to the procedure {name}")
    _pulse(row, known, parameters)
    try:
        return known.steps(parameters) if not missing else ()
    except (KeyError, TypeError) as fault:
        row.fault("steps", f"cannot be read: each step needs a name ({fault})")
        return ()


def _bench_driven(row: Table, name: str, parameters: Mapping[str, Any]) -> None:
    """The bench knows few of the board's procedures itself, and such a board has no multiplexer."""
    if name not in BENCH_DRIVEN:
        row.fault("procedure", f"{name!r} is beyond a board that the bench drives; it knows " + ", ".join(sorted(BENCH_DRIVEN)))
    if any(isinstance(step, dict) and "select" in step for step in parameters.get("steps", ())):
        row.fault("steps", "select a channel, and a board that the bench drives has no multiplexer")


def _authors(known: Procedure, context: Context) -> frozenset[Author]:
    """The board's own procedures are the bench's where the bench drives the board."""
    if Author.BOARD in known.authors and context.driver == Driver.BENCH:
        return known.authors - {Author.BOARD} | {Author.BENCH}
    return known.authors


def _pulse(row: Table, known: Procedure, parameters: Mapping[str, Any]) -> None:
    """A drive ends by itself, and the sheet may ask for no longer one than the board's own limit."""
    length = parameters.get("ms")
    if known.pulse_ms is None or length is None:
        return
    if not isinstance(length, int) or not 0 < length <= known.pulse_ms:
        row.fault("ms", f"{length!r} must be a whole number from 1 to {known.pulse_ms}: a drive pulse ends by itself")


def _used_ports(row: Table, parameters: Mapping[str, Any], context: Context) -> None:
    used = [(key, port) for key in _PORT_LISTS for port in parameters.get(key, ())]
    used += [(key, parameters[key]) for key in _PORT_NAMES if key in parameters]
    used += [("switch", port) for port in parameters.get("switch", {})]
    for step in parameters.get("steps", ()):
        if isinstance(step, dict):
            used += [("steps", step["read"])] if "read" in step else []
            used += [("steps", port) for key in ("set", "pull") for port in step.get(key, {})]
            wrong = sorted(str(pull) for pull in step.get("pull", {}).values() if pull not in _PULLS)
            if wrong:
                row.fault("steps", f"pulls {wrong[0]!r}; a pull is {' or '.join(_PULLS)}")
    for key, port in used:
        if port not in context.ports:
            row.fault(key, f"names the port {port!r}, which the sheet does not have")


def _known(row: Table, key: str, names: tuple[str, ...], known: frozenset[str]) -> None:
    for name in names:
        if name not in known:
            row.fault(key, f"names {name!r}; known are " + (", ".join(sorted(known)) or "none"))


def _quantity(row: Table, steps: frozenset[str], others: frozenset[str], context: Context) -> Quantity:
    try:
        parsed = formula.parse(row.take("value", str))
    except ValueError as fault:
        row.fault("value", str(fault))
        parsed = formula.Formula("0", frozenset())
    known = steps | others | {ref for ref, part in context.parts.items() if part.value is not None}
    for name in sorted(parsed.names):
        if formula.base(name) not in (steps if "." in name else known):
            row.fault("value", f"uses {name!r}, which is neither a step, a constant nor a part with a value")
    terms = tuple(t for text in row.texts("uncertainty") if (t := _term(row, text, known | parsed.names | {"codes"})))
    low, high = _limits(row)
    quantity = Quantity(row.take("name", str), row.take("unit", str), parsed, low, high, row.take("source", str), terms)
    row.close()
    return quantity


def _limits(row: Table) -> tuple[float | None, float | None]:
    """One limit may be left out where the part or the promise has only the other."""
    low = row.take("low", float) if "low" in row.values else None
    high = row.take("high", float) if "high" in row.values else None
    row.seen.update(("low", "high"))
    if low is None and high is None:
        row.fault("low", "is missing, and high as well; a quantity has a lower or an upper limit or both")
    elif low is not None and high is not None and low > high:
        row.fault("low", f"{low} is above high {high}")
    return low, high


def _term(row: Table, text: str, known: frozenset[str]) -> Term | None:
    words = text.split()
    if len(words) != 3 or words[0] not in known or words[2] not in set(Shape):
        row.fault("uncertainty", f"{text!r} must be an input, an amount and a shape, such as 'U3 1% rectangular'")
        return None
    try:
        is_relative = words[1].endswith("%")
        return Term(words[0], relative(words[1]) if is_relative else amount(words[1]), is_relative, Shape(words[2]))
    except ValueError as fault:
        row.fault("uncertainty", str(fault))
        return None
