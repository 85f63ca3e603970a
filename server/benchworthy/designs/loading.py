"""TOML text to a checked Sheet. Every fault is collected and named with line and key before SheetInvalid is raised."""

import tomllib
from collections.abc import Mapping
from typing import Any

from benchworthy.designs import formula, hashes
from benchworthy.designs.checked import Fault, Table
from benchworthy.designs.locate import line_of
from benchworthy.designs.parts import Part, amount, relative
from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import Pattern, Policy, Port, Quantity, Shape, Sheet, Term, Test
from benchworthy.errors import SheetInvalid
from benchworthy.reports.report import Author

FORMAT = 1
KINDS = frozenset(
    [
        "resistor",
        "capacitor",
        "diode",
        "lamp",
        "fuse",
        "regulator",
        "module",
        "switch",
        "transistor",
        "sounder",
        "reference",
        "mux8",
        "header",
        "terminal",
        "jumper",
        "hbridge",
        "source",
        "follower",
        "memory",
    ]
)
_TEST_KEYS = frozenset(
    [
        "title",
        "stage",
        "author",
        "sets",
        "needs",
        "before_plug",
        "procedure",
        "steps",
        "constants",
        "quantities",
        "better_witness",
        "hazard",
        "caution",
        "ask",
        "next",
    ]
)


