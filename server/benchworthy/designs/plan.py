"""The agent's test plan: compact JSON made from the sheet, named by its hash."""

import hashlib
import json
from dataclasses import dataclass

from benchworthy.designs.sheet import Sheet, parts_of
from benchworthy.reports.report import Author


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan's text as the board gets it, and its name: the first 32 hex digits of its SHA-256."""

    text: str
    hash: str


def plan_for(sheet: Sheet, test_set: str) -> Plan:
    """The plan of a set: ports, the select lines, and for each board part its tests with their parameters."""
    document = {
        "v": 1,
        "design": sheet.name,
        "set": test_set,
        "ports": {port.name: [port.pin, port.does, port.rest] for port in sheet.ports.values()},
        "parts": [
            [{"id": test, "p": sheet.tests[test].procedure, "a": dict(sheet.tests[test].parameters)} for test in part.tests]
            for part in parts_of(sheet, test_set)
            if part.author is Author.BOARD
        ],
    }
    text = json.dumps(document, separators=(",", ":"), sort_keys=True)
    return Plan(text, hashlib.sha256(text.encode()).hexdigest()[:32])
