"""TOML text to a checked Sheet. Every fault is collected and named with line and key before SheetInvalid is raised."""

import tomllib
from collections.abc import Mapping
from typing import Any

from benchworthy.designs import hashes
from benchworthy.designs.checked import Fault, Table
from benchworthy.designs.effort import Effort
from benchworthy.designs.loading_stages import read_stages, refuse_as_names
from benchworthy.designs.loading_tests import ACTIONS, DEFAULT_PHASE, Context, read_test
from benchworthy.designs.locate import line_of
from benchworthy.designs.parts import Part, amount, relative
from benchworthy.designs.sheet import Driver, Pattern, Phase, Policy, Port, Sheet
from benchworthy.errors import SheetInvalid

FORMAT = 1
LONGEST_NAME, MOST_OF_ONE = 40, 99  # of an accessory
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
        "selector",
        "switch4",
        "motor",
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
    phases, accessories = _phases(root, frozenset(fixtures)), _accessories(root)
    effort = _effort(root.table("effort", required=False), frozenset(sets))
    identity = {key: design.take(key, str) for key in ("id", "revision", "title", "module")}
    catalogue, driver = design.take("catalogue", int), _driver(design)
    named = root.take("tests", dict)
    context = Context(driver, parts, ports, phases, frozenset(sets), frozenset(conditions), frozenset(fixtures), named)
    tests = {name: read_test(root.table("tests"), name, context) for name in named}
    policy = _policy(root.table("policy"), frozenset(sets))
    stages = read_stages(root, tests, parts, ports)
    refuse_as_names(root, sets)
    design.close()
    root.close()
    if root.faults:
        return None
    healthy = {test: tuple(Pattern(int(e), int(c)) for e, c in rows) for test, rows in patterns.items()}
    return Sheet(
        catalogue=catalogue,
        driver=driver,
        parts=parts,
        conditions=conditions,
        fixtures=fixtures,
        ports=ports,
        phases=phases,
        tests=tests,
        sets=sets,
        policy=policy,
        state_files=state_files,
        patterns=healthy,
        stages=stages,
        judging_hash=hashes.judging(parts, tests, phases, policy, state_files, healthy),
        guide_hash=hashes.guide(root.values),
        accessories=accessories,
        effort=effort,
        **identity,
    )


def _driver(design: Table) -> Driver:
    told = design.take("driver", str, Driver.AGENT)
    if told not in set(Driver):
        design.fault("driver", f"{told!r} must be {' or '.join(Driver)}")
        return Driver.AGENT
    return Driver(told)


def _effort(table: Table, sets: frozenset[str]) -> dict[str, Effort]:
    """How long each set takes, where the sheet says so."""
    found = {}
    for name in table.values:
        row = table.table(name)
        seconds, hands = row.take("seconds", int), row.take("hands", int)
        if name not in sets:
            table.fault(name, "is no set of this sheet")
        if not 0 <= hands <= seconds:
            row.fault("hands", f"must lie between 0 and the {seconds} s of the whole set")
        row.close()
        found[name] = Effort(seconds, hands)
    table.close()
    return found


def _policy(table: Table, sets: frozenset[str]) -> Policy:
    run_age, certificate, run_hours = (table.take(key, int) for key in ("run_age_days", "certificate_days", "run_hours"))
    first, renewal = table.take("first_set", str, "full"), table.take("renewal_set", str, "renewal")
    if first not in sets:
        table.fault("first_set", f"is {first!r}, which is no set of this sheet")
    table.close()
    return Policy(run_age, certificate, run_hours, first, renewal)


def _phases(root: Table, fixtures: frozenset[str]) -> tuple[Phase, ...]:
    """The phases in order; a sheet without any has one in which everything may be plugged in."""
    found = tuple(_phase(row, fixtures) for row in root.tables("phases"))
    return found or (Phase(DEFAULT_PHASE, tuple(sorted(fixtures)), "", ""),)


def _accessories(root: Table) -> dict[str, int]:
    """What is lent with the board; each name stands once."""
    found: dict[str, int] = {}
    for row in root.tables("accessories"):
        name, count = row.take("name", str), row.take("count", int, 1)
        if not 1 <= len(name) <= LONGEST_NAME or name in found:
            row.fault("name", f"must be a name of at most {LONGEST_NAME} characters that stands once, not {name!r}")
        if not 1 <= count <= MOST_OF_ONE:
            row.fault("count", f"must be 1 to {MOST_OF_ONE}, not {count}")
        row.close()
        found[name] = count
    return found


def _phase(row: Table, fixtures: frozenset[str]) -> Phase:
    phase = Phase(row.take("name", str), row.texts("fixtures"), row.take("action", str, ""), row.take("ask", str, ""))
    for name in sorted(set(phase.fixtures) - fixtures):
        row.fault("fixtures", f"names {name!r}; known are " + (", ".join(sorted(fixtures)) or "none"))
    if phase.action and phase.action not in ACTIONS:
        row.fault("action", f"names {phase.action!r}; known are " + ", ".join(sorted(ACTIONS)))
    row.close()
    return phase


def _parts(table: Table) -> dict[str, Part]:
    return {ref: _part(table.table(ref), ref) for ref in table.values}


def _fixture(table: Table, name: str) -> tuple[Part, ...]:
    fixture = table.table(name)
    parts = fixture.table("parts", required=False)  # a network that can be reached is a condition without parts
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
        if does not in {"adc", "in", "out", "pwm", "die"}:
            row.fault("does", f"{does!r} must be adc, in, out, pwm or die")
        row.take("hazard", str, "")
        rest = row.take("rest", int, -1)
        ports[name] = Port(name, row.take("pin", int), does, None if rest < 0 else rest)
        row.close()
    return ports


__all__ = ["Fault", "load"]