def load(text: str, patterns: Mapping[str, Any] | None = None) -> Sheet:
    """Read a sheet. `patterns` is what was computed from its circuit. Raises SheetInvalid with every fault found."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise SheetInvalid(f"The sheet is not TOML: {fault}.", faults=[str(fault)]) from fault
    root = Table(values, (), [])
    sheet = _sheet(root, dict(patterns or {}))
    if root.faults:
        lines = sorted({(line_of(text, fault.path), ".".join(fault.path), fault.text) for fault in root.faults})
        listed = [f"line {line}: {key} {what}" for line, key, what in lines]
        raise SheetInvalid("The sheet cannot be used: " + "; ".join(listed) + ".", faults=listed)
    assert sheet is not None
    return sheet


def _sheet(root: Table, patterns: Mapping[str, Any]) -> Sheet | None:
    if root.take("format", int) != FORMAT:
        root.fault("format", f"must be {FORMAT}")
    design = root.table("design")
    parts = _parts(root.table("parts"))
    conditions = {name: _fixture(root.table("conditions"), name) for name in root.take("conditions", dict, {})}
    fixtures = {name: _fixture(root.table("fixtures"), name) for name in root.take("fixtures", dict, {})}
    ports = _ports(root.table("ports"))
    sets = {name: root.table("sets").take(name, str) for name in root.take("sets", dict)}
    state_files = {name: root.table("state_files").take(name, int) for name in root.take("state_files", dict, {})}
    context = _Context(parts, ports, frozenset(sets), frozenset(conditions) | frozenset(fixtures), root.take("tests", dict))
    tests = {name: _test(root.table("tests"), name, context) for name in context.tests}
    policy_table = root.table("policy")
    policy = Policy(*(policy_table.take(key, int) for key in ("run_age_days", "certificate_days", "run_hours")))
    policy_table.close()
    identity = {key: design.take(key, str) for key in ("id", "revision", "title", "module")}
    catalogue = design.take("catalogue", int)
    design.close()
    root.close()
    if root.faults:
        return None
    healthy = {test: tuple(Pattern(int(e), int(c)) for e, c in rows) for test, rows in patterns.items()}
    return Sheet(
        catalogue=catalogue,
        parts=parts,
        conditions=conditions,
        fixtures=fixtures,
        ports=ports,
        tests=tests,
        sets=sets,
        policy=policy,
        state_files=state_files,
        patterns=healthy,
        judging_hash=hashes.judging(parts, tests, policy, state_files, healthy),
        guide_hash=hashes.guide(root.values),
        **identity,
    )


class _Context:
    """What a test may refer to."""

    def __init__(
        self,
        parts: Mapping[str, Part],
        ports: Mapping[str, Port],
        sets: frozenset[str],
        conditions: frozenset[str],
        tests: Mapping[str, Any],
    ) -> None:
        self.parts, self.ports, self.sets, self.conditions, self.tests = parts, ports, sets, conditions, tests


def _parts(table: Table) -> dict[str, Part]:
    return {ref: _part(table.table(ref), ref) for ref in table.values}


def _fixture(table: Table, name: str) -> tuple[Part, ...]:
    fixture = table.table(name)
    parts = fixture.table("parts")
    fixture.close()
    return tuple(_part(parts.table(ref), f"{name}:{ref}") for ref in parts.values)


def _part(table: Table, ref: str) -> Part:
    kind = table.take("kind", str)
    if kind and kind not in KINDS:
        table.fault("kind", f"{kind!r} is no known kind; known are " + ", ".join(sorted(KINDS)))
    value, tolerance = table.take("value", str, ""), table.take("tolerance", str, "0%")
    nets, label, stage = table.take("nets", str), table.take("label", str, ""), table.take("stage", int, 0)
    model = {key: table.table("model").take(key, float) for key in table.take("model", dict, {})}
    table.close()
    return Part(
        ref,
        kind,
        _read(table, "value", amount, value) if value else None,
        _read(table, "tolerance", relative, tolerance) or 0.0,
        tuple(nets.split()),
        stage or None,
        label or value,
        model,
    )


def _read(table: Table, key: str, reader: Any, text: str) -> float | None:
    try:
        return float(reader(text))
    except ValueError as fault:
        table.fault(key, str(fault))
        return None


def _ports(table: Table) -> dict[str, Port]:
    ports = {}
    for name in table.values:
        row = table.table(name)
        does = row.take("does", str)
        if does not in {"adc", "in", "out", "pwm"}:
            row.fault("does", f"{does!r} must be adc, in, out or pwm")
        row.take("hazard", str, "")
        rest = row.take("rest", int, -1)
        ports[name] = Port(name, row.take("pin", int), does, None if rest < 0 else rest)
        row.close()
    return ports


def _test(table: Table, name: str, context: _Context) -> Test:
    row = table.table(name)
    procedure, author = row.take("procedure", str), row.take("author", str)
    parameters = {key: value for key, value in row.values.items() if key not in _TEST_KEYS or key == "steps"}
    row.seen.update(parameters)
    _known(row, "sets", row.texts("sets"), context.sets)
    _known(row, "needs", row.texts("needs"), context.conditions)
    witness = row.take("better_witness", str, "")
    if witness:
        _known(row, "better_witness", (witness,), frozenset(context.tests))
    steps = _procedure(row, procedure, author, parameters)
    _used_ports(row, parameters, context)
    constants = {key: row.table("constants").take(key, float) for key in row.take("constants", dict, {})}
    inputs = frozenset(steps) | frozenset(constants) | {"reading", "digits", "mismatches"}
    quantities = tuple(_quantity(q, inputs, context) for q in row.tables("quantities"))
    test = Test(
        id=name,
        title=row.take("title", str),
        stage=row.take("stage", int),
        author=Author(author) if author in set(Author) else Author.BOARD,
        sets=frozenset(row.texts("sets")),
        needs=frozenset(row.texts("needs")),
        before_plug=row.take("before_plug", bool, False),
        procedure=procedure,
        parameters=parameters,
        steps=steps,
        constants=constants,
        quantities=quantities,
        better_witness=witness or None,
        hazard=row.take("hazard", str, ""),
        caution=row.take("caution", str, ""),
        ask=row.take("ask", str),
        next=row.take("next", str),
    )
    row.close(_TEST_KEYS)
    return test


def _procedure(row: Table, name: str, author: str, parameters: Mapping[str, Any]) -> tuple[str, ...]:
    """Check the procedure and its parameters; return the names of the steps it reports."""
    if name not in PROCEDURES:
        listed = ", ".join(f"{known} (agent {p.since})" for known, p in PROCEDURES.items())
        row.fault("procedure", f"{name!r} is known to no agent version; known are {listed}")
        return ()
    known = PROCEDURES[name]
    if author != known.author:
        row.fault("author", f"must be {known.author} for the procedure {name}, not {author!r}")
    missing = sorted(known.required - set(parameters))
    extra = sorted(set(parameters) - known.required)
    for key in missing:
        row.fault(key, f"is missing; the procedure {name} needs it")
    for key in extra:
        row.fault(key, f"is not known to the procedure {name}")
    try:
        return known.steps(parameters) if not missing else ()
    except (KeyError, TypeError) as fault:
        row.fault("steps", f"cannot be read: each step needs a name ({fault})")
        return ()


_PORT_LISTS = ("ports", "off", "enables", "inputs", "senses")
_PORT_NAMES = ("read", "port", "dac")


def _used_ports(row: Table, parameters: Mapping[str, Any], context: _Context) -> None:
    used = [(key, port) for key in _PORT_LISTS for port in parameters.get(key, ())]
    used += [(key, parameters[key]) for key in _PORT_NAMES if key in parameters]
    for step in parameters.get("steps", ()):
        if isinstance(step, dict):
            used += [("steps", step[key]) for key in ("read",) if key in step]
            used += [("steps", port) for port in step.get("set", {})]
    for key, port in used:
        if port not in context.ports:
            row.fault(key, f"names the port {port!r}, which the sheet does not have")


def _known(row: Table, key: str, names: tuple[str, ...], known: frozenset[str]) -> None:
    for name in names:
        if name not in known:
            row.fault(key, f"names {name!r}; known are " + (", ".join(sorted(known)) or "none"))


def _quantity(row: Table, inputs: frozenset[str], context: _Context) -> Quantity:
    try:
        parsed = formula.parse(row.take("value", str))
    except ValueError as fault:
        row.fault("value", str(fault))
        parsed = formula.Formula("0", frozenset())
    known = inputs | {ref for ref, part in context.parts.items() if part.value is not None}
    for name in sorted(parsed.names - known):
        row.fault("value", f"uses {name!r}, which is neither a step, a constant nor a part with a value")
    terms = tuple(t for text in row.texts("uncertainty") if (t := _term(row, text, known | {"codes"})))
    low, high = row.take("low", float), row.take("high", float)
    if low > high:
        row.fault("low", f"{low} is above high {high}")
    quantity = Quantity(row.take("name", str), row.take("unit", str), parsed, low, high, row.take("source", str), terms)
    row.close()
    return quantity


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


__all__ = ["Fault", "load"]
