"""The stages of a sheet's build: one TOML table each to a checked Stage. Faults are collected, never raised."""

from collections.abc import Mapping

from benchworthy.designs.checked import Table
from benchworthy.designs.parts import Part
from benchworthy.designs.sheet import STAGE_SET, Port, Stage, Test

_TEXTS = ("critical", "before_power", "first_power", "expected")
NOT_THERE = "not there yet"


def read_stages(root: Table, tests: Mapping[str, Test], parts: Mapping[str, Part], ports: Mapping[str, Port]) -> dict[int, Stage]:
    """The stages by number. Where the sheet has such a table, it names every stage of its tests and parts."""
    table = root.table("stages", required=False)
    found = {int(name): _stage(table, name, tests, ports) for name in table.values if _number(table, name)}
    used = {test.stage for test in tests.values()} | {part.stage for part in parts.values() if part.stage}
    for number in sorted(used - set(found)) if found else ():
        table.fault(str(number), "is missing; tests or parts of the sheet name this stage")
    return found


def refuse_as_names(root: Table, sets: Mapping[str, str]) -> None:
    """The sets of stages are made by this program, so no other may bear such a name."""
    for name in sets:
        if name.startswith(STAGE_SET):
            root.fault("sets", f"names {name!r}; names that begin with {STAGE_SET!r} are those of the stages")


def _number(table: Table, name: str) -> bool:
    good = name.isascii() and name.isdigit() and 1 <= int(name) <= 99 and str(int(name)) == name
    if not good:
        table.fault(name, "is no stage; stages are numbered from 1")
    return good


def _stage(table: Table, name: str, tests: Mapping[str, Test], ports: Mapping[str, Port]) -> Stage:
    row = table.table(name)
    loose = row.texts("loose")
    for port in loose:
        if port not in ports:
            row.fault("loose", f"names the port {port!r}, which the sheet does not have")
    instead = {test: _instead(row.table("instead"), test, tests) for test in row.take("instead", dict, {})}
    repeat = row.texts("repeat")
    for test in repeat:
        if test not in tests or tests[test].stage >= int(name):
            row.fault("repeat", f"names {test!r}, which is no test of an earlier stage")
    title, critical, before, first, expected = row.take("title", str), *(row.take(key, str, "") for key in _TEXTS)
    stage = Stage(int(name), title, critical, before, first, expected, repeat, loose, instead)
    row.close()
    return stage


def _instead(table: Table, test: str, tests: Mapping[str, Test]) -> dict[str, float | None]:
    row = table.table(test)
    known = {quantity.name for quantity in tests[test].quantities} if test in tests else frozenset[str]()
    found: dict[str, float | None] = {}
    for name, value in row.values.items():
        if name not in known:
            row.fault(name, "is no quantity of a test of this sheet")
        elif value == NOT_THERE:
            found[name] = None
        else:
            found[name] = row.take(name, float)
    return found
