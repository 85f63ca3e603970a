"""The agent's test plan: lines of compact JSON made from the sheet, named by their hash.

The first line holds the ports, each further one a test with its parameters, in the order of the parts. A board needs
one line at a time, so a plan of any length fits a small memory.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchworthy.designs.procedures import PROCEDURES
from benchworthy.designs.sheet import Driver, PartPlan, Sheet, Test, parts_of
from benchworthy.reports.report import Author

VERSION = 2


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan's text as it is handed out, and its name: the first 32 hex digits of its SHA-256."""

    text: str
    hash: str


# Every report that arrives is held against the plans of its design, so each is made once. A sheet that stands here is kept, so
# no other can come to have its identity.
_made: dict[tuple[int, str], tuple[Sheet, Plan]] = {}
_MOST = 200


def plan_for(sheet: Sheet, test_set: str) -> Plan:
    """The plan of a set: what the board's agent carries out, or the bench where the board is too small for an agent."""
    known = _made.get((id(sheet), test_set))
    if known is None:
        if len(_made) >= _MOST:
            _made.clear()
        known = _made[id(sheet), test_set] = (sheet, _make(sheet, test_set))
    return known[1]


def _make(sheet: Sheet, test_set: str) -> Plan:
    driver = Author.BOARD if sheet.driver is Driver.AGENT else Author.BENCH
    ports = {port.name: [port.pin, port.does, port.rest] for port in sheet.ports.values()}
    lines: list[Mapping[str, Any]] = [{"v": VERSION, "design": sheet.name, "set": test_set, "ports": ports}]
    for part in parts_of(sheet, test_set):
        if part.author is driver:
            lines += [_line(part, sheet.tests[test]) for test in part.tests if not PROCEDURES[sheet.tests[test].procedure].host]
    text = "".join(json.dumps(line, separators=(",", ":"), sort_keys=True) + "\n" for line in lines)
    return Plan(text, hashlib.sha256(text.encode()).hexdigest()[:32])


def _line(part: PartPlan, test: Test) -> Mapping[str, Any]:
    return {"part": part.number, "id": test.id, "p": test.procedure, "n": sorted(test.needs), "a": _bare(test.parameters)}


def _bare(parameters: Mapping[str, Any]) -> dict[str, Any]:
    """The parameters without the names of steps: a formula needs those, and a board pays for each with memory."""
    steps = parameters.get("steps")
    if steps is None:
        return dict(parameters)
    return {**parameters, "steps": [{key: value for key, value in step.items() if key != "name"} for step in steps]}
