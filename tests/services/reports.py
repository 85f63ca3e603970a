"""Signed reports as a board or a bench would send them; the values are those of a sound board, worked out from the sheet."""

import base64
import hashlib
import hmac
import json
from collections.abc import Mapping, Sequence
from itertools import count
from typing import Any

from benchworthy.designs import agent_release, catalogue
from benchworthy.designs.plan import plan_for
from benchworthy.keys.bench_key import BenchKey
from benchworthy.reports.report import Author
from services import sound_board

SHEET = catalogue.find("tarn-b")
MODULE, PLUG = "e6614103e7452d31", "TP4-0007"
FIXTURES = ("TP-4:TP4-0007", "L-2:L2-0003", "M-1:M1-0001", "meter:MM-02")
INSPECTED = {item: "good" for item in SHEET.tests["VIS-INSP"].parameters["items"]}

_SEQ = count(100)  # every part is numbered anew, as a board counts on


def module_of(serial: str) -> str:
    """Each board has a module of its own."""
    return MODULE[:8] + hashlib.sha256(serial.encode()).hexdigest()[:8]


def sound(test: str) -> dict[str, Any]:
    """A reading of `test` that a sound board gives."""
    return reading(test, sound_board.steps_of(SHEET, SHEET.tests[test]))


def reading(test: str, steps: Sequence[Sequence[int]]) -> dict[str, Any]:
    return {"test": test, "steps": [list(step) for step in steps]}


def scaled(test: str, step: str, factor: float) -> dict[str, Any]:
    """A sound reading with one step larger by `factor`."""
    steps = sound_board.steps_of(SHEET, SHEET.tests[test])
    where = SHEET.tests[test].steps.index(step)
    n, total, *_ = steps[where]
    steps[where] = sound_board.steady(round(total / n * factor), n)
    return reading(test, steps)


def payload(serial: str, given: Sequence[Mapping[str, Any]], **changes: Any) -> dict[str, Any]:
    """A report's payload as it should be; `changes` replace or add members, None takes one away."""
    release = agent_release.current()
    members = {
        "v": 1,
        "serial": serial,
        "module": module_of(serial),
        "design": SHEET.name,
        "plan": plan_for(SHEET, "full").hash,
        "agent": {"version": release.version, "hash": release.hash},
        "firmware": "MicroPython",
        "epoch": 1,
        "boot": 1,
        "seq": 1,
        "ms": 1000,
        "readings": list(given),
        **changes,
    }
    return {name: value for name, value in members.items() if value is not None}


def encode(document: Any) -> bytes:
    return json.dumps(document, separators=(",", ":")).encode()


def b64(octets: bytes) -> bytes:
    return base64.urlsafe_b64encode(octets).rstrip(b"=")


def signed(kid: str, key: bytes, body: bytes, **header: Any) -> bytes:
    """A compact token over `body`, HMAC-SHA256 whatever `header` claims."""
    head = encode({"alg": "HS256", "typ": "benchworthy-report", "kid": kid, **header})
    signing = b64(head) + b"." + b64(body)
    return signing + b"." + b64(hmac.new(key, signing, hashlib.sha256).digest())


def field(serial: str, key_hex: str, readings: Sequence[Mapping[str, Any]] | None = None, **changes: Any) -> bytes:
    """A field report; by default of three tests that need no plug."""
    given = readings if readings is not None else [sound(test) for test in ("PWR-V33M", "PWR-V5", "KEY-IDLE")]
    return signed(f"f.{serial}.1", bytes.fromhex(key_hex), encode(payload(serial, given, **changes)))


def plain_part(opened: Mapping[str, Any], serial: str, number: int, **changes: Any) -> dict[str, Any]:
    """Payload of one of the board's parts of an open run, every reading sound."""
    tests = tests_of(opened, Author.BOARD, number)
    named = {"run": opened["run"], "nonce": opened["nonce"], "part": number, "seq": next(_SEQ), "seen": {"plug": PLUG}}
    return payload(serial, [sound(test) for test in tests], **{**named, **changes})


def part(opened: Mapping[str, Any], serial: str, number: int, **changes: Any) -> bytes:
    """One of the board's parts, signed with the run's key."""
    return signed(f"r.{opened['run']}", bytes.fromhex(opened["key"]), encode(plain_part(opened, serial, number, **changes)))


def replaced(readings: Sequence[Mapping[str, Any]], *others: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """`readings` with those of `others` in their places."""
    by_test = {other["test"]: other for other in others}
    return [by_test.get(one["test"], one) for one in readings]


def part_with(opened: Mapping[str, Any], serial: str, number: int, *others: Mapping[str, Any], **changes: Any) -> bytes:
    """One of the board's parts, some of its readings replaced."""
    given = plain_part(opened, serial, number)["readings"]
    return part(opened, serial, number, readings=replaced(given, *others), **changes)


def bench_part(opened: Mapping[str, Any], serial: str, key: BenchKey, number: int = 1, **changes: Any) -> bytes:
    """One of the bench's parts: the module's id, or the files of the approved agent and nothing else on the board."""
    module = changes.get("module", module_of(serial))
    readings = [bench_reading(test, module) for test in tests_of(opened, Author.BENCH, number)]
    named = {"run": opened["run"], "nonce": opened["nonce"], "part": number}
    return key.sign_report(encode(payload(serial, readings, **{**named, **changes})))


def bench_reading(test: str, module: str = MODULE) -> dict[str, Any]:
    """A bench's reading of a sound board with this module."""
    procedure = SHEET.tests[test].procedure
    if procedure == "identity":
        return {"test": test, "text": module}
    if procedure == "files":
        return {"test": test, "items": {"release": agent_release.current().hash, "state.json": "size 90"}}
    return sound(test)


def tests_of(opened: Mapping[str, Any], author: Author, number: int) -> list[str]:
    """The tests of one part, as the service handed them out."""
    return next(list(p["tests"]) for p in opened["parts"] if (p["author"], p["number"]) == (str(author), number))


def numbers_of(opened: Mapping[str, Any], author: Author) -> list[int]:
    return [p["number"] for p in opened["parts"] if p["author"] == str(author)]


def seen(draw: Mapping[str, Any]) -> dict[str, Any]:
    """The right answer to a draw, by what the board was told to show."""
    shown = draw["stimulus"]["a"]
    text = " ".join(shown["order"]) if "order" in shown else str(shown.get("pattern", shown.get("count")))
    return {"test": draw["test"], "draw": draw["draw"], "text": text}


_METER = {"PWR-DMM5": 5.0, "PWR-DMM33": 3.3, "PWR-DMM3M": 3.3}
_QUANTITIES = {"ohm": "1800", "V": "0.25", "count": "4"}


def answer(asked: Mapping[str, Any]) -> dict[str, Any]:
    """What a person answers to a check list or a meter in front of a sound board."""
    if asked["procedure"] == "checklist":
        return {"test": asked["test"], "items": dict.fromkeys(asked["items"], "good")}
    if asked["test"] in _METER:
        return {"test": asked["test"], "number": _METER[asked["test"]]}
    return {"test": asked["test"], "items": {q["name"]: _QUANTITIES[q["unit"]] for q in asked["quantities"]}}


def place(opened: Mapping[str, Any], test: str) -> int:
    """The number of the part that a test of board or bench stands in."""
    return next(int(part["number"]) for part in opened["parts"] if test in part["tests"])
