"""A small sheet with a test of every kind, and a run opened on it, for sessions at the bench with doubles."""

import dataclasses
from typing import Any

from benchworthy.designs import catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.designs.sheet import Sheet, Test, parts_of
from benchworthy.reports.report import Author

_TARN = catalogue.find("tarn-b")
_MODEL = _TARN.tests["PWR-V5"]


def _test(name: str, author: Author, procedure: str, phase: str = "ports", **more: Any) -> Test:
    plain = {"needs": frozenset(), "action": "", "hazard": "", "caution": "", "ask": "", "parameters": {}, "steps": ()}
    given = {"sets": frozenset({"full"}), "stage": 2, "quantities": _MODEL.quantities[:1], **plain, **more}
    return dataclasses.replace(_MODEL, id=name, author=author, procedure=procedure, phase=phase, **given)


def _sheet() -> Sheet:
    """A few tests of every kind, in the phases of the Tarn."""
    two = (dataclasses.replace(_MODEL.quantities[0], name="V5"), dataclasses.replace(_MODEL.quantities[0], name="V33"))
    board, bench, operator = Author.BOARD, Author.BENCH, Author.OPERATOR
    tests = [
        _test("VIS-INSP", Author.INSPECTOR, "checklist", parameters={"items": ["joints"]}),
        _test("PRE-COLD", operator, "meter", ask="Ohms.", stage=1, quantities=two),
        _test("VIS-SHORT", operator, "checklist", parameters={"items": ["cracks", "feet"]}, ask="Look."),
        _test("USB-ENUM", bench, "port"),
        _test("MCU-ID", bench, "identity"),
        _test("MCU-FW", bench, "files"),
        _test("OUT-H1", board, "follows", "bare", hazard="Motors off the terminals."),
        _test("OUT-H2", board, "follows", "bare"),
        _test("KEY-PRESS", board, "presses", action="press-key"),
        _test("I2C-SCAN", board, "bus_scan", needs=frozenset({"TP-4"})),
        _test("WIFI-RSSI", board, "radio_level", needs=frozenset({"wifi"})),
        _test("OUT-I1", board, "currents", "loads", needs=frozenset({"L-2"})),
        _test("OUT-STALL", board, "stall", "rig", needs=frozenset({"M-1"}), action="rig-held"),
        _test("OUT-DIR1", operator, "turn", "rig", needs=frozenset({"M-1"}), action="rig-motor", ask="Watch."),
        _test("PWR-USBONLY", board, "levels", "jack-out", action="pull-jack"),
        _test("LED-SEE", operator, "blink", ask="Count."),
        _test("PWR-DMM33", operator, "meter", needs=frozenset({"jack"}), ask="Meter on TP3.", caution="One hand."),
    ]
    return dataclasses.replace(_TARN, tests={test.id: test for test in tests})


SHEET = _sheet()
PLAN = plan_for(SHEET, "full")
FIXTURES = ("TP-4:TP4-0007", "L-2:L2-01", "M-1:M1-02", "meter:MM-02")
OPENED: dict[str, Any] = {
    "run": "r-abcd",
    "nonce": "0" * 32,
    "key": "11" * 32,
    "expires": "2026-11-25T20:00:00Z",
    "plan": PLAN.text,
    "epoch": 1,
    "design": "tarn-b",
    "draws": [
        {"test": "LED-SEE", "draw": 1, "stimulus": {"p": "blink", "a": {"port": "lamp", "count": 3}}},
        {"test": "OUT-DIR1", "draw": 1, "stimulus": {"p": "turn", "a": {"order": ["off", "forward", "back"]}}},
    ],
    "mqtt": {"host": "127.0.0.1", "port": 1883, "user": "S", "password": "p", "site": "main"},
    "parts": [
        {"author": str(p.author), "number": p.number, "tests": list(p.tests), "phase": p.phase, "fixtures": list(p.fixtures)}
        for p in parts_of(SHEET, "full")
    ],
    "ask": [{"test": test.id, "author": str(test.author)} for test in SHEET.tests.values() if test.author != Author.BENCH],
}
